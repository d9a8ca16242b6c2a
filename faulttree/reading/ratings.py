"""The register of component ratings: trees, schema, ``judge`` and docs all read it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading import capacitors
from faulttree.reading.register import Parameter, Rating

__all__ = ["RATINGS", "find_rating"]

PRACTICE = "common practice, no source"


def _capacitance(text: str = "rated capacitance") -> Parameter:
    return Parameter("capacitance", "F", text)


def _tolerance(default: str | None, of: str = "rated value") -> Parameter:
    return Parameter(
        "tolerance", None, f"of the {of}, or its letter", default is None, default, tolerance=True
    )


RATED_MAYBE = Parameter("rated", "V", "rated voltage", required=False)
RATED = Parameter("rated", "V", "rated voltage")
STATE = Parameter("state", None, "whether the part is used or new", False, "used", ("used", "new"))
FREQUENCY = Parameter("frequency", "Hz", "at which the meter reads", False, "120 Hz")

_ENTRIES: tuple[Rating, ...] = (
    Rating(
        "electrolytic", "capacitance", "F", "both", capacitors.electrolytic_capacitance,
        (_capacitance(), _tolerance("20 %"), RATED_MAYBE, STATE),
        "aluminium electrolytics, 20 °C", PRACTICE, "the capacitance",
    ),
    Rating(
        "electrolytic", "ESR", "ohm", "max", capacitors.electrolytic_esr,
        (_capacitance(), RATED_MAYBE,
         Parameter("tan_delta", "", "largest tan δ from the data sheet", required=False),
         FREQUENCY, STATE),
        "general-purpose aluminium electrolytics, 6.3 to 100 V, 120 Hz, 20 °C",
        f"tan δ = 2π f C · ESR, IEC 60384-1; tan δ by rated voltage {PRACTICE}",
        "the largest ESR",
    ),
    Rating(
        "electrolytic", "tan-delta", "", "max", capacitors.electrolytic_tan_delta,
        (_capacitance(), RATED, STATE),
        "general-purpose aluminium electrolytics, 6.3 to 100 V, 120 Hz, 20 °C", PRACTICE,
        "the largest tan δ",
    ),
    Rating(
        "electrolytic", "leakage", "A", "max", capacitors.electrolytic_leakage,
        (_capacitance(), RATED), "up to 100 V, after 2 min at rated voltage", PRACTICE,
        "the largest leakage",
    ),
)  # fmt: skip

RATINGS: dict[tuple[str, str], Rating] = {
    (entry.component, entry.quantity): entry for entry in _ENTRIES
}
"""(component, quantity) → how its limits are worked out."""


def find_rating(spec: Mapping[str, Any]) -> Rating:
    """The entry that ``{component: …, quantity: …}`` names.

    Raises:
        ReadingError: there is no such component or quantity, or none is named.
    """
    component = str(spec.get("component") or "")
    quantities = [quantity for name, quantity in RATINGS if name == component]
    if not quantities:
        from difflib import get_close_matches

        known = sorted({name for name, _ in RATINGS})
        near = get_close_matches(component, known, n=1)
        hint = f"Did you mean {near[0]}? " if near else ""
        raise ReadingError(
            f"'{component[:40]}' is no component known here",
            mend=f"{hint}Known are {', '.join(known)}.",
            key=("component",),
        )
    asked = spec.get("quantity")
    if asked is None and len(quantities) == 1:
        return RATINGS[component, quantities[0]]
    found = next((q for q in quantities if q.lower() == str(asked).lower()), None)
    if found is None:
        raise ReadingError(
            f"{component} has no quantity '{str(asked)[:40]}'"
            if asked is not None
            else f"which quantity of the {component} is meant is not said",
            mend=f"Give quantity: one of {', '.join(quantities)}.",
            key=("quantity",) if asked is not None else (),
        )
    return RATINGS[component, found]
