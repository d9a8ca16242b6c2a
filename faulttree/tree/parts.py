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
from faulttree.tree.plain import as_list, as_mapping, as_text, as_texts, entries, made

SIGNALS = ("DANGER", "WARNING", "CAUTION")
EVIDENCE = ("reported", "documented", "confirmed", "contradicted")


def faults(value: Any) -> dict[str, Fault]:
    """The faults of a tree by id."""
    return {name: _fault(name, raw) for name, raw in entries(value)}


def _fault(name: str, raw: dict[str, Any]) -> Fault:
    listed = raw.get("confirm")
    conditions = map(as_mapping, listed if isinstance(listed, list) else [listed])
    confirms = tuple(made(Confirm, one) for one in conditions if one)
    evidence = (as_mapping(one) for one in as_list(raw.get("evidence")))
    return made(
        Fault,
        raw,
        id=name,
        confirm=confirms[0] if confirms else None,
        further_confirms=confirms[1:],
        evidence=tuple(
            made(Evidence, one, kind=one["kind"]) for one in evidence if one.get("kind") in EVIDENCE
        ),
        where=Where("tree", ("faults", name)),
    )


def stops(value: Any, *, checks_power: bool = False) -> dict[str, Stop]:
    """The stops of a tree by id, the built-in one included where there are checks before power."""
    title = "Not safe to power: a check before power failed."
    built_in = {NOT_SAFE: Stop(NOT_SAFE, title, "unsafe")} if checks_power else {}
    return built_in | {
        name: made(Stop, raw, id=name, where=Where("tree", ("stops", name)))
        for name, raw in entries(value)
    }


def access_states(values: Iterable[Any]) -> dict[str, Access]:
    """The access states of several files by id; the first that has a name defines it."""
    found: dict[str, Access] = {}
    for value in values:
        for name, raw in entries(value):
            close = raw.get("close")
            closing = made(Close, close) if isinstance(close, dict) else None
            found.setdefault(name, made(Access, raw, id=name, close=closing))
    return found


def properties(value: Any, known: Any) -> dict[str, Property]:
    """What a unit is, by name: the tree's own word first, then that of the library."""
    own, shared = as_mapping(value), as_mapping(known)
    found = {}
    for name in dict.fromkeys((*own, *shared)):
        raw, below = as_mapping(own.get(name)), as_mapping(shared.get(name))
        found[name] = made(
            Property,
            raw,
            id=name,
            ask=as_text(raw.get("ask")) or as_text(below.get("ask")),
            values=as_texts(raw.get("values")) or as_texts(below.get("values")),
        )
    return found


def stores(value: Any, *, mains: bool) -> dict[str, Store]:
    """The parts that hold energy by name; the mains itself is one of them in a mains tree."""
    built_in = {MAINS: Store(MAINS, kind=MAINS)} if mains else {}
    return built_in | {
        name: made(Store, raw, id=name, kind=as_text(raw.get("kind")) or "capacitor")
        for name, raw in entries(value)
    }


def when(value: Any) -> When:
    """A condition: property → the values that it may have, one or a list."""
    return {name: as_texts(values) for name, values in as_mapping(value).items()}


def symptoms(value: Any) -> Iterator[Symptom]:
    """What owners say, each a text or a text with its conditions."""
    for item in as_list(value):
        if isinstance(item, dict):
            yield made(Symptom, item)
        elif isinstance(item, str):
            yield Symptom(item)


def ratings(value: Any) -> dict[str, Rating]:
    """The values that differ by model, by name."""
    return {name: made(Rating, raw, id=name) for name, raw in entries(value)}


def accepted(value: Any, use: str = "") -> Iterator[Accepted]:
    """Findings that may stand; those of a procedure are placed inside one use of it."""
    for item in as_list(value):
        raw = as_mapping(item)
        at = ".".join(part for part in (use, as_text(raw.get("at"))) if part)
        yield made(Accepted, raw, at=at)


def cautions(value: Any) -> dict[str, Caution]:
    """Cautions by name; without a signal word of ISO 3864-2 one counts as a warning."""
    return {
        name: made(
            Caution,
            raw,
            id=name,
            signal=raw["signal"] if raw.get("signal") in SIGNALS else "WARNING",
        )
        for name, raw in entries(value)
    }


def instruments(value: Any) -> dict[str, InstrumentKind]:
    """Kinds of test gear by name."""
    return {name: made(InstrumentKind, raw, id=name) for name, raw in entries(value)}
