"""The exact search: the cheapest plan, with proof.

Branch and bound over the AND/OR graph of places. A place is what can still be possible and
what was done that still matters; its value is the least expected minutes from there. Values
and bounds of places are kept, so that no place is worked out twice. The limit is raised step
by step, so that a search that is broken off has proved a bound for the whole plan.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Hashable, Iterator
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np

from faulttree.odds.planning.lower_bounds import apart, cheapest_path, huffman_length
from faulttree.odds.planning.problem import PlanningProblem, PrerequisiteState, bits

__all__ = ["GeneralSearch", "OutOfTime", "PlainSearch", "PlanMove", "Search", "search_of"]

K = TypeVar("K", bound=Hashable)
EPSILON = 1e-9
"""Two values closer than this part of the plan's minutes count as equal."""


class OutOfTime(Exception):  # noqa: N818 - it is a signal, not an error
    """The search was told to stop."""


@dataclass(slots=True)
class PlanMove(Generic[K]):
    """One test at one place: its minutes and the places it leads to, with their shares."""

    minutes: float
    test: int
    ends: tuple[tuple[float, K], ...]


class Search(Generic[K]):
    """Values of places and the tests that reach them.

    Attributes:
        value: place → least expected minutes from there, proved.
        best: place → the test to take there.
        low: place → proved lower bound.
    """

    def __init__(self, stop: Callable[[], bool]) -> None:
        self.value: dict[K, float] = {}
        self.best: dict[K, int] = {}
        self.low: dict[K, float] = {}
        self._stop = stop
        self._turns = 0

    root: K
    state: int

    def place(self, mask: int, done: int, state: int) -> K:
        """The place where the faults in ``mask`` are possible, the tests in ``done`` were
        taken, and ``state`` holds.
        """
        raise NotImplementedError

    def ends(self, place: K, test: int) -> list[tuple[int, float, K]]:
        """(outcome, share, place) of each outcome that may come of a test."""
        raise NotImplementedError

    def cost(self, place: K, test: int) -> float:
        """Minutes that a test takes at a place, with what must come first."""
        raise NotImplementedError

    def items(self, place: K, test: int) -> tuple[str, ...]:
        """What must be entered or done before a test at a place, in order."""
        raise NotImplementedError

    def after(self, place: K, test: int) -> int:
        """The state that a test at a place leaves."""
        return 0

    def mask(self, place: K) -> int:
        """The faults that are possible at a place."""
        raise NotImplementedError

    def depth(self, place: K) -> tuple[int, int]:
        """A key by which every place sorts after those it can be come to from."""
        raise NotImplementedError

    def open_tests(self, place: K) -> list[int]:
        """Tests that can be taken at a place and tell something there."""
        raise NotImplementedError

    def moves(self, place: K) -> list[PlanMove[K]]:
        """Every test worth taking at a place; none where nothing is left to tell."""
        raise NotImplementedError

    def estimate(self, place: K) -> float:
        """A lower bound for a place not met before; sets its value where that is plain."""
        raise NotImplementedError

    def bound(self, place: K) -> float:
        """The best lower bound known for a place."""
        low = self.low.get(place)
        if low is None:
            low = self.low[place] = self.estimate(place)
        return low

    def solve(self, place: K, limit: float) -> float:
        """The value of a place if that is below ``limit``, else a lower bound that is not.

        Raises:
            OutOfTime: told to stop; all bounds found so far stay true.
        """
        if place in self.value:
            return self.value[place]
        low = self.bound(place)
        if low >= limit or place in self.value:
            return self.value.get(place, low)
        self._turns += 1
        if self._turns % 32 == 0 and self._stop():
            raise OutOfTime
        return self._branch(place, limit)

    def _branch(self, place: K, limit: float) -> float:
        low, bound = self.low, self.bound
        moves = []
        for move in self.moves(place):
            total = move.minutes
            for share, end in move.ends:
                total += share * (low[end] if end in low else bound(end))
            moves.append((total, move.test, move))
        moves.sort(key=_first_two)
        if not moves:
            self.value[place] = self.low[place] = 0.0
            return 0.0
        best, chosen, proved = math.inf, -1, math.inf
        for total, test, move in moves:
            cut = min(best, limit)
            if total >= cut:
                proved = min(proved, total)
                break
            total = self._follow(move, cut)
            if total < cut:
                best, chosen = total, test
            else:
                proved = min(proved, total)
        return self._settle(place, best, chosen, proved)

    def _settle(self, place: K, best: float, chosen: int, proved: float) -> float:
        if chosen >= 0:
            self.value[place] = self.low[place] = best
            self.best[place] = chosen
            return best
        self.low[place] = max(self.low[place], proved)
        return self.low[place]

    def _follow(self, move: PlanMove[K], cut: float) -> float:
        """What a move comes to: its value below ``cut``, else a bound that is not."""
        # Bounds as they are now: settling one end may raise that of another.
        lows = [self.low[end] for _, end in move.ends]
        total = move.minutes
        for (share, _), low in zip(move.ends, lows, strict=True):
            total += share * low
        for (share, end), low in zip(move.ends, lows, strict=True):
            if total >= cut:
                return total
            if share <= 0:
                continue
            rest = total - share * low
            total = rest + share * self.solve(end, (cut - rest) / share)
            if end not in self.value:
                return max(total, cut)
        return total

    def prove(self, root: K, best: float) -> Iterator[float]:
        """Raise the limit towards ``best``; yields each lower bound proved, the last one
        equal to the value where it was found or to ``best`` where nothing beats it.
        """
        low = self.bound(root)
        yield low
        while low < best * (1 - EPSILON) and root not in self.value:
            step = low + max((best - low) * 0.34, best * 0.01)
            low = self.solve(root, min(step, best * (1 - EPSILON / 2)))
            yield low


