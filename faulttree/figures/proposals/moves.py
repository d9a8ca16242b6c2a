"""Search for moves of single steps that save time and keep the author's file.

A newly planned order is another file. A move keeps every step, its words and the comments
around it, and changes only targets. This is a greedy search: the best move, then the best one
after it, as long as each saves time on the recorded cases. A move must not lose a fault: each
must be found as reliably as before, also faults that no case had. Safety guards, stops and
actions keep their places. Every step still comes after the same answers, except those of a unit
that passes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice
from typing import TYPE_CHECKING, Any

from faulttree.authoring.operations.add_cause import expected_minutes
from faulttree.authoring.operations.move import StepMoves, stand
from faulttree.authoring.targets import Keys, Targets, edits_of, onward, retargeted, targets
from faulttree.errors import TreeError
from faulttree.figures.order_replay import CurrentOrder, ReplayCase
from faulttree.tree.graph import TreeGraph, dominators, immediate_dominators, reach

if TYPE_CHECKING:
    from faulttree.authoring.operations.move import StepMove
    from faulttree.figures.replay import Recorded, Replay
    from faulttree.tree.model import Tree


MOST = 6
"""Most moves in one proposal, so that people can review it (common practice, no source)."""

GAIN = 0.25
"""Least minutes saved a case for a move to be proposed."""

TRIED = 16
"""Number of candidate moves, the most promising first, checked against the constraints."""

WALKED = 3
"""Of these, the number of moves that are replayed on every recorded case."""

OPEN_END = "out-of-scope"
"""The only reason of a stop that allows a step to be moved before it or with it."""


@dataclass(frozen=True)
class MovedOrder:
    """A tree with some of its steps in other places.

    Attributes:
        moves: the moves in order; empty if none saves time.
        places: the new place of each step.
        expected: minutes (before, after) by the odds of the tree's weights and these cases.
        less: faults that are found less reliably than before.
    """

    tree: Tree
    moves: tuple[StepMoves, ...] = ()
    places: tuple[StepMove, ...] = ()
    expected: tuple[float, float] = (0.0, 0.0)
    less: tuple[str, ...] = ()

    def as_figures(self) -> dict[str, float]:
        """The expected minutes as plain data."""
        before, after = self.expected
        return {"expected_before": before, "expected_after": after}

    def as_data(self) -> list[dict[str, Any]]:
        """The moves as plain data."""
        return [
            {
                "step": move.step,
                "after": list(move.after) if move.after else None,
                "before": place.before,
            }
            for move, place in zip(self.moves, self.places, strict=True)
        ]


class Mover:
    """Search for moves that save time on the recorded cases of a tree.

    Args:
        known: these cases.
        fits: whether a list of moves breaks no rule; None if there is no file.
        spare: faults that may be found less reliably, as long as they can be found.
    """

    def __init__(
        self,
        known: Recorded,
        fits: Callable[[Sequence[StepMoves]], bool] | None = None,
        spare: Collection[str] = (),
    ) -> None:
        self.known = known
        self.fits = fits
        self.spare = frozenset(spare)
        self._minutes: dict[
            tuple[tuple[StepMoves, ...], StepMoves | None], Mapping[str, float] | None
        ] = {}

    def tried(
        self, only: Collection[str] | None = None, *, later: bool = False, most: int = MOST
    ) -> tuple[MovedOrder, Replay] | None:
        """The moves that save time, and their replay; None if there are none.

        Args:
            only: steps or uses that may be moved; None for all.
            later: only to places after their own.
            most: how many moves at most.
        """
        chosen = self._chosen(None, only, later=later, most=most)
        while self.fits and chosen.moves and not self.fits(chosen.moves):
            chosen = self._without_last(chosen)
        if not chosen.moves:
            return None
        chosen = replace(chosen, expected=self._expected(chosen.tree))
        if chosen.expected[1] >= chosen.expected[0]:
            return None
        halves = [self._chosen(half, only, later=later, most=most) for half in (0, 1)]
        order, *others = (CurrentOrder(one.tree, self.known.table) for one in (chosen, *halves))
        done = self.known.replay(order, others)
        if done is None or done.misled:
            return None
        spared = [ReplayCase(fault, frozenset()) for fault in self.spare]
        less = [unit.fault for unit in spared if order.surely(unit) is None]
        return replace(chosen, less=tuple(less)), done

    def sparing(self, faults: Collection[str]) -> Mover:
        """The same search, with faults that may be found less reliably."""
        return Mover(self.known, self.fits, faults)

    def _without_last(self, moved: MovedOrder) -> MovedOrder:
        tree = self.known.tree
        for move in moved.moves[:-1]:
            tree, _, _ = stand(tree, move)
        return MovedOrder(tree, moved.moves[:-1], moved.places[:-1])

    def _expected(self, tree: Tree) -> tuple[float, float]:
        history: Counter[tuple[str, str]] = Counter()
        for (case, _), many in self.known.fit.items():
            history[self.known.table.identities[case.fault]] += many
        was = expected_minutes(self.known.tree, history)
        return was, expected_minutes(tree, history)

    def _chosen(
        self, half: int | None, only: Collection[str] | None, *, later: bool, most: int
    ) -> MovedOrder:
        """The moves that save time for one half of the cases, or for all."""
        moved = MovedOrder(self.known.tree)
        while len(moved.moves) < most:
            longer = self._next(moved, half, only, later=later)
            if longer is None:
                break
            moved = longer
        return moved

    def _next(
        self, moved: MovedOrder, half: int | None, only: Collection[str] | None, *, later: bool
    ) -> MovedOrder | None:
        """One more move, the one that saves most."""
        now = self._mean(moved.tree, half)
        if now is None:
            return None
        best, least, fit = None, now - GAIN, 0
        for move in self._likeliest(moved, half, only, later=later):
            try:
                tree, place, _ = stand(moved.tree, move)
            except TreeError:
                continue
            if TreeGraph(tree).has_cycle:
                continue
            then = self._mean(tree, half)
            if then is None or not self._finds_as_surely(tree):
                continue
            if then < least:
                best, least = MovedOrder(tree, (*moved.moves, move), (*moved.places, place)), then
            fit += 1
            if fit == WALKED:
                break
        return best

    def _likeliest(
        self, moved: MovedOrder, half: int | None, only: Collection[str] | None, *, later: bool
    ) -> list[StepMoves]:
        """Moves by the minutes they save for units as in the fault table, the most first."""
        cases: Counter[str] = Counter()
        for (case, part), many in self.known.fit.items():
            cases[case.fault] += many if half in (None, part) else 0
        whole = max(cases.total(), 1)
        now = self._by_fault(moved, None, {})
        found: list[tuple[float, StepMoves, Targets]] = []
        for move, edits in _moves(moved.tree, only, later=later):
            then = self._by_fault(moved, move, edits)
            if then is not None and now is not None:
                saved = sum((now[fault] - then[fault]) * cases[fault] for fault in now)
                found += [(saved, move, edits)] if saved > GAIN * whole else []
        found.sort(key=lambda one: -one[0])
        branches = _Branches(moved.tree.bundle["tree"])
        fit = (move for _, move, edits in found if branches.kept(edits))
        return list(islice(fit, TRIED))

    def _by_fault(
        self, moved: MovedOrder, move: StepMoves | None, edits: Targets
    ) -> Mapping[str, float] | None:
        """Fault → minutes of a unit with exactly the outcomes of the fault table.

        For the faults that the current tree surely finds; None if one would be missed.
        """
        key = (moved.moves, move)
        if key not in self._minutes:
            tree = retargeted(moved.tree, edits) if edits else moved.tree
            self._minutes[key] = self._all_found(CurrentOrder(tree, self.known.table))
        return self._minutes[key]

    def _all_found(self, order: CurrentOrder) -> Mapping[str, float] | None:
        found: dict[str, float] = {}
        for case in self._sure:
            minutes = order.surely(case)
            if minutes is None:
                return None
            found[case.fault] = minutes
        return found

    @cached_property
    def _units(self) -> Mapping[ReplayCase, float]:
        """A unit of each fault, with the chance that the current tree finds the fault."""
        order = CurrentOrder(self.known.tree, self.known.table)
        units = [ReplayCase(fault, frozenset()) for fault in self.known.table.faults]
        return {
            unit: 1.0 if order.surely(unit) is not None else order.way(unit).arrives
            for unit in units
        }

    @cached_property
    def _sure(self) -> tuple[ReplayCase, ...]:
        """The units whose fault is surely found, which any order must find."""
        return tuple(
            unit for unit, chance in self._units.items()
            if chance == 1 and unit.fault not in self.spare
        )  # fmt: skip

    def _finds_as_surely(self, tree: Tree) -> bool:
        """Whether the other faults are missed no more often, and spared ones can be found."""
        order = CurrentOrder(tree, self.known.table)
        return all(
            order.way(unit).arrives > (0 if unit.fault in self.spare else chance - 1e-9)
            for unit, chance in self._units.items()
            if unit not in self._sure and chance
        )

    def _mean(self, tree: Tree, half: int | None) -> float | None:
        """Minutes a case; None if a case would be misled."""
        order, minutes, cases = CurrentOrder(tree, self.known.table), 0.0, 0
        for (case, part), many in self.known.fit.items():
            if half in (None, part):
                way = order.surely(case)
                if way is None:
                    return None
                minutes += many * way
                cases += many
        return minutes / max(cases, 1)


def _moves(
    tree: Tree, only: Collection[str] | None, *, later: bool
) -> Iterator[tuple[StepMoves, Targets]]:
    """Every candidate move, with its changes in the file."""
    data = tree.bundle["tree"]
    every = dict(targets(data))
    onto = {name: _onto(every, name) for name in data["steps"]}
    for step in data["steps"]:
        if (only is not None and step not in only) or not _movable(tree, every, step):
            continue
        passing = _passing(data, step)
        behind = reach(onto, [passing]) if later else {}
        for keys, target in every.items():
            source = str(keys[1]) if len(keys) > 1 else ""
            unfit = source == step or keys[-1] == "undecided" or (later and source not in behind)
            if unfit or not passing or not _may_follow(tree, target):
                continue
            move = StepMoves(step, (source, _outcome(keys)) if source else None)
            try:
                edits, _ = edits_of(data, step, passing, move.after)
            except TreeError:
                continue
            yield move, edits


def _passing(data: Mapping[str, Any], step: str) -> str:
    """The target for a unit that passed; empty if several outcomes continue."""
    try:
        return onward(data, step, "")[1]
    except TreeError:
        return ""


class _Branches:
    """Step → the outcomes on all paths to it, without outcomes of a unit that passed.

    A step after such an outcome was written for it: "which of the two?" is meaningless before
    it is known that it is one of them.

    Args:
        data: the file of a tree.
    """

    def __init__(self, data: Mapping[str, Any]) -> None:
        self.every = dict(targets(data))
        passing = {name: _passing(data, name) for name in data["steps"]}
        self.parting: frozenset[Keys] = frozenset(
            keys
            for keys, target in self.every.items()
            if len(keys) > 1 and target != passing[str(keys[1])]
        )
        self.steps = passing.keys()
        self.now = self._behind(self.every)

    def kept(self, edits: Targets) -> bool:
        """Whether each step still comes after the same outcomes with the changed targets."""
        return self._behind({**self.every, **edits}) == self.now

    def _behind(self, every: Targets) -> Mapping[str, frozenset[Keys]]:
        # The nodes are the places of the steps and of their outcomes in the file.
        edges: dict[Keys, list[Keys]] = {}
        for keys, target in every.items():
            if len(keys) > 1 and target in self.steps:
                edges.setdefault(keys[:2], []).append(keys)
                edges[keys] = [("steps", target)]
        start: Keys = ("steps", every["start",])
        above = immediate_dominators(edges, start)
        return {
            str(keys[1]): frozenset(one for one in dominators(above, keys) if one in self.parting)
            for keys in (start, *above)
            if len(keys) == 2
        }


def _outcome(keys: Keys) -> str:
    return "done" if keys[-1] == "then" else str(keys[-1])


def _onto(every: Targets, step: str) -> set[str]:
    return {to for keys, to in every.items() if keys[:2] == ("steps", step)}


def _movable(tree: Tree, every: Targets, step: str) -> bool:
    """Whether a step is a test whose only stops are those of the reason that allows moves."""
    onto = _onto(every, step)
    ends = [tree.stops[to].reason for to in onto if to in tree.stops]
    return len(onto) > 1 and all(reason == OPEN_END for reason in ends)


def _may_follow(tree: Tree, target: str) -> bool:
    """Whether a step may be put before a target: not before a fault already found."""
    if target in tree.stops:
        return tree.stops[target].reason == OPEN_END
    return target not in tree.faults
