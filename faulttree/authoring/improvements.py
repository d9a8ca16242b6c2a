"""Further improvements from a case: minutes, clearer texts, better limits. Only offered."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from statistics import median
from typing import TYPE_CHECKING

from faulttree.authoring.solved_case import Solved
from faulttree.convert import Plain
from faulttree.errors import FaulttreeError
from faulttree.reading import resolve_limits
from faulttree.reading.quantity import show
from faulttree.tree import Step, shape_of
from faulttree.tree.document import parse
from faulttree.tree.edit import Editor, FileChange
from faulttree.walk.events import Confirmed
from faulttree.walk.history import counted

if TYPE_CHECKING:
    from faulttree.cases import Store


ENOUGH = 3
"""Least number of readings or times for an offer: common practice, no source."""
FAR = 1.5
"""Least ratio of the measured to the stated minutes, or the inverse: common practice, no source."""
LATEST = 200
"""The number of latest cases that are examined."""


@dataclass(frozen=True)
class Lessons:
    """Accepted improvements: step → text, step → minutes, (step, key of limits) → value."""

    how: Mapping[str, str] = field(default_factory=dict)
    minutes: Mapping[str, float] = field(default_factory=dict)
    limits: Mapping[tuple[str, str], str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.how or self.minutes or self.limits)

    def and_also(self, other: Lessons) -> Lessons:
        """Both combined; ``other`` wins where both name the same place."""
        return Lessons(
            {**self.how, **other.how},
            {**self.minutes, **other.minutes},
            {**self.limits, **other.limits},
        )


@dataclass(frozen=True, slots=True)
class Offer(Plain):
    """One offered improvement: its text, and the command option that accepts it."""

    LEFT_OUT = frozenset(("lessons",))

    text: str
    option: str
    lessons: Lessons


def taught(solved: Solved) -> FileChange | None:
    """Add the evidence ``confirmed`` for a fault that the tree found; None if it is confirmed.

    One confirmation is enough in the file: the record counts the further cases.
    """
    known = {evidence.kind for evidence in solved.now.faults[solved.fault].evidence}
    if not solved.fixed or "confirmed" in known:
        return None
    editor = solved.file.editor()
    editor.into(("faults", solved.fault), "evidence", solved.evidence())
    return editor.change()


def with_lessons(solved: Solved, change: FileChange | None, lessons: Lessons) -> FileChange | None:
    """Add the accepted improvements to a change.

    Raises:
        TreeError: a step is not in the file of the tree.
    """
    if not lessons:
        return change
    editor = solved.file.editor()
    if change is not None:
        document = change.document or parse(
            change.text, path=change.path, shape=shape_of("tree"), name="tree"
        )
        editor = Editor(document, change.raw, shape_of("tree"))
    for name, text in lessons.how.items():
        editor.put(("steps", name), "how", text)
    for name, minutes in lessons.minutes.items():
        editor.put(("steps", name), "minutes", minutes)
    for (name, key), text in lessons.limits.items():
        editor.put(("steps", name, "limits"), key, text)
    return editor.change()


# -- offers ----------------------------------------------------------------------------


def offers(store: Store, solved: Solved) -> Iterator[Offer]:
    """Compare the tree with the record and return the improvements to offer."""
    yield from _times(store, solved)
    fault = solved.now.faults.get(solved.fault)
    confirm = fault.confirm if fault else None
    step = solved.now.steps.get(confirm.step) if confirm else None
    if step is not None and step.use is None and step.limits is not None:
        yield from _good_readings(store, solved, step)


def _times(store: Store, solved: Solved) -> Iterator[Offer]:
    """Offers for steps of the case whose median time differs much from the stated minutes."""
    taken: dict[str, list[float]] = {}
    own = {visit.step for visit in solved.then.path}
    for case in store.list(tree=solved.now.id, limit=LATEST):
        for one in store.steps(case.id):
            if one.minutes and not one.skipped and one.step in own:
                taken.setdefault(one.step, []).append(one.minutes)
    for name, times in taken.items():
        step = solved.now.steps.get(name)
        if step is None or step.use is not None or len(times) < ENOUGH:
            continue
        told, took = step.cost, median(times)
        if abs(took - told) >= 1 and not told / FAR <= took <= told * FAR:
            minutes = f"{took:.2g}"
            text = (
                f"`{name}` took {minutes} min, the median of {len(times)}; the tree says {told:g}"
            )
            lessons = Lessons(minutes={name: float(minutes)})
            yield Offer(text, f"--set-minutes {name}={minutes}", lessons)


def _good_readings(store: Store, solved: Solved, step: Step) -> Iterator[Offer]:
    """Offers from readings of repaired units at the step that confirms the repair."""
    readings = list(_confirming(store, solved, step.id))
    if not readings:
        return
    values = [value for value, _ in readings]
    if "source" not in (step.limits or {}):
        seen = ", ".join(dict.fromkeys(text for _, text in readings[:4]))
        text = f"`{step.id}` gives no source for its limits; repaired units read {seen}"
        yield _limit_offer(text, step.id, "source", f"{seen} on repaired units")
    try:
        limits = resolve_limits(step.limits or {}, unit=step.unit)
    except FaulttreeError:
        return
    nominal, lower, upper = limits.nominal, limits.lower, limits.upper
    plain = isinstance((step.limits or {}).get("nominal"), str | int | float)
    if not plain or nominal is None or lower is None or upper is None or len(values) < ENOUGH:
        return
    middle = Decimal(repr(median(values)))
    if not lower + (nominal - lower) / 2 <= middle <= upper - (upper - nominal) / 2:
        figure = show(middle, limits.unit, limits.kind)
        text = f"`{step.id}` reads {figure} on repaired units, the median of {len(values)}"
        yield _limit_offer(text, step.id, "nominal", figure)


def _limit_offer(text: str, step: str, key: str, value: str) -> Offer:
    lessons = Lessons(limits={(step, key): value})
    return Offer(text, f"--set-limit {shlex.quote(f'{step}.{key}={value}')}", lessons)


def _confirming(store: Store, solved: Solved, step: str) -> Iterator[tuple[float, str]]:
    """Readings that confirmed a repair at a step, latest case first."""
    for case in store.list(tree=solved.now.id, result="fixed", limit=LATEST):
        for event in counted(store.events(case.id)):
            if isinstance(event, Confirmed) and event.step == step:
                kept = event.reading or {}
                if kept.get("value") is not None:
                    yield float(kept["value"]), str(kept.get("text", ""))
