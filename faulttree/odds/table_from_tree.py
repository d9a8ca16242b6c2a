"""The fault table that a tree implies.

How a tree is read as a table:

* A test is a step with two or more outcomes outside the closing. A step with one outcome
  (a ``do``, a reading without limits) is a deed: it costs minutes and others rest on it.
* What a fault shows at a step are the outcomes from which the fault can still be reached.
  At a step that no way to the fault comes by, nothing is known, unless its ``signs`` say.
* A step that every way to a test comes by and that is a deed ("discharge it") comes before
  that test in any order, whether or not ``after`` says so: leaving it out could hurt.
* ``undecided`` is no outcome: nothing was seen.
* ``confirm`` is seen after the repair and says nothing before it.

A test that a tree only reaches behind others is written for that place. The table takes its
entries to hold anywhere; a step that would mean something else elsewhere says so with
``after``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set

from faulttree.errors import FaulttreeError
from faulttree.odds.table import Action, FaultTable, make_table
from faulttree.reading import formula_sources
from faulttree.tree.model import Step, Tree, Use

__all__ = ["table_from_tree"]

LEAST_WEIGHT = 1e-6
"""A weight of 0 in a tree means "hardly ever": nothing is ruled out by its prior alone."""


def table_from_tree(tree: Tree) -> FaultTable:
    """The table of a tree's faults and tests; see the module for how it is read.

    Raises:
        TableError: steps that wait for one another.
    """
    ways = _Ways(tree)
    steps = {name: tree.steps[name] for name in tree.diagnostic}
    tests = {name: outcomes for name, step in steps.items() if len(outcomes := _outcomes(step)) > 1}
    deeds = _deeds(tree, steps, tests, ways)
    known = {*tests, *deeds}
    return make_table(
        {name: _weight(fault.weight) for name, fault in tree.faults.items()},
        tests,
        _entries(tree, tests, ways),
        minutes={name: steps[name].cost for name in tests},
        access={name: _states(tree, steps[name].access) for name in tests},
        after={name: _first(steps[name], ways, known) for name in tests},
        states=dict(tree.access),
        deeds=deeds,
        kinds=tuple(steps[name].kind for name in tests),
        live=frozenset(name for name in tests if steps[name].live),
        gear=tuple(steps[name].needs for name in tests),
        titles={name: fault.title for name, fault in tree.faults.items()},
        identities={name: tree.identity(name) for name in tree.faults},
        name=tree.title,
        source=tree,
    )


def _weight(given: float | None) -> float:
    return 1.0 if given is None else max(given, LEAST_WEIGHT)


def _outcomes(step: Step) -> tuple[str, ...]:
    return tuple(outcome for outcome in step.targets if outcome != "undecided")


def _states(tree: Tree, names: Iterable[str]) -> tuple[str, ...]:
    return tuple(name for name in dict.fromkeys(names) if name in tree.access)


def _first(step: Step, ways: _Ways, known: Set[str]) -> tuple[str, ...]:
    wanted = (*step.after, *ways.deeds_before(step.id), *_readings(step))
    # What a procedure does is paid with the procedure.
    inside = {inner for use in step.after for inner in ways.inner(use)}
    return tuple(
        name
        for name in dict.fromkeys(wanted)
        if name in known and name != step.id and name not in inside
    )


def _readings(step: Step) -> tuple[str, ...]:
    """The steps whose readings a formula in this step's limits is worked out from."""
    try:
        return formula_sources(step.limits or {})
    except FaulttreeError:
        return ()


def _deeds(
    tree: Tree, steps: Mapping[str, Step], tests: Mapping[str, object], ways: _Ways
) -> dict[str, Action]:
    deeds = [step for name, step in steps.items() if name not in tests]
    called = {name for step in steps.values() for name in step.after}
    uses = [use for name, use in tree.uses.items() if name in called and name not in steps]
    known = {*tests, *(step.id for step in deeds), *(use.id for use in uses)}
    made = {
        step.id: Action(step.cost, _states(tree, step.access), _first(step, ways, known), step.live)
        for step in deeds
    }
    for use in uses:
        passed = [steps[name] for name in _way_through(use, steps)]
        outside = [
            name for step in passed for name in step.after
            if name in known and name not in use.steps and name != use.id
        ]  # fmt: skip
        made[use.id] = Action(
            sum(step.cost for step in passed),
            _states(tree, [state for step in passed for state in step.access]),
            tuple(dict.fromkeys(outside)),
        )
    return made


def _way_through(use: Use, steps: Mapping[str, Step]) -> list[str]:
    """The steps on the quickest way through a procedure."""
    from heapq import heappop, heappush

    heap: list[tuple[float, int, list[str]]] = []
    if use.start in steps:
        heap.append((steps[use.start].cost, 0, [use.start]))
    settled: set[str] = set()
    turn = 0
    while heap:
        cost, _, way = heappop(heap)
        step = steps[way[-1]]
        if step.id in settled:
            continue
        settled.add(step.id)
        for outcome, target in step.targets.items():
            if any(left == use.id for left, _ in step.leaves.get(outcome, ())):
                return way
            if target in steps:
                turn += 1
                heappush(heap, (cost + steps[target].cost, turn, [*way, target]))
    return []