def _first_two(entry: tuple[float, int, object]) -> tuple[float, int]:
    return entry[0], entry[1]


class _Weights(dict[int, float]):
    """Weights of sets of faults, by table look-up of twelve faults at a time."""

    def __init__(self, weights: list[float]) -> None:
        super().__init__()
        self._tables = [_sums(weights[at : at + 12]) for at in range(0, len(weights), 12)]

    def __missing__(self, mask: int) -> float:
        rest, found = mask, 0.0
        for table in self._tables:
            found += table[rest & 4095]
            rest >>= 12
        self[mask] = found
        return found


def _sums(weights: list[float]) -> list[float]:
    sums = [0.0]
    for weight in weights:
        sums += [weight + before for before in sums]
    return sums + [0.0] * (4096 - len(sums))


def _alike(problem: PlanningProblem) -> list[int]:
    """Sets of faults that no test tells apart, single faults included."""
    sets: dict[bytes, int] = {}
    for fault in range(problem.n):
        row = problem.allowed[fault].tobytes()
        sets[row] = sets.get(row, 0) | 1 << fault
    return list(sets.values())


Splits = dict[tuple[int, ...], tuple[float, int]]
"""Parts of a place → minutes and test of the cheapest test that splits it so."""

SMALL = 3
"""Places of up to so many faults are worked out at once rather than bounded."""


