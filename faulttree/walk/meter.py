"""What a case knows of the meter of a reading: its kind, and the frequency it reads at.

Where ``bench.yaml`` does not say it, it is asked once a case and kept as a fact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError, WalkError
from faulttree.reading import parse_quantity, show
from faulttree.reading.judgement import check_method
from faulttree.reading.limits import same_frequency
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from faulttree.reading import Bench, Instrument, Limits, Quantity
    from faulttree.tree.model import Tree

ANOTHER_KIND = "another-kind"
"""The answer that the meter is of no kind that was offered."""

_KIND, _FREQUENCY = "meter-kind.", "test-frequency"
_USUAL = ("100 Hz", "1 kHz", "10 kHz", "100 kHz")
"""Test frequencies of ESR and LCR meters. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class MeterQuestion:
    """What must be known of the meter before a reading is judged.

    Attributes:
        name: of the fact that the answer is kept as.
        text: the question.
        choices: what can be answered.
        reason: why it is asked.
    """

    name: str
    text: str
    choices: tuple[str, ...]
    reason: str


def offers_of(tree: Tree, kind: str) -> Mapping[str, tuple[str, ...]] | None:
    """What a kind of instrument can be set to; None where the tree names no such kind."""
    known = tree.known_instruments.get(kind)
    return known.offers if known is not None else None


def known_bench(tree: Tree, bench: Bench) -> Bench:
    """The bench, each instrument with what its kind offers."""
    return replace(
        bench,
        instruments={
            name: replace(held, offers=offers_of(tree, held.kind))
            for name, held in bench.instruments.items()
        },
    )


def held_instrument(tree: Tree, bench: Bench | None, name: str) -> Instrument | None:
    """The instrument of this name with what its kind offers; None where none is declared.

    Raises:
        ReadingError: instruments are declared, and this is none of them.
    """
    if bench is None or not bench.instruments or not name:
        return None
    held = bench.instrument(name)
    return replace(held, offers=offers_of(tree, held.kind))


def is_meter_fact(name: str) -> bool:
    """Whether a fact is about the meter, not about the unit."""
    return is_kind(name) or name.split(".")[0] == _FREQUENCY


def is_kind(name: str) -> bool:
    """Whether a fact is the kind of the meter."""
    return name.startswith(_KIND)


def meter_fact(name: str, typed: str) -> str:
    """The value of a fact about the meter, from what was typed.

    Raises:
        WalkError: it is no kind of instrument, or no frequency.

    Example:
        >>> meter_fact("test-frequency", "100kHz")
        '100 kHz'
    """
    value = typed.strip()
    if value == NOT_KNOWN:
        return value
    if is_kind(name):
        if not value or " " in value:
            raise WalkError(
                f"'{value[:40]}' is no kind of instrument",
                remedy="Give one of instruments.yaml, such as insulation-tester, or not-known.",
            )
        return value
    try:
        read = parse_quantity(value, "Hz")
    except FaulttreeError:
        read = None
    if read is None or read.value is None or read.value <= 0 or read.bare:
        raise WalkError(
            f"'{value[:40]}' is no test frequency", remedy="Write it like 100 kHz, or not-known."
        )
    return show(read.value, "Hz")


def meter_question(
    tree: Tree,
    limits: Limits,
    readings: Sequence[Quantity],
    instrument: Instrument | None,
    facts: Mapping[str, str],
) -> MeterQuestion | None:
    """What to ask about the meter before these readings are judged; None where all is known.

    Args:
        tree: whose library says what each kind of instrument offers.
        limits: what the readings will be judged by.
        readings: as typed; a frequency behind one is known.
        instrument: what was declared, or None.
        facts: what the case knows.
    """
    return _kind_question(tree, limits, instrument, facts) or _frequency_question(
        limits, readings, instrument, facts
    )


def _kind_question(
    tree: Tree, limits: Limits, instrument: Instrument | None, facts: Mapping[str, str]
) -> MeterQuestion | None:
    method = limits.method
    if method is None or instrument is not None:
        return None
    kinds = dict.fromkeys((*method.kinds, *tree.known_instruments))
    able = tuple(kind for kind in kinds if limits.takes(kind, offers_of(tree, kind)))
    # Another kind that was told is asked about again: the next reading needs another meter.
    if not able or facts.get(_KIND + method.name) in (*able, NOT_KNOWN):
        return None
    return MeterQuestion(
        _KIND + method.name,
        "Which kind of meter is this reading from?",
        (*able, ANOTHER_KIND, NOT_KNOWN),
        f"{method.text[:1].upper()}{method.text[1:]}: {method.reason}.",
    )


def _frequency_question(
    limits: Limits,
    readings: Sequence[Quantity],
    instrument: Instrument | None,
    facts: Mapping[str, str],
) -> MeterQuestion | None:
    wanted = limits.holds_at
    if wanted is None or limits.read_at is not None or not _is_open(readings, instrument):
        return None
    name = _frequency_of(instrument)
    if name in facts:
        return None
    others = [
        one for one in _USUAL if not same_frequency(parse_quantity(one).value or wanted, wanted)
    ]
    held = instrument.id if instrument is not None else "the meter"
    return MeterQuestion(
        name,
        f"At which frequency does {held} read?",
        (show(wanted, "Hz"), *others, NOT_KNOWN),
        f"The limit holds at {show(wanted, 'Hz')} only.",
    )


def _is_open(readings: Sequence[Quantity], instrument: Instrument | None) -> bool:
    """Whether nobody has said at which frequency these readings were taken."""
    declared = instrument is not None and bool(instrument.frequencies)
    return not declared and all(reading.frequency is None for reading in readings)


def _frequency_of(instrument: Instrument | None) -> str:
    return _FREQUENCY if instrument is None else f"{_FREQUENCY}.{instrument.id}"


def taken_with(
    tree: Tree,
    limits: Limits,
    readings: tuple[Quantity, ...],
    instrument: Instrument | None,
    facts: Mapping[str, str],
    *,
    named: str = "",
) -> tuple[Limits, tuple[Quantity, ...]]:
    """Limits and readings with what the case knows of the meter.

    Args:
        tree, limits, readings, instrument, facts: as in :func:`meter_question`.
        named: a kind of instrument that was named beside the reading, where none is declared.

    Raises:
        ReadingError: the meter is of a kind that does not measure what the limits mean.
    """
    method = limits.method
    if method is not None and instrument is None:
        known = named in tree.known_instruments or named in method.kinds
        kind = named if known else facts.get(_KIND + method.name, NOT_KNOWN)
        if kind != NOT_KNOWN:
            check_method(limits, kind, offers_of(tree, kind))
            # The meter fits, so its method says no more about a reading than what was required.
            told = (method.text,) if method.required else ()
            limits = replace(limits, method=None, notes=(*limits.notes, *told))
    said = facts.get(_frequency_of(instrument), NOT_KNOWN)
    if limits.holds_at is not None and said != NOT_KNOWN and _is_open(readings, instrument):
        frequency = parse_quantity(said, "Hz").value
        readings = tuple(replace(reading, frequency=frequency) for reading in readings)
    return limits, readings
