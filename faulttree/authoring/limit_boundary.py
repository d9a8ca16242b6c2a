"""Move one boundary of limits to a round figure between two readings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from faulttree.errors import FaulttreeError
from faulttree.reading import Quantity, resolve_limits
from faulttree.reading.quantity import show_exact

Edit = tuple[tuple[str | int, ...], Any]
"""(keys within the limits, new value)"""

FINEST = 12
"""Significant digits after which two readings count as equal."""


def roundest(one: Decimal, other: Decimal) -> Decimal | None:
    """The figure between two others that has fewest digits, and of these the middlemost.

    None if the two are equal.

    Example:
        >>> roundest(Decimal("0.29"), Decimal("0.52")), roundest(Decimal("9.2"), Decimal("9.4"))
        (Decimal('0.4'), Decimal('9.3'))
    """
    low, high = sorted((one, other))
    middle, step = (low + high) / 2, Decimal(1).scaleb(max(low.adjusted(), high.adjusted()) + 1)
    for _ in range(FINEST):
        found = (middle / step).to_integral_value() * step
        if low < found < high:
            return found
        step /= 10
    return None


def boundary_edits(
    raw: Mapping[str, Any],
    spec: Mapping[str, Any],
    outcomes: tuple[str, str],
    value: Quantity,
    other: Decimal,
) -> Iterator[list[Edit]]:
    """Edits that move the boundary between two outcomes, so that a reading changes sides.

    Args:
        raw: the limits as the file has them.
        spec: the same with the step's unit.
        outcomes: (outcome of the reading now, wanted outcome).
        value: the reading, in the base unit.
        other: the nearest reading that keeps its outcome.
    """
    assert value.value is not None
    if any(isinstance(item, Mapping) for item in raw.values()):
        return
    bound = roundest(value.value, other)
    if bound is None:
        return
    said = show_exact(bound, value.unit, value.kind)
    if "bands" in raw:
        yield from _band_moved(raw["bands"], outcomes, said)
        return
    side = next((one for one in outcomes if one != "inside"), "")
    if "inside" not in outcomes or side not in ("low", "high"):
        return
    key = "min" if side == "low" else "max"
    if "nominal" in raw:
        yield from _tolerance_moved(raw, spec, (value.value, other), side)
    elif "component" not in raw and key in raw:
        yield [((key,), said)]


def _tolerance_moved(
    raw: Mapping[str, Any], spec: Mapping[str, Any], between: tuple[Decimal, Decimal], side: str
) -> Iterator[list[Edit]]:
    """The tolerance as a pair in percent of the nominal value, one side of it moved."""
    try:
        limits = resolve_limits(spec)
    except FaulttreeError:
        return
    nominal, lower, upper = limits.nominal, limits.lower, limits.upper
    if not nominal or lower is None or upper is None or "tolerance" not in raw:
        return
    one, other = (100 * (end - nominal) / abs(nominal) for end in between)
    moved = roundest(one, other)
    if moved is None or (moved > 0) != (side == "high"):
        return
    kept = 100 * ((lower if side == "high" else upper) - nominal) / abs(nominal)
    pair = (moved, kept) if side == "low" else (kept, moved)
    yield [(("tolerance",), [_percent(one) for one in pair])]


def _percent(share: Decimal) -> str:
    return f"{share.normalize():+.6f}".rstrip("0").rstrip(".") + " %"


def _band_moved(
    bands: list[Mapping[str, Any]], outcomes: tuple[str, str], said: str
) -> Iterator[list[Edit]]:
    """The boundary between two adjacent bands."""
    names = [str(band.get("name")) for band in bands]
    if not set(outcomes) <= set(names):
        return
    low, high = sorted(names.index(one) for one in outcomes)
    if high == low + 1 and "below" in bands[low] and "from" in bands[high]:
        yield [(("bands", low, "below"), said), (("bands", high, "from"), said)]