class PlainSearch(Search[int]):
    """Places that are sets of faults: every outcome certain, nothing to get ready.

    Here values are per whole plan rather than per unit of weight, which saves dividing.

    Args:
        problem: the table laid out.
        stop: once true, the search is broken off.
        keep: the tests to choose from, such that they tell apart all that can be; all of
            them by default.
    """

    def __init__(
        self,
        problem: PlanningProblem,
        stop: Callable[[], bool],
        keep: Collection[int] | None = None,
    ) -> None:
        super().__init__(stop)
        self.masks = problem.masks
        self._letters = max(2, int(np.diff(problem.first).max(initial=2)))
        self._alike = _alike(problem)
        self._quick: dict[int, float] = {}
        self.minutes = [float(minutes) for minutes in problem.minutes]
        self.weight = _Weights(problem.weights.tolist())
        order = sorted(range(problem.m), key=lambda test: (problem.minutes[test], test))
        self.tests = [
            (float(problem.minutes[test]), test, [mask for mask in problem.masks[test] if mask])
            for test in order
            if keep is None or test in keep
        ]
        self.tests = [entry for entry in self.tests if len(entry[2]) > 1]
        self.root = (1 << problem.n) - 1
        self.state = 0

    def ends(self, place: int, test: int) -> list[tuple[int, float, int]]:
        whole = self.weight[place]
        return [
            (outcome, self.weight[left] / whole, left)
            for outcome, mask in enumerate(self.masks[test])
            if (left := place & mask)
        ]

    def place(self, mask: int, done: int, state: int) -> int:
        return mask

    def cost(self, place: int, test: int) -> float:
        return self.minutes[test]

    def items(self, place: int, test: int) -> tuple[str, ...]:
        return ()

    def open_tests(self, place: int) -> list[int]:
        return [test for _, test, masks in self.tests if sum(1 for m in masks if m & place) > 1]

    def mask(self, place: int) -> int:
        return place

    def depth(self, place: int) -> tuple[int, int]:
        return -place.bit_count(), 0

    def splits(self, place: int) -> Splits:
        """Parts → (minutes, test), the cheapest test for each way to split a place."""
        found: Splits = {}
        for minutes, test, masks in self.tests:
            if len(masks) == 2:
                one = place & masks[0]
                if not one or one == place:
                    continue
                other = place ^ one
                parts: tuple[int, ...] = (one, other) if one < other else (other, one)
            else:
                parts = tuple(sorted(part for mask in masks if (part := place & mask)))
                if len(parts) < 2:
                    continue
            if parts not in found:
                found[parts] = (minutes, test)
        return found

    def estimate(self, place: int) -> float:
        faults = place.bit_count()
        if faults < 2:
            self.value[place] = 0.0
            return 0.0
        splits = self.splits(place)
        if not splits:
            self.value[place] = 0.0
            return 0.0
        if faults <= SMALL:
            return self._small(place, splits)
        return max(self.quick(place), self._pairs(place, splits, self.weight[place]))

    def quick(self, place: int) -> float:
        """The Huffman bound of a place, with the cheapest different tests on each path."""
        found = self._quick.get(place)
        if found is None:
            found = self._quick[place] = self._huffman(place)
        return found

    def _huffman(self, place: int) -> float:
        weights = [self.weight[group] for mask in self._alike if (group := place & mask)]
        if len(weights) < 2:
            return 0.0
        whole = self.weight[place]
        length = huffman_length(weights, self._letters) / whole
        costs: list[float] = []
        met = set()
        for minutes, _, masks in self.tests:
            part = place & masks[0]
            if part == place or (not part and len(masks) == 2):
                continue
            # A binary test that splits as a cheaper one does is no other test here.
            part = min(part, place ^ part) if len(masks) == 2 else -len(costs)
            if part not in met:
                met.add(part)
                costs.append(minutes)
                if len(costs) > length:
                    break
        return whole * cheapest_path(costs, length)

    def _small(self, place: int, splits: Splits) -> float:
        """The value of a place with few faults: every way to go on is tried at once."""
        whole, best, chosen = self.weight[place], math.inf, -1
        for parts, (minutes, test) in splits.items():
            total = minutes * whole
            if total < best:
                for part in parts:
                    total += self.bound(part)
                if total < best:
                    best, chosen = total, test
        self.value[place] = best
        self.best[place] = chosen
        return best

    def _pairs(self, place: int, splits: Splits, whole: float) -> float:
        """The pair bound of a place.

        Tests taken by rising ratio: the first that tells a pair apart has its least ratio.
        """
        weight, ranked = self.weight, []
        for parts, (minutes, _) in splits.items():
            if len(parts) == 2:
                one = weight[parts[0]]
                apart = one * (whole - one)
            else:
                apart = (whole * whole - sum([weight[part] ** 2 for part in parts])) / 2
            ranked.append((minutes * whole / apart if apart > 0 else math.inf, parts))
        ranked.sort()
        blocks, total = [place], 0.0
        for ratio, parts in ranked:
            refined: list[int] = []
            met = 0.0
            for block in blocks:
                piece = block & parts[0]
                if len(parts) == 2:
                    if not piece or piece == block:
                        refined.append(block)
                        continue
                    pieces = [piece, block ^ piece]
                    met += weight[piece] * weight[pieces[1]]
                else:
                    pieces = [piece for part in parts if (piece := block & part)]
                    if len(pieces) > 1:
                        squares = sum([weight[piece] ** 2 for piece in pieces])
                        met += (weight[block] ** 2 - squares) / 2
                refined += [piece for piece in pieces if piece & (piece - 1)]
            if met > 0:
                total += ratio * met
            blocks = refined
            if not blocks:
                break
        return total

    def _branch(self, place: int, limit: float) -> float:
        # As in the general search, with shares of 1 left out: this is where the time goes.
        low, quick, bound, whole = self.low, self.quick, self.bound, self.weight[place]
        moves, proved = [], math.inf
        for parts, (minutes, test) in self.splits(place).items():
            total = minutes * whole
            for part in parts:
                total += low[part] if part in low else quick(part)
            if total < limit:
                total = minutes * whole
                for part in parts:
                    total += low[part] if part in low else bound(part)
            if total < limit:
                moves.append((total, test, parts))
            elif total < proved:
                proved = total
        moves.sort()
        best, chosen = math.inf, -1
        for total, test, parts in moves:
            cut = best if best < limit else limit
            if total >= cut:
                proved = min(proved, total)
                break
            total = self._follow_parts(self.minutes[test] * whole, parts, cut)
            if total < cut:
                best, chosen = total, test
            elif total < proved:
                proved = total
        return self._settle(place, best, chosen, proved)

    def _follow_parts(self, minutes: float, parts: tuple[int, ...], cut: float) -> float:
        low, value = self.low, self.value
        total = minutes
        for part in parts:
            total += low[part]
        for part in sorted(parts, key=int.bit_count):
            if total >= cut:
                return total
            if part in value:
                continue
            rest = total - low[part]
            total = rest + self.solve(part, cut - rest)
            if part not in value:
                return max(total, cut)
        return total


