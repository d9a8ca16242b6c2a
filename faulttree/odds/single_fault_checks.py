"""Checks that each find or clear one fault: in which order, and whether it is worth it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from faulttree.odds.beliefs import Posterior
from faulttree.odds.table import TableError

__all__ = ["Checks", "Worth", "expected_part_cost", "sequence", "worth_it"]

EXACT_UP_TO = 16
"""Checks up to which any precedence is settled exactly, over all subsets."""


@dataclass(frozen=True, slots=True)
class Checks:
    """An order of checks.

    Attributes:
        order: the checks, first to last.
        minutes: expected, until the one that finds its fault is done.
        exact: whether no allowed order takes fewer.
    """

    order: tuple[str, ...]
    minutes: float
    exact: bool


def sequence(
    chances: Mapping[str, float],
    minutes: Mapping[str, float],
    after: Mapping[str, Sequence[str]] | None = None,
) -> Checks:
    """The order of checks with the least expected minutes, the last suspect tested too.

    One fault is there; check i finds it with probability p_i at c_i minutes. Without
    precedence the order is by falling p/c (Smith 1956; Mitten 1960). Where each check waits
    for one other at most, checks are joined to the one they wait for while their p/c is the
    higher (Horn 1972; Garey 1973). General precedence is NP-hard: exact over all subsets for
    up to 16 checks, beyond that by the best p/c of a check with all it waits for.

    Where the last suspect is inferred without a test this rule can fail: use
    :func:`faulttree.odds.plan` for that.

    Args:
        chances: check → probability, any sum; 0 or more.
        minutes: check → minutes, 0 or more.
        after: check → checks that come before it.

    Raises:
        TableError: a negative or missing figure, an unknown name, or checks that wait for
            one another.
    """
    waits = {check: tuple((after or {}).get(check, ())) for check in chances}
    _validate(chances, minutes, after or {}, waits)
    if all(len(earlier) <= 1 for earlier in waits.values()):
        order, exact = _joined(chances, minutes, waits), True
    elif len(chances) <= EXACT_UP_TO:
        order, exact = _best_subset_order(chances, minutes, waits), True
    else:
        order, exact = _by_closure(chances, minutes, waits), False
    return Checks(tuple(order), _expected(order, chances, minutes), exact)


def _validate(
    chances: Mapping[str, float],
    minutes: Mapping[str, float],
    after: Mapping[str, Sequence[str]],
    waits: Mapping[str, tuple[str, ...]],
) -> None:
    for check, chance in chances.items():
        cost = minutes.get(check, -1.0)
        if not (0 <= chance < math.inf and 0 <= cost < math.inf):
            raise TableError(
                f"the check {check!r} needs a probability and minutes",
                remedy="Give both as 0 or more.",
            )
    for check in {*after, *(name for earlier in waits.values() for name in earlier)}:
        if check not in chances:
            raise TableError(f"there is no check {check!r}", remedy="Name one that is listed.")
    left = dict(waits)
    while left:
        free = [c for c, earlier in left.items() if not any(e in left for e in earlier)]
        if not free:
            raise TableError(
                f"these wait for one another: {', '.join(left)}", remedy="Take one wait out."
            )
        for check in free:
            del left[check]


def _expected(
    order: Sequence[str], chances: Mapping[str, float], minutes: Mapping[str, float]
) -> float:
    total = math.fsum(chances.values())
    spent, sums = 0.0, []
    for check in order:
        spent += minutes[check]
        sums.append(chances[check] * spent)
    return math.fsum(sums) / total if total > 0 else spent


def _ratio(p: float, c: float) -> float:
    return p / c if c > 0 else math.inf


def _joined(
    chances: Mapping[str, float],
    minutes: Mapping[str, float],
    waits: Mapping[str, tuple[str, ...]],
) -> list[str]:
    """Horn's rule: the block with the highest p/c comes first, or right after its parent."""
    blocks = {check: ([check], chances[check], minutes[check]) for check in chances}
    home = {check: check for check in chances}
    order: list[str] = []
    while blocks:
        best = max(blocks, key=lambda check: _ratio(blocks[check][1], blocks[check][2]))
        checks, p, c = blocks.pop(best)
        before = [earlier for earlier in waits[best] if earlier not in order]
        if not before:
            order += checks
            continue
        parent = home[before[0]]
        ahead, p_ahead, c_ahead = blocks[parent]
        blocks[parent] = (ahead + checks, p_ahead + p, c_ahead + c)
        home.update(dict.fromkeys(checks, parent))
    return order


def _best_subset_order(
    chances: Mapping[str, float],
    minutes: Mapping[str, float],
    waits: Mapping[str, tuple[str, ...]],
) -> list[str]:
    """Least weighted minutes over all sets of checks done, smallest sets first."""
    names = list(chances)
    needs = [sum(1 << names.index(earlier) for earlier in set(waits[name])) for name in names]
    full = (1 << len(names)) - 1
    least: dict[int, tuple[float, int]] = {0: (0.0, -1)}
    spent: dict[int, float] = {0: 0.0}
    for done in range(full):
        if done not in least:
            continue
        for at, name in enumerate(names):
            if done >> at & 1 or needs[at] & ~done:
                continue
            then = done | 1 << at
            spent[then] = spent[done] + minutes[name]
            cost = least[done][0] + chances[name] * spent[then]
            if then not in least or cost < least[then][0]:
                least[then] = (cost, at)
    order, done = [], full
    while done:
        at = least[done][1]
        order.append(names[at])
        done &= ~(1 << at)
    return order[::-1]


def _by_closure(
    chances: Mapping[str, float],
    minutes: Mapping[str, float],
    waits: Mapping[str, tuple[str, ...]],
) -> list[str]:
    order: list[str] = []

    def closure(check: str, found: list[str]) -> list[str]:
        for earlier in waits[check]:
            if earlier not in order and earlier not in found:
                closure(earlier, found)
        found.append(check)
        return found

    while len(order) < len(chances):
        sets = [closure(check, []) for check in chances if check not in order]
        order += max(
            sets,
            key=lambda s: _ratio(sum(chances[c] for c in s), sum(minutes[c] for c in s)),
        )
    return order


@dataclass(frozen=True, slots=True)
class Worth:
    """What finishing would cost against what the unit is worth; advice, never a verdict.

    Attributes:
        cost: expected, in the currency of ``value``.
        value: of the unit once repaired.
    """

    cost: float
    value: float

    @property
    def margin(self) -> float:
        """What is left of the value; negative where finishing costs more."""
        return self.value - self.cost

    @property
    def worth_it(self) -> bool:
        """Whether finishing is expected to cost no more than the unit is worth."""
        return self.margin >= 0


def worth_it(value: float, labour: float, minutes: float, parts: float = 0.0) -> Worth:
    """Expected cost to finish, against the unit's value.

    Args:
        value: of the unit once repaired.
        labour: cost of one hour, in the same currency.
        minutes: expected, tests and repair; what is spent already does not count.
        parts: expected cost of parts.

    Raises:
        TableError: a figure that is negative or no number.
    """
    for figure, name in ((value, "value"), (labour, "rate"), (minutes, "time"), (parts, "parts")):
        if not 0 <= figure < math.inf:
            raise TableError(f"{figure:g} is no {name}", remedy="Give 0 or more.")
    return Worth(labour * minutes / 60 + parts, value)


def expected_part_cost(posterior: Posterior, part_costs: Mapping[str, float]) -> float:
    """Mean cost of the part that will be needed; a fault without a figure counts as 0."""
    return math.fsum(p * part_costs.get(fault, 0.0) for fault, p in posterior.probabilities.items())
