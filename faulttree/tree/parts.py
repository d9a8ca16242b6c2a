"""What a tree holds besides steps: faults, stops, access states, ratings, shared names."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from faulttree.tree.model import (
    Accepted,
    Access,
    Caution,
    Confirm,
    Evidence,
    Fault,
    Instrument,
    Rating,
    Stop,
    Symptom,
    Where,
)
from faulttree.tree.plain import as_list, as_mapping, as_number, as_text, as_texts, entries

__all__ = [
    "accepted",
    "access_states",
    "cautions",
    "faults",
    "instruments",
    "ratings",
    "stops",
    "symptoms",
]

SIGNALS = ("DANGER", "WARNING", "CAUTION")
EVIDENCE = ("reported", "documented", "confirmed", "contradicted")


def faults(value: Any) -> dict[str, Fault]:
    """The faults of a tree by id."""
    return {name: _fault(name, raw) for name, raw in entries(value)}


def _fault(name: str, raw: dict[str, Any]) -> Fault:
    confirm = as_mapping(raw.get("confirm"))
    step, gives = as_text(confirm.get("step")), as_text(confirm.get("gives"))
    signs = as_mapping(raw.get("signs"))
    return Fault(
        id=name,
        title=as_text(raw.get("title")),
        remedy=as_text(raw.get("remedy")),
        part=as_text(raw.get("part")),
        module=as_text(raw.get("module")) or None,
        confirm=Confirm(step, gives) if confirm else None,
        weight=as_number(raw.get("weight")),
        signs={step: as_texts(given) for step, given in signs.items()},
        part_cost=as_number(raw.get("part_cost")),
        cautions=as_texts(raw.get("cautions")),
        evidence=tuple(_evidence(raw.get("evidence"))),
        moved_from=as_texts(raw.get("moved_from")),
        where=Where("tree", ("faults", name)),
    )


def _evidence(value: Any) -> Iterator[Evidence]:
    for item in as_list(value):
        raw = as_mapping(item)
        kind = raw.get("kind")
        if kind in EVIDENCE:
            yield Evidence(
                kind=kind,
                source=as_text(raw.get("source")),
                date=as_text(raw.get("date")) or None,
                reason=as_text(raw.get("reason")),
            )


def stops(value: Any) -> dict[str, Stop]:
    """The stops of a tree by id."""
    return {
        name: Stop(
            id=name,
            title=as_text(raw.get("title")),
            reason=as_text(raw.get("reason")),
            see=as_text(raw.get("see")) or None,
            where=Where("tree", ("stops", name)),
        )
        for name, raw in entries(value)
    }


def access_states(values: Iterable[Any]) -> dict[str, Access]:
    """The access states of several files by id; the first that has a name defines it."""
    found: dict[str, Access] = {}
    for value in values:
        for name, raw in entries(value):
            state = Access(
                id=name,
                minutes=as_number(raw.get("minutes")) or 0.0,
                how=as_text(raw.get("how")),
                group=as_text(raw.get("group")) or None,
                cautions=as_texts(raw.get("cautions")),
            )
            found.setdefault(name, state)
    return found


def symptoms(value: Any) -> Iterator[Symptom]:
    """What owners say, each a text or a text with its conditions."""
    for item in as_list(value):
        if isinstance(item, dict):
            yield Symptom(as_text(item.get("text")), as_texts(item.get("conditions")))
        elif isinstance(item, str):
            yield Symptom(item)


def ratings(value: Any) -> dict[str, Rating]:
    """The values that differ by model, by name."""
    return {
        name: Rating(
            id=name,
            unit=as_text(raw.get("unit")),
            ask=as_text(raw.get("ask")),
            models={model: as_text(of) for model, of in as_mapping(raw.get("models")).items()},
        )
        for name, raw in entries(value)
    }


def accepted(value: Any, use: str = "") -> Iterator[Accepted]:
    """Findings that may stand; those of a procedure are placed inside one use of it."""
    for item in as_list(value):
        raw = as_mapping(item)
        at = ".".join(part for part in (use, as_text(raw.get("at"))) if part)
        yield Accepted(as_text(raw.get("rule")), as_text(raw.get("reason")), at)


def cautions(value: Any) -> dict[str, Caution]:
    """Cautions by name; without a signal word of ISO 3864-2 one counts as a warning."""
    return {
        name: Caution(
            id=name,
            signal=raw["signal"] if raw.get("signal") in SIGNALS else "WARNING",
            text=as_text(raw.get("text")),
            covers=as_texts(raw.get("covers")),
        )
        for name, raw in entries(value)
    }


def instruments(value: Any) -> dict[str, Instrument]:
    """Kinds of test gear by name."""
    return {
        name: Instrument(
            id=name,
            title=as_text(raw.get("title")),
            measures=as_texts(raw.get("measures")),
            brings=as_texts(raw.get("brings")),
        )
        for name, raw in entries(value)
    }
