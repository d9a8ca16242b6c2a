"""What safety asks for before a step: facts, checks before power, proof of dead, closing.

Nothing here is a choice of the technician or of the program: the fold puts these before the
step, whatever led to it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from faulttree.tree.model import Step, Tree, Use
from faulttree.walk.unit_state import UnitState, holds, unknown_in

__all__ = ["Block", "NeedsFact", "NeedsStep", "needed_at_power", "needed_at_touch", "stop_of"]

Cause = Literal["skipped", "circle", "stopped", "not-known", "not-dead", "cells", "not-closed"]


@dataclass(frozen=True, slots=True)
class Block:
    """Why the step that comes next cannot be asked.

    Attributes:
        step: the step that cannot be asked, or that was skipped and stands in the way.
        cause: ``skipped``: it was set aside. ``circle``: it waits for itself. ``stopped``: the
            unit is one that it must not be made on. ``not-known``: the properties ``names``
            decide which checks it needs. ``not-dead``: no step of the tree proves the stores
            ``names`` dead. ``cells``: no step tells the cells of the batteries ``names``.
            ``not-closed``: no step closes the states ``names``.
        names: what it is about.
    """

    step: str
    cause: Cause
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NeedsFact:
    """A property that must be asked first."""

    name: str


@dataclass(frozen=True, slots=True)
class NeedsStep:
    """A step or use that must come first."""

    name: str


Need = Block | NeedsFact | NeedsStep | None


def needed_at_power(unit: UnitState, step: Step) -> Need:
    """What a step needs before anything else: facts, then checks before power.

    Properties are asked before the cautions of the step and before the unit is opened.
    """
    for name in _properties_of(unit, step):
        if name not in unit.facts:
            return NeedsFact(name)
    stop = stop_of(step, unit.facts)
    if stop:
        return Block(step.id, "stopped", (stop,))
    owed = next(unit.owed(step), None) if step.live else None
    if owed is None:
        return None
    if holds(owed.when, unit.facts) is None:
        return Block(step.id, "not-known", tuple(unknown_in(owed.when, unit.facts)))
    return NeedsStep(owed.use)


def _properties_of(unit: UnitState, step: Step) -> Iterator[str]:
    """The properties on which a step depends, in the order they are asked."""
    yield from step.stop_if
    exposes = any(
        unit.tree.access[name].exposes for name in step.access if name in unit.tree.access
    )
    if step.live or exposes:
        for check in unit.tree.before_power:
            for name in check.when:
                if holds(check.when, unit.facts) is None:
                    yield name


def stop_of(step: Step, facts: Mapping[str, str]) -> str:
    """Where a step stops a walk, by its ``stop_if``; empty where it does not.

    A property that nobody can say stops as well, at the first stop that the step names for it.
    """
    for name, stops in step.stop_if.items():
        if name not in facts:
            continue
        if unknown_in([name], facts):
            return next(iter(stops.values()), "")
        if facts[name] in stops:
            return stops[facts[name]]
    return ""


def needed_at_touch(unit: UnitState, step: Step, aside: Collection[str]) -> Need:
    """What a step needs last: cells known, stores discharged and proved dead, the unit closed.

    Args:
        unit: the unit as it is.
        step: the step that comes next.
        aside: steps that were skipped; another one that does the same is put first.
    """
    for name in unit.cells_unknown(step):
        makers = _makers(unit.tree, "cells_known", name, step, aside)
        return NeedsStep(makers[0]) if makers else Block(step.id, "cells", (name,))
    for name in unit.charged(step):
        provers = _makers(unit.tree, "proves_dead", name, step, aside)
        if not provers:
            return Block(step.id, "not-dead", (name,))
        dischargers = _makers(unit.tree, "discharges", name, step, aside)
        if dischargers and name not in unit.discharged:
            return NeedsStep(dischargers[0])
        return NeedsStep(provers[0])
    for name in unit.to_close(step):
        closing = unit.tree.access[name].closing_step
        known = closing in unit.tree.steps
        return NeedsStep(closing) if known else Block(step.id, "not-closed", (name,))
    return None


def _makers(tree: Tree, key: str, name: str, step: Step, aside: Collection[str]) -> list[str]:
    """The steps and uses that say ``name`` under ``key``, the best for ``step`` first.

    One of the same procedure is best, then one that looks for faults; one that was skipped is
    last. The procedures around the step itself are left out.
    """
    found: list[Step | Use] = [*tree.uses.values(), *tree.steps.values()]
    makers = [
        one
        for one in found
        if name in getattr(one, key) and one.id != step.id and not _is_around(one, step)
    ]

    def rank(one: Step | Use) -> tuple[bool, bool, bool]:
        entry = one.start if isinstance(one, Use) else one.id
        near = isinstance(one, Step) and one.use is not None and one.use == step.use
        return entry in aside, not near, one.role != "finding"

    return [one.id for one in sorted(makers, key=rank)]


def _is_around(one: Step | Use, step: Step) -> bool:
    return isinstance(one, Use) and step.id in one.steps