def _entries(
    tree: Tree, tests: Mapping[str, tuple[str, ...]], ways: _Ways
) -> dict[tuple[str, str], tuple[str, ...]]:
    entries: dict[tuple[str, str], tuple[str, ...]] = {}
    for name, fault in tree.faults.items():
        signs = _signs(tree, tests, fault.signs)
        for test, outcomes in tests.items():
            led = {
                outcome for outcome in outcomes if name in ways.reached(tree.steps[test], outcome)
            }
            shown = signs.get(test)
            # A sign is the more exact word; where it and the way to the fault exclude
            # each other, ruling the fault out on the author's slip would be worse.
            said = led if shown is None else (led & shown or led | shown)
            entries[name, test] = tuple(said)
    return entries


def _signs(
    tree: Tree, tests: Mapping[str, tuple[str, ...]], signs: Mapping[str, tuple[str, ...]]
) -> dict[str, set[str]]:
    """Signs by test; a sign of a procedure's exit becomes signs of the steps within."""
    shown: dict[str, set[str]] = {}
    for where, gives in signs.items():
        if where in tests:
            wanted = {o for word in gives for o in _spread(word)} & set(tests[where])
            if wanted:
                shown[where] = wanted
        elif where in tree.uses:
            shown.update(_exit_signs(tree, tests, where, set(gives)))
    return shown


def _spread(outcome: str) -> tuple[str, ...]:
    return ("outside", "low", "high") if outcome == "outside" else (outcome,)


def _exit_signs(
    tree: Tree, tests: Mapping[str, tuple[str, ...]], use: str, exits: set[str]
) -> dict[str, set[str]]:
    inside = [tree.steps[name] for name in tree.steps if name.startswith(f"{use}.")]
    names = {step.id for step in inside}
    good: set[tuple[str, str]] = set()
    leads: set[str] = set()
    for _ in range(len(inside) + 1):
        before = len(good)
        for step in inside:
            for outcome, target in step.targets.items():
                takes = any(
                    left == use and exit_ in exits for left, exit_ in step.leaves.get(outcome, ())
                )
                if takes or (target in names and target in leads):
                    good.add((step.id, outcome))
                    leads.add(step.id)
        if len(good) == before:
            break
    return {
        step.id: shown
        for step in inside
        if step.id in tests and (shown := {o for o in tests[step.id] if (step.id, o) in good})
    }


class _Ways:
    """Which faults lie beyond each outcome, and which deeds lie before each step."""

    def __init__(self, tree: Tree) -> None:
        self.tree = tree
        self.reach: dict[str, frozenset[str]] = {}
        self.onward: dict[str, dict[str, str]] = {}
        self._forward()
        self.deeds = [
            name for name in self.reach
            if name in tree.steps and len(_outcomes(tree.steps[name])) < 2
        ]  # fmt: skip
        self._cut: dict[str, set[str]] = {}

    def _forward(self) -> None:
        """Reach by depth-first search; an outcome that leads back to where it came from
        opens no new way and is left out.
        """
        steps, open_now = self.tree.steps, set[str]()
        stack: list[tuple[str, bool]] = [(self.tree.start, False)]
        while stack:
            name, leaving = stack.pop()
            if leaving:
                open_now.discard(name)
                beyond = [self.reach.get(to, frozenset()) for to in self.onward[name].values()]
                self.reach[name] = frozenset().union(*beyond)
                continue
            if name in self.reach or name in open_now:
                continue
            if name not in steps:
                self.reach[name] = frozenset([name]) if name in self.tree.faults else frozenset()
                continue
            open_now.add(name)
            targets = steps[name].targets.items()
            self.onward[name] = {o: to for o, to in targets if to not in open_now}
            stack.append((name, True))
            stack += [(to, False) for to in self.onward[name].values()]

    def reached(self, step: Step, outcome: str) -> frozenset[str]:
        """Faults that lie beyond this outcome of a step that a walk can come to."""
        target = self.onward.get(step.id, {}).get(outcome)
        return frozenset() if target is None else self.reach.get(target, frozenset())

    def inner(self, use: str) -> Iterable[str]:
        """The steps of a procedure that is used, or none."""
        return self.tree.uses[use].steps if use in self.tree.uses else ()

    def deeds_before(self, step: str) -> tuple[str, ...]:
        """Deeds that every way from the start to the step comes by."""
        if step not in self.reach:
            return ()
        return tuple(
            deed for deed in self.deeds if deed != step and step not in self._without(deed)
        )

    def _without(self, deed: str) -> set[str]:
        """What can still be reached from the start when one deed is taken out."""
        if deed not in self._cut:
            seen: set[str] = set()
            stack = [] if deed == self.tree.start else [self.tree.start]
            while stack:
                name = stack.pop()
                if name not in seen and name != deed:
                    seen.add(name)
                    stack += self.onward.get(name, {}).values()
            self._cut[deed] = seen
        return self._cut[deed]
