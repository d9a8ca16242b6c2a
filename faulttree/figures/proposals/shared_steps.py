"""Proposals for steps of shared procedures, pooled over all trees that use them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from faulttree.figures.proposals.limits import too_near, wider
from faulttree.figures.proposals.weights import Timed, new_minutes
from faulttree.figures.tree_counts import ReadingCounts

if TYPE_CHECKING:
    from faulttree.figures.proposals.proposal import ReviewProposal
    from faulttree.figures.tree_counts import TreeCount
    from faulttree.tree.model import Step


@dataclass(slots=True)
class _Pooled:
    """One step of a procedure, as the trees use it."""

    steps: list[Step] = field(default_factory=list)
    minutes: list[float] = field(default_factory=list)
    good: ReadingCounts = field(default_factory=ReadingCounts)

    @property
    def same_minutes(self) -> bool:
        """Whether every tree gets the same figure, so that it is the procedure's own."""
        return len({step.minutes for step in self.steps}) == 1

    @property
    def same_limits(self) -> bool:
        """Whether every tree gets the same limits, so that they are the procedure's own."""
        return all(step.limits == self.steps[0].limits for step in self.steps)


def shared_steps(counts: Sequence[TreeCount]) -> Iterator[ReviewProposal]:
    """Proposals for minutes and limits in the files of shared procedures, each made once.

    Args:
        counts: the counts of the trees; those that are not in the library are left out.
    """
    for procedure, steps in sorted(_pooled(counts).items()):
        at = {"procedure": procedure}
        timed = [
            Timed(name, one.steps[0].minutes, np.array(one.minutes))
            for name, one in steps.items()
            if one.same_minutes and not one.steps[0].access
        ]
        yield from new_minutes(at, timed)
        for name, one in steps.items():
            near = too_near(one.steps[0], one.good) if one.same_limits else None
            if near is not None:
                yield wider(at, name, one.good, *near)


def _pooled(counts: Sequence[TreeCount]) -> Mapping[str, Mapping[str, _Pooled]]:
    """Procedure → its step → what was counted of it in all trees."""
    found: dict[str, dict[str, _Pooled]] = {}
    for count in counts:
        for step in () if count.gone else count.tree.steps.values():
            procedure = step.where.document.removeprefix("procedure:")
            if procedure == step.where.document:
                continue  # a step of the tree itself
            one = found.setdefault(procedure, {}).setdefault(str(step.where.keys[-1]), _Pooled())
            counted = count.steps[step.id]
            one.steps.append(step)
            one.minutes += counted.timed.tolist()
            one.good.add(counted.good)
    return found