Spot = tuple[int, int, int]
"""Possible faults, vague tests done that still matter, what holds of the getting ready."""


class GeneralSearch(Search[Spot]):
    """Places with vague entries, access states, deeds and tests that come before others."""

    def __init__(self, problem: PlanningProblem, stop: Callable[[], bool], state: int = 0) -> None:
        super().__init__(stop)
        self.problem = problem
        self.state = state
        self.table_weights = problem.weights.tolist()
        self.minutes = [float(minutes) for minutes in problem.minutes]
        self.masks = [list(masks) for masks in problem.masks]
        self.count = problem.count.tolist()
        self.bit_of = {test: problem.table.test_index[test] for test in problem.readying.done}
        self.root: Spot = ((1 << problem.n) - 1, 0, state)
        self._telling: dict[tuple[int, int], list[int]] = {}
        self._weights: dict[tuple[int, int], dict[int, float]] = {}
        self._differ = [self._may_differ(test) for test in range(problem.m)]
        self._sure = [self._surely_differ(test) for test in range(problem.m)]

    def _may_differ(self, test: int) -> list[int]:
        """For each fault, the faults that may show another outcome at a test."""
        problem, everyone = self.problem, (1 << self.problem.n) - 1
        vague = problem.vague[test]
        own = [m & ~vague for m in self.masks[test]]
        differ = []
        for fault in range(problem.n):
            same = next((mask for mask in own if mask >> fault & 1), 0)
            differ.append(everyone & ~same)
        return differ

    def _surely_differ(self, test: int) -> list[int]:
        """For each fault, the faults that share no outcome with it at a test."""
        everyone = (1 << self.problem.n) - 1
        shared = [0] * self.problem.n
        for mask in self.masks[test]:
            for fault in bits(mask):
                shared[fault] |= mask
        return [everyone & ~mask for mask in shared]

    def weights(self, place: Spot) -> dict[int, float]:
        """Fault → its share of the weight of a place."""
        key = place[:2]
        if key not in self._weights:
            done = bits(place[1])
            raw = {
                fault: self.table_weights[fault] / math.prod(self.count[fault][t] for t in done)
                for fault in bits(place[0])
            }
            total = math.fsum(raw.values())
            self._weights[key] = {fault: weight / total for fault, weight in raw.items()}
        return self._weights[key]

    def telling(self, place: Spot) -> list[int]:
        """Tests not done that may rule out a possible fault."""
        key = mask, done = place[:2]
        if key not in self._telling:
            self._telling[key] = [
                test for test, masks in enumerate(self.masks)
                if not done >> test & 1 and any(0 < (mask & m) != mask for m in masks)
            ]  # fmt: skip
        return self._telling[key]

    def moves(self, place: Spot) -> list[PlanMove[Spot]]:
        found = []
        for test in self.open_tests(place):
            ends = tuple((share, end) for _, share, end in self.ends(place, test))
            found.append(PlanMove(self.cost(place, test), test, ends))
        return found

    def _names(self, telling: list[int]) -> frozenset[str]:
        if not self.bit_of:
            return frozenset()
        columns = set(telling)
        return frozenset(name for name, column in self.bit_of.items() if column in columns)

    def ends(self, place: Spot, test: int) -> list[tuple[int, float, Spot]]:
        readied = self.readied(place, test)
        weights, found = self.weights(place), []
        for outcome, mask in enumerate(self.masks[test]):
            left = place[0] & mask
            if left:
                share = math.fsum(weights[f] / self.count[f][test] for f in bits(left))
                found.append(
                    (outcome, share, self.place(left, place[1] | 1 << test, readied.state))
                )
        return found

    def cost(self, place: Spot, test: int) -> float:
        return self.minutes[test] + self.readied(place, test).minutes

    def readied(self, place: Spot, test: int) -> PrerequisiteState:
        """What it takes to get to a test that can be taken at a place."""
        names = self._names(self.telling(place))
        readied = self.problem.readying.ready(place[2], test, names)
        assert readied is not None
        return readied

    def items(self, place: Spot, test: int) -> tuple[str, ...]:
        return self.readied(place, test).items

    def after(self, place: Spot, test: int) -> int:
        return self.readied(place, test).state

    def open_tests(self, place: Spot) -> list[int]:
        telling = self.telling(place)
        names, ready = self._names(telling), self.problem.readying.ready
        return [test for test in telling if ready(place[2], test, names) is not None]

    def mask(self, place: Spot) -> int:
        return place[0]

    def depth(self, place: Spot) -> tuple[int, int]:
        return -place[0].bit_count(), place[1].bit_count()

    def place(self, mask: int, done: int, state: int) -> Spot:
        # What no longer makes a difference is left out, so that places meet again.
        if not mask & (mask - 1):
            return mask, 0, 0
        kept = 0
        for test in bits(done):
            if mask & self.problem.vague[test] and any(
                0 < (mask & m) != mask for m in self.masks[test]
            ):
                kept |= 1 << test
        return mask, kept, state

    def estimate(self, place: Spot) -> float:
        telling = self.telling(place)
        if not place[0] & (place[0] - 1) or not telling:
            self.value[place] = 0.0
            return 0.0
        weights = self.weights(place)
        low = max(self._pairs(place, telling, weights), self._huffman(place, telling, weights))
        return low if self.problem.readying.nothing else low + self._ready(place, telling, weights)

    def _pairs(self, place: Spot, telling: list[int], weights: dict[int, float]) -> float:
        ranked = []
        for test in telling:
            squares = 0.0
            for mask in self.masks[test]:
                shown = math.fsum(weights[f] / self.count[f][test] for f in bits(place[0] & mask))
                squares += shown * shown
            ranked.append((self.minutes[test] / max((1.0 - squares) / 2, 1e-300), test))
        ranked.sort()
        left = self._must_differ(place, telling)
        total = 0.0
        for ratio, test in ranked:
            differ = self._differ[test]
            for fault, others in left.items():
                met = others & differ[fault]
                if met:
                    total += ratio * weights[fault] * math.fsum(weights[g] for g in bits(met))
                    left[fault] = others ^ met
        return total / 2

    def _must_differ(self, place: Spot, telling: list[int]) -> dict[int, int]:
        """Fault → the possible faults that some test left surely tells it from."""
        left = {}
        for fault in bits(place[0]):
            others = 0
            for test in telling:
                others |= self._sure[test][fault]
            left[fault] = others & place[0]
        return left

    def _huffman(self, place: Spot, telling: list[int], weights: dict[int, float]) -> float:
        alike = dict.fromkeys(weights, place[0])
        for test in telling:
            differ = self._differ[test]
            for fault in alike:
                alike[fault] &= ~differ[fault]
        masses = apart(weights, self._must_differ(place, telling), alike)
        whole = math.fsum(masses)
        letters = max(2, *(sum(1 for m in self.masks[t] if m & place[0]) for t in telling))
        costs = sorted(self.minutes[test] for test in telling)
        return whole * cheapest_path(costs, huffman_length(masses, letters) / whole)

    def _ready(self, place: Spot, telling: list[int], weights: dict[int, float]) -> float:
        """Minutes of getting ready that no plan avoids: each fault's path must tell it from
        the fault that is dearest to get ready for, and pays that once.
        """
        names = self._names(telling)
        ranked = []
        for test in telling:
            readied = self.problem.readying.ready(place[2], test, names)
            ranked.append((0.0 if readied is None else readied.minutes, test))
        ranked.sort()
        if not ranked[-1][0]:
            return 0.0
        total = 0.0
        for fault, others in self._must_differ(place, telling).items():
            needed, left = 0.0, others
            for minutes, test in ranked:
                if not left:
                    break
                if left & self._differ[test][fault]:
                    needed, left = minutes, left & ~self._differ[test][fault]
            total += weights[fault] * needed
        return total


def search_of(problem: PlanningProblem, stop: Callable[[], bool]) -> Search[Any]:
    """The search that fits a problem."""
    return PlainSearch(problem, stop) if problem.plain else GeneralSearch(problem, stop)
