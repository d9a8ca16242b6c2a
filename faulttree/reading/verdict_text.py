"""A verdict in one sentence and on one small text scale."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from decimal import Decimal
from typing import Any

from faulttree.reading.limit_beside import BASIS
from faulttree.reading.limits import Limits, digits_for, limits_text
from faulttree.reading.outcome import Judged
from faulttree.reading.quantity import EXACT, show, show_exact
from faulttree.reading.units import UNITS

__all__ = ["clauses", "said_once", "scale", "sentence", "sources_in", "verdict_text"]

HUNDRED = Decimal(100)
WIDTH = 31


def sentence(verdict: Judged) -> str:
    """One sentence: verdict, reading, how far off, by which rule and whose figures."""
    return _joined(clauses(verdict))


def clauses(verdict: Judged) -> list[tuple[str, str]]:
    """The parts of the sentence in order, each with what it tells.

    Kinds: result, correction, advice, worn, method, unsure, uncertainty, probability, source,
    note.
    ``unsure`` holds for every reading taken without a declared instrument.
    """
    parts = [("result", f"{_headline(verdict)}: {_reading(verdict)}{_off(verdict)}")]
    parts += [("correction", text) for text in verdict.corrections]
    if verdict.advice:
        parts.append(("advice", verdict.advice))
    if verdict.tired:
        parts.append(("worn", f"a used part may come to {_worn(limits=verdict.limits)}"))
    parts += _certainty(verdict)
    rests = _rests_on(verdict.limits)
    if rests:
        parts.append(("source", rests))
    return parts + [("note", note) for note in verdict.limits.notes]


def _rests_on(limits: Limits) -> str:
    """What the limit rests on and where its figures come from, each said once."""
    basis = BASIS[limits.basis] if limits.basis else ""
    if basis and basis in limits.source:
        basis = ""
    if not basis:
        return f"figures: {limits.source}" if limits.source else ""
    return f"the limit rests on {basis}{f': {limits.source}' * bool(limits.source)}"


def verdict_text(stored: Mapping[str, Any] | None, *, known: Collection[str] = ()) -> str:
    """The words of a verdict as an event keeps it; empty without one.

    Args:
        stored: the verdict as plain data. One of record version 1 keeps its sentence whole.
        known: clauses that need not be said again, as :func:`said_once` gives them.

    Example:
        >>> kept = {"clauses": [["result", "low: 4 V"], ["unsure", "no instrument declared"]]}
        >>> verdict_text(kept)
        'low: 4 V; no instrument declared.'
        >>> verdict_text(kept, known=said_once(kept))
        'low: 4 V.'
    """
    if not stored:
        return ""
    if "clauses" not in stored:
        return str(stored.get("text") or "")
    return _joined([(kind, text) for kind, text in stored["clauses"] if text not in known])


def said_once(stored: Mapping[str, Any] | None) -> frozenset[str]:
    """The clauses of a verdict that hold for other readings alike, so that once is enough."""
    kept = (stored or {}).get("clauses", ())
    return frozenset(text for kind, text in kept if kind == "unsure")


def sources_in(stored: Mapping[str, Any]) -> frozenset[str]:
    """The clauses of a verdict that tell what its limits rest on."""
    return frozenset(text for kind, text in stored.get("clauses", ()) if kind == "source")


def _joined(parts: Sequence[tuple[str, str]]) -> str:
    return "; ".join(text for _, text in parts) + "."


def _worn(limits: Limits) -> str:
    ends = [
        show(edge, limits.unit, limits.kind)
        for edge in (limits.worn_lower, limits.worn_upper)
        if edge is not None
    ]
    return " or ".join(ends)


def _headline(verdict: Judged) -> str:
    if verdict.outcome != "undecided":
        return "tired, not yet the fault" if verdict.tired else verdict.outcome
    if verdict.rule == "conformance probability":
        return "too close to call"
    return "undecided"


def _reading(verdict: Judged) -> str:
    if verdict.reading.value is None:
        return str(verdict.reading)
    text = _exactly(verdict.reading.value, verdict.limits)
    count = len(verdict.readings)
    return f"{text} (mean of {count} readings)" if count > 1 else text


def _exactly(value: Decimal, limits: Limits) -> str:
    """Three digits, or as many as tell the value from the limits."""
    figures = {limits.nominal, limits.lower, limits.upper, limits.worn_lower, limits.worn_upper}
    edges = figures - {None, value}
    for digits in range(digits_for(limits), 13):
        text = show(value, limits.unit, limits.kind, digits)
        if all(
            edge is None or show(edge, limits.unit, limits.kind, digits) != text for edge in edges
        ):
            return text
    return show_exact(value, limits.unit, limits.kind)


def _limit_word(limits: Limits) -> str:
    return "limits" if limits.lower is not None and limits.upper is not None else "limit"


def _percent(share: Decimal, *, apart_from: Decimal | None = None) -> str:
    """Two digits, or as many as tell it from the limit beside it."""
    for digits in range(2, 12):
        text = show(share * HUNDRED, digits=digits)
        if apart_from is None or share == apart_from:
            break
        if text != show(apart_from * HUNDRED, digits=digits):
            break
    return f"{text} %"


def _off(verdict: Judged) -> str:
    """How far the reading lies from its nominal or its limit, and what the limit is."""
    limits, value = verdict.limits, verdict.reading.value
    if limits.missing or limits.problem:
        return ""
    if limits.bands:
        return f" ({limits_text(limits)})"
    if value is None:
        return f", {_limit_word(limits)} {limits_text(limits)}"
    digits = digits_for(limits, value)
    if limits.nominal and limits.lower is not None and limits.upper is not None:
        return _off_nominal(value, limits.nominal, limits)
    return _off_limit(value, limits, digits)


def _off_nominal(value: Decimal, nominal: Decimal, limits: Limits) -> str:
    assert limits.lower is not None
    assert limits.upper is not None
    ends = (limits.lower, limits.upper)
    change, *edges = (EXACT.subtract(figure, nominal) for figure in (value, *ends))
    if limits.negative:
        change, edges = -change, [-edge for edge in edges]
    if not UNITS[limits.unit].share:
        return _off_by_difference(change, sorted(edges), nominal, limits)
    size = nominal.copy_abs()
    change, *edges = (EXACT.divide(part, size) for part in (change, *edges))
    inner, outer = sorted(edges)
    side = inner.copy_abs() if change < 0 else outer
    limit = _percent(outer)
    if f"-{limit}" != _percent(inner):
        limit = f"{_percent(inner)} to +{limit}"
    away = _percent(change.copy_abs(), apart_from=side)
    return _apart(change, side, away, limit, nominal, limits)


def _off_by_difference(
    change: Decimal, edges: list[Decimal], nominal: Decimal, limits: Limits
) -> str:
    """The same where a share of the value has no meaning, as for °C and dB."""
    inner, outer = edges
    side = inner.copy_abs() if change < 0 else outer
    limit = _difference(outer, limits)
    if f"-{limit}" != _difference(inner, limits):
        limit = f"{_difference(inner, limits)} to +{limit}"
    away = _difference(change.copy_abs(), limits, apart_from=side)
    return _apart(change, side, away, limit, nominal, limits)


def _apart(
    change: Decimal, side: Decimal, away: str, limit: str, nominal: Decimal, limits: Limits
) -> str:
    meant = show(nominal, limits.unit, limits.kind, digits_for(limits))
    if not change:
        return f" for {meant}: at its value, limit {limit}"
    where = f"{away} {'below' if change < 0 else 'above'} its value"
    times = f", {_times(change.copy_abs() / side)} its tolerance" if side else ""
    return f" for {meant}: {where}, limit {limit}{times}"


def _times(ratio: Decimal) -> str:
    """A ratio with two digits, or as many as tell it from 1."""
    for digits in range(2, 12):
        text = show(ratio, digits=digits)
        if text != "1" or ratio == 1:
            break
    return f"{text} times"


def _difference(
    size: Decimal, limits: Limits, *, apart_from: Decimal | None = None, least: int = 2
) -> str:
    """A difference in its own unit: kelvin between temperatures."""
    unit = {"degC": "K", "dBm": "dB", "%": ""}.get(limits.unit, limits.unit)
    for digits in range(least, 12):
        text = show(size, unit, digits=digits)
        if apart_from is None or size == apart_from:
            break
        if text != show(apart_from, unit, digits=digits):
            break
    return f"{text} percentage points" if limits.unit == "%" else text


def _off_limit(value: Decimal, limits: Limits, digits: int) -> str:
    what = f"{limits.symbol} of {limits.part}" if limits.part and limits.symbol else ""
    beyond, edge = "", None
    if limits.upper is not None and value > limits.upper:
        beyond, edge = "above", limits.upper
    elif limits.lower is not None and value < limits.lower:
        beyond, edge = "below", limits.lower
    if edge is None:
        named = f" ({what})" if what else ""
        return f", {_limit_word(limits)} {limits_text(limits, digits)}{named}"
    if what and beyond == "above" and edge > 0:
        ratio = _times(EXACT.divide(value, edge))
        return f", {ratio} {what}, {show(edge, limits.unit, limits.kind, digits)}"
    gap = EXACT.subtract(value, edge).copy_abs()
    share = f" ({_percent(abs(gap / edge))})" if edge and UNITS[limits.unit].share else ""
    edge_text = show(edge, limits.unit, limits.kind, digits)
    return f", {_difference(gap, limits, least=3)}{share} {beyond} the limit of {edge_text}"


def _certainty(verdict: Judged) -> list[tuple[str, str]]:
    said: list[tuple[str, str]] = []
    if verdict.rule in {
        "in circuit",
        "no limits",
        "over range",
        "frequency",
        "waveform",
        "good units",
    }:
        return said
    limits = verdict.limits
    if limits.method is not None and limits.method.required:
        said.append(("method", limits.method.text))
    elif limits.method is not None and not verdict.instrument:
        said.append(("method", f"the kind of meter is not declared, and {limits.method.text}"))
    if verdict.uncertainty is None:
        said.append(("unsure", "plain acceptance, no instrument declared"))
        return said
    u = verdict.uncertainty
    distance = _distance(verdict, u)
    text = f"standard uncertainty {show(u, limits.unit, digits=2)}{distance}"
    said.append(("uncertainty", text))
    if verdict.probability_inside is not None:
        inside = _probability(verdict.probability_inside)
        asked = show(verdict.confidence * 100)
        text = f"inside with probability {inside}, {asked} % is asked for"
        said.append(("probability", text))
    if not verdict.instrument:
        said.append(("unsure", "no instrument declared, scatter only"))
    return said


def _distance(verdict: Judged, u: float) -> str:
    limits, value = verdict.limits, verdict.reading.value
    edges = [edge for edge in (limits.last_lower, limits.last_upper) if edge is not None]
    if not edges or not u or value is None:
        return ""
    near = min(abs(float(edge) - float(value)) for edge in edges)
    return f", the limit is {show(near / u, digits=2)} times that away"


def _probability(p: float) -> str:
    if p > 0.9995:
        return "over 99.9 %"
    return "under 0.1 %" if p < 0.0005 else f"{p * 100:.1f} %"


def scale(verdict: Judged) -> str:
    """One line: the limits in brackets, the reading as a star, their figures beside.

    Plain ASCII between the figures, so that it can be read out and printed anywhere.
    """
    limits, value = verdict.limits, verdict.reading.value
    edges = _edges(limits)
    if not edges:
        return ""
    low, high = float(edges[0]), float(edges[-1])
    room = (high - low) or abs(high) or 1.0
    left, right = low - room / 2, high + room / 2
    line = ["-"] * WIDTH
    for at, edge in enumerate(edges):
        line[_column(float(edge), left, right)] = "|" if limits.bands else _bracket(at, limits)
    star = WIDTH - 1 if value is None else _column(float(value), left, right)
    line[star] = "*"
    if value is None or float(value) > right:
        line[star] = ">"
    elif float(value) < left:
        line[star] = "<"
    digits = digits_for(limits, value)
    text = show(edges[-1], limits.unit, limits.kind, digits)
    if len(edges) > 1:
        text = f"{show(edges[0], limits.unit, digits=digits)} to {text}"
    return f"{''.join(line)}  {text}"


def _edges(limits: Limits) -> list[Decimal]:
    if limits.bands:
        ends = [band.lower for band in limits.bands] + [limits.bands[-1].upper]
        return [end for end in ends if end is not None]
    return [edge for edge in (limits.lower, limits.upper) if edge is not None]


def _bracket(at: int, limits: Limits) -> str:
    if limits.lower is None:
        return "]"
    return "[" if at == 0 else "]"


def _column(value: float, left: float, right: float) -> int:
    share = (value - left) / (right - left)
    return min(max(round(share * (WIDTH - 1)), 0), WIDTH - 1)
