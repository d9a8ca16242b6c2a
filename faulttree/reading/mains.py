"""The public mains where a bench stands: what formulas read as ``mains.voltage``."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.quantity import Quantity
from faulttree.reading.typed import parse_quantity

STANDARD_MAINS: Mapping[str, Quantity] = {
    "mains.voltage": Quantity(Decimal(230), "V", "ac", text="230 V"),
    "mains.frequency": Quantity(Decimal(50), "Hz", text="50 Hz"),
}
"""Name in a formula → its value where no bench says another. IEC 60038."""

# No public mains lies outside these: 100 to 240 V at 50 or 60 Hz, three-phase up to 1000 V.
# From memory.
_MOST = {"mains.voltage": Decimal(1000), "mains.frequency": Decimal(1000)}


def read_mains(said: object) -> dict[str, str]:
    """The mains of a ``bench.yaml``, as an opening event keeps it.

    Args:
        said: the mapping under ``mains``; None where there is none.

    Returns:
        ``voltage`` and ``frequency`` as written, those that were given.

    Raises:
        ReadingError: a key or figure cannot be understood; ``key`` leads to the spot.

    Example:
        >>> read_mains({"voltage": "120 V", "frequency": "60 Hz"})
        {'voltage': '120 V', 'frequency': '60 Hz'}
    """
    if said is None:
        return {}
    if not isinstance(said, Mapping):
        raise ReadingError(
            "mains is a mapping", remedy="Write {voltage: 230 V, frequency: 50 Hz}.",
            key=("mains",),
        )  # fmt: skip
    kept: dict[str, str] = {}
    for name, value in said.items():
        if f"mains.{name}" not in STANDARD_MAINS:
            raise ReadingError(
                f"mains has no '{name}'",
                remedy="Known are voltage and frequency.",
                key=("mains", str(name)),
            )
        try:
            _value(f"mains.{name}", value)
        except ReadingError as error:
            remedy = f"Write it like {STANDARD_MAINS[f'mains.{name}'].text}."
            raise ReadingError(error.message, remedy=remedy, key=("mains", str(name))) from None
        kept[str(name)] = str(value)
    return kept


def mains_of(kept: Mapping[str, Any]) -> Mapping[str, Quantity]:
    """The values that formulas read, from what an opening event keeps.

    Example:
        >>> str(mains_of({"voltage": "120 V"})["mains.voltage"].value)
        '120'
        >>> str(mains_of({})["mains.frequency"].value)
        '50'
    """
    if not kept:
        return STANDARD_MAINS
    given = {f"mains.{name}": value for name, value in kept.items()}
    return {
        name: _value(name, given[name]) if name in given else standard
        for name, standard in STANDARD_MAINS.items()
    }


def _value(name: str, value: Any) -> Quantity:
    standard = STANDARD_MAINS[name]
    read = parse_quantity(value, standard.place)
    if read.value is None or not 0 < read.value <= _MOST[name]:
        raise ReadingError(
            f"'{value}' is no {name.replace('.', ' ')}",
            remedy=f"Write it like {standard.text}.",
        )
    return read
