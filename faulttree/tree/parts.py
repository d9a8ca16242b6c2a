"""What a tree holds besides steps: faults, stops, access states, ratings, shared names."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from faulttree.tree.model import (
    MAINS,
    NOT_SAFE,
    Accepted,
    Access,
    Caution,
    Close,
    Confirm,
    Evidence,
    Fault,
    InstrumentKind,
    Property,
    Rating,
    Stop,
    Store,
    Symptom,
    When,
    Where,
)
from faulttree.tree.plain import as_list, as_mapping, as_number, as_text, as_texts, entries

SIGNALS = ("DANGER", "WARNING", "CAUTION")
EVIDENCE = ("reported", "documented", "confirmed", "contradicted")


def faults(value: Any) -> dict[str, Fault]:
    """The faults of a tree by id."""
    return {name: _fault(name, raw) for name, raw in entries(value)}


def _fault(name: str, raw: dict[str, Any]) -> Fault:
    confirms = tuple(_confirms(raw.get("confirm")))
    signs = as_mapping(raw.get("signs"))
    return Fault(
        id=name,
        title=as_text(raw.get("title")),
        remedy=as_text(raw.get("remedy")),
        part=as_text(raw.get("part")),
        module=as_text(raw.get("module")) or None,
        confirm=confirms[0] if confirms else None,
        further_confirms=confirms[1:],
        weight=as_number(raw.get("weight")),
        signs={step: as_texts(given) for step, given in signs.items()},
        part_cost=as_number(raw.get("part_cost")),
        cautions=as_texts(raw.get("cautions")),
        evidence=tuple(_evidence(raw.get("evidence"))),
        moved_from=as_texts(raw.get("moved_from")),
        where=Where("tree", ("faults", name)),
    )


def _confirms(value: Any) -> Iterator[Confirm]:
    for item in value if isinstance(value, list) else [value]:
        if raw := as_mapping(item):
            step, gives = as_text(raw.get("step")), as_text(raw.get("gives"))
            yield Confirm(step, gives, raw.get("safety") is True)


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


def stops(value: Any, *, checks_power: bool = False) -> dict[str, Stop]:
    """The stops of a tree by id, the built-in one included where there are checks before power."""
    title = "Not safe to power: a check before power failed."
    built_in = {NOT_SAFE: Stop(NOT_SAFE, title, "unsafe")} if checks_power else {}
    return built_in | {
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
                exposes=as_texts(raw.get("exposes")),
                close=_close(raw.get("close")),
            )
            found.setdefault(name, state)
    return found


def _close(value: Any) -> Close | None:
    if not isinstance(value, dict):
        return None
    return Close(as_number(value.get("minutes")) or 0.0, as_text(value.get("how")))


def properties(value: Any, known: Any) -> dict[str, Property]:
    """What a unit is, by name: the tree's own word first, then that of the library."""
    shared = as_mapping(known)
    own = as_mapping(value)
    found = {}
    for name in dict.fromkeys((*own, *shared)):
        raw, below = as_mapping(own.get(name)), as_mapping(shared.get(name))
        found[name] = Property(
            id=name,
            ask=as_text(raw.get("ask")) or as_text(below.get("ask")),
            values=as_texts(raw.get("values")) or as_texts(below.get("values")),
            models={model: as_text(of) for model, of in as_mapping(raw.get("models")).items()},
        )
    return found


def stores(value: Any, *, mains: bool) -> dict[str, Store]:
    """The parts that hold energy by name; the mains itself is one of them in a mains tree."""
    built_in = {MAINS: Store(MAINS, kind=MAINS)} if mains else {}
    return built_in | {
        name: Store(
            id=name,
            voltage=as_text(raw.get("voltage")),
            capacitance=as_text(raw.get("capacitance")),
            kind=as_text(raw.get("kind")) or "capacitor",
        )
        for name, raw in entries(value)
    }


def when(value: Any) -> When:
    """A condition: property → the values that it may have, one or a list."""
    return {name: as_texts(values) for name, values in as_mapping(value).items()}


def symptoms(value: Any) -> Iterator[Symptom]:
    """What owners say, each a text or a text with its conditions."""
    for item in as_list(value):
        if isinstance(item, dict):
            conditions, seen_at = as_texts(item.get("conditions")), as_texts(item.get("seen_at"))
            yield Symptom(as_text(item.get("text")), conditions, seen_at)
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


def instruments(value: Any) -> dict[str, InstrumentKind]:
    """Kinds of test gear by name."""
    return {
        name: InstrumentKind(
            id=name,
            title=as_text(raw.get("title")),
            measures=as_texts(raw.get("measures")),
            brings=as_texts(raw.get("brings")),
        )
        for name, raw in entries(value)
    }
