"""The register of component ratings: trees, schema, ``judge`` and docs all read it."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.method import Method
from faulttree.reading.ratings import capacitors, parts, temperature, thermocouples
from faulttree.reading.ratings.register import ComponentRating, Parameter
from faulttree.reading.units import unit_text

__all__ = ["RATINGS", "find_rating", "ratings_page"]

ATX = "desktop power supply design guide for the ATX form factor, from memory; editions differ"
OWN = "a figure of your own instead of the usual one"
PRACTICE = "common practice, no source"


def _capacitance(text: str = "rated capacitance") -> Parameter:
    return Parameter("capacitance", "F", text)


def _resistance(text: str) -> Parameter:
    return Parameter("resistance", "ohm", text)


def _tolerance(default: str | list[str] | None, of: str = "rated value") -> Parameter:
    return Parameter(
        "tolerance", None, f"of the {of}, or its letter", default is None, default, tolerance=True
    )


RATED_MAYBE = Parameter("rated", "V", "rated voltage", required=False)
RATED = Parameter("rated", "V", "rated voltage")
STATE = Parameter("state", None, "whether the part is used or new", False, "used", ("used", "new"))
RAIL = Parameter("rail", "V", "nominal voltage, with its sign", sign="any")
TEMPERATURE = Parameter("temperature", "degC", "temperature of the sensor", sign="any")
FREQUENCY = Parameter("frequency", "Hz", "at which the meter reads", required=False)
HOLDS_AT = Parameter("holds_at", "Hz", "at which the given tan_delta holds", required=False)

# IEC 61557-2 (insulation) and IEC 61557-4 (earth path, 0.2 A at least), from memory.
INSULATION_TESTER = Method(
    "insulation",
    ("insulation-tester", "appliance-tester"),
    "insulation needs an insulation tester at 500 V d.c.",
    "the few volts of other meters do not show a breakdown",
    needs={"test_voltage": "500 V"},
)
EARTH_TESTER = Method(
    "earth-path",
    ("earth-tester", "appliance-tester"),
    "a protective-earth path needs an earth tester with a test current of 0.2 A or more",
    "the small current of other meters does not show a path that fails under load",
    Decimal(1),
    needs={"test_current": "0.2 A"},
)
ESR_METER = Method(
    "ESR",
    ("esr-meter", "lcr-meter"),
    "ESR needs an ESR meter or LCR meter, which measures with a.c.",
    "a d.c. resistance is not ESR",
    needs={"test_signal": "a.c."},
)

_ENTRIES: tuple[ComponentRating, ...] = (
    ComponentRating(
        "electrolytic", "capacitance", "F", "both", capacitors.electrolytic_capacitance,
        (_capacitance(), _tolerance("20 %"), RATED_MAYBE, STATE),
        "aluminium electrolytics, 20 °C", PRACTICE, "the capacitance",
    ),
    ComponentRating(
        "electrolytic", "ESR", "ohm", "max", capacitors.electrolytic_esr,
        (_capacitance(), RATED_MAYBE,
         Parameter("tan_delta", "", "largest tan δ from the data sheet", required=False),
         FREQUENCY, HOLDS_AT, STATE),
        "general-purpose aluminium electrolytics, 6.3 to 100 V, 120 Hz, 20 °C",
        f"tan δ = 2π f C · ESR, IEC 60384-1; tan δ by rated voltage {PRACTICE}",
        "the largest ESR", method=ESR_METER,
    ),
    ComponentRating(
        "electrolytic", "tan-delta", "", "max", capacitors.electrolytic_tan_delta,
        (_capacitance(), RATED, STATE),
        "general-purpose aluminium electrolytics, 6.3 to 100 V, 120 Hz, 20 °C", PRACTICE,
        "the largest tan δ",
    ),
    ComponentRating(
        "electrolytic", "leakage", "A", "max", capacitors.electrolytic_leakage,
        (_capacitance(), RATED), "up to 100 V, after 2 min at rated voltage", PRACTICE,
        "the largest leakage", "dc",
    ),
    *(
        ComponentRating(
            component, "capacitance", "F", "both", capacitors.capacitance_limits,
            (_capacitance(), _tolerance(default), RATED_MAYBE), validity,
            f"marking code IEC 60062; {shown} where none is marked, {PRACTICE}",
            "the capacitance",
        )
        for component, default, shown, validity in (
            ("film-capacitor", "10 %", "10 %", "film capacitors, 20 °C"),
            ("ceramic-capacitor", "20 %", "20 %",
             "ceramic capacitors, 20 °C, no bias; class 2 loses with bias and age"),
            ("run-capacitor", "10 %", "10 %", "motor run capacitors, 20 °C"),
            ("start-capacitor", ["0 %", "+25 %"], "0 to +25 %",
             "electrolytic motor start capacitors, 20 °C"),
        )
    ),
    ComponentRating(
        "resistor", "resistance", "ohm", "both", parts.resistor,
        (_resistance("marked resistance"), _tolerance("5 %")), "cold and unpowered",
        f"marking code IEC 60062; 5 % where none is marked, {PRACTICE}", "the resistance",
    ),
    ComponentRating(
        "fuse", "resistance", "ohm", "max", parts.fuse_resistance,
        (Parameter("rated", "A", "rated current"),
         Parameter("drop", "V", "largest voltage drop at rated current", required=False)),
        "miniature fuses, cold; 200 mA to 6.3 A without drop", "IEC 60127-2, from memory",
        "the largest resistance",
    ),
    ComponentRating(
        "junction", "forward-voltage", "V", "both", parts.junction_voltage,
        (Parameter("type", None, "kind of junction", choices=tuple(parts.JUNCTIONS)),),
        "a meter's diode range, about 1 mA, 20 °C", PRACTICE, "the forward voltage",
        "dc",
    ),
    ComponentRating(
        "inductor", "inductance", "H", "both", parts.inductor,
        (Parameter("inductance", "H", "rated inductance"), _tolerance("20 %")),
        "at the frequency and level of the data sheet", f"20 % where none is marked, {PRACTICE}",
        "the inductance",
    ),
    ComponentRating(
        "winding", "resistance", "ohm", "both", parts.winding,
        (_resistance("resistance of a good one"), _tolerance("10 %"),
         Parameter("temperature", "degC", "temperature of the good one", False, "20 degC",
                   sign="any")),
        "copper; at one temperature, or with the temperature of the reading behind it",
        f"{PRACTICE}; temperature of copper IEC 60028", "the resistance",
    ),
    ComponentRating(
        "transformer", "secondary-voltage", "V", "both", parts.winding_voltage,
        (Parameter("primary", "V ac", "voltage on the primary"),
         Parameter("ratio", "", "secondary turns over primary turns"), _tolerance("10 %")),
        "no load", PRACTICE, "the open-circuit voltage", "ac",
    ),
    *(
        ComponentRating(
            f"pt{r0}", "resistance", "ohm", "both", temperature.platinum_limits,
            (TEMPERATURE,
             Parameter("accuracy", None, "class", False, "B", tuple(temperature.PT_CLASSES))),
            "-200 to 850 °C", "IEC 60751, from memory", "the resistance",
            fixed={"r0": Decimal(r0)},
        )
        for r0 in (100, 1000)
    ),
    ComponentRating(
        "ntc", "resistance", "ohm", "both", temperature.ntc_limits,
        (_resistance("resistance at 25 °C"), Parameter("beta", "K", "B value"), TEMPERATURE,
         _tolerance("5 %"),
         Parameter("beta_tolerance", None, "of the B value, in %", False, "0 %", tolerance=True)),
        "-55 to 155 °C; the further from 25 °C, the less exact", "beta equation",
        "the resistance",
    ),
    *(
        ComponentRating(
            f"thermocouple-{letter}", "voltage", "V", "both", thermocouples.thermocouple_limits,
            (TEMPERATURE,
             Parameter("reference", "degC", "temperature of the cold junction", False, "0 degC",
                       sign="any"),
             Parameter("accuracy", None, "class", False, "2", tuple(classes))),
            ", ".join(f"{c.start:g} to {c.end:g} °C (class {name})" for name, c in classes.items()),
            "ITS-90 reference function; IEC 60584-1, from memory", "the voltage", "dc",
            fixed={"letter": letter},
        )
        for letter, classes in thermocouples.CLASSES.items()
    ),
    ComponentRating(
        "battery", "voltage", "V", "both", parts.cell_voltage,
        (Parameter("chemistry", None, "chemistry", choices=tuple(parts.CELLS)),
         Parameter("cells", "", "cells in series", False, "1"),
         Parameter("charge", None, "state of charge", False, "any",
                   ("any", "nominal", "full", "half", "empty"))),
        "at rest, 20 °C", PRACTICE, "the voltage", "dc",
    ),
    ComponentRating(
        "battery", "spread", "V", "max", parts.cell_spread,
        (Parameter("spread", "V", "largest difference between cells", False, "0.1 V"),),
        "li-ion packs at rest", PRACTICE, "the largest spread", "dc",
    ),
    ComponentRating(
        "supply-rail", "voltage", "V", "both", parts.supply_rail,
        (RAIL,
         Parameter("tolerance", None, "of the rail; 5 %, and 10 % for -12 V", False,
                   tolerance=True)),
        "d.c. rails under load", ATX, "the voltage", "dc",
    ),
    ComponentRating(
        "supply-rail", "ripple", "V", "max", parts.ripple_limit,
        (RAIL,
         Parameter("limit", "V p-p", OWN, required=False)),
        "10 Hz to 20 MHz, 0.1 µF and 10 µF across the connector", ATX, "the largest ripple",
        "pp",
    ),
    ComponentRating(
        "supply-rail", "power-good-delay", "s", "both", parts.power_good_delay,
        (Parameter("edition", None, "of the design guide", False, "newer",
                   tuple(parts.POWER_GOOD)),),
        "desktop supplies", ATX, "the delay",
    ),
    ComponentRating(
        "usb-port", "voltage", "V", "both", parts.usb_voltage,
        (Parameter("port", None, "kind of port", False, "high-power", tuple(parts.USB_PORTS)),),
        "at the port", "USB 2.0 specification, from memory", "the voltage", "dc",
    ),
    ComponentRating(
        "mains", "voltage", "V", "both", parts.mains_voltage,
        (Parameter("nominal", "V ac", "nominal voltage", False,
                   {"formula": "u", "from": {"u": "mains.voltage"}}),),
        "at the supply terminals", "IEC 60038", "the voltage", "ac",
    ),
    ComponentRating(
        "loudspeaker", "resistance", "ohm", "both", parts.loudspeaker_resistance,
        (Parameter("impedance", "ohm", "rated impedance"),), "d.c., cone at rest", PRACTICE,
        "the resistance",
    ),
    ComponentRating(
        "universal-motor", "field-coil", "ohm", "both", parts.matched,
        (Parameter("other", "ohm", "resistance of the other coil"), _tolerance("10 %", "other")),
        "at one temperature", PRACTICE, "the resistance",
    ),
    ComponentRating(
        "universal-motor", "commutator-bar", "ohm", "both", parts.commutator_bar,
        (Parameter("mean", "ohm", "mean of neighbouring bars"), _tolerance("10 %", "mean")),
        "at one temperature", PRACTICE, "the resistance",
    ),
    ComponentRating(
        "insulation", "resistance", "ohm", "min", parts.insulation,
        (Parameter("protection", None, "class of protection", choices=("I", "II")),
         Parameter("limit", "ohm", OWN, required=False)),
        "500 V d.c., switch on; heating elements have less",
        f"{PRACTICE}; the local code decides", "the least insulation", method=INSULATION_TESTER,
    ),
    ComponentRating(
        "protective-earth", "resistance", "ohm", "max", parts.earth_path,
        (Parameter("lead", "ohm", "resistance of the lead's earth conductor", False, "0 ohm",
                   sign="not-negative"),
         Parameter("limit", "ohm", OWN, False, "0.1 ohm")),
        "appliances with a protective earth", f"{PRACTICE}; the local code decides",
        "the largest resistance", method=EARTH_TESTER,
    ),
)  # fmt: skip

RATINGS: dict[tuple[str, str], ComponentRating] = {
    (entry.component, entry.quantity): entry for entry in _ENTRIES
}
"""(component, quantity) → how its limits are worked out."""


def find_rating(spec: Mapping[str, Any]) -> ComponentRating:
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
            remedy=f"{hint}Known are {', '.join(known)}.",
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
            remedy=f"Give quantity: one of {', '.join(quantities)}.",
            key=("quantity",) if asked is not None else (),
        )
    return RATINGS[component, found]


def ratings_page() -> str:
    """The register as a page of the docs, in Markdown."""
    lines = [
        "# Ratings of components",
        "",
        "Made from the register by `make docs`; do not edit by hand. What they mean is told in",
        "[From a reading to a verdict](verdicts.md).",
        "",
    ]
    for entry in RATINGS.values():
        unit = unit_text(entry.unit, entry.kind) or "a plain number"
        sides = {"both": "low, inside, high", "min": "low, inside", "max": "inside, high"}
        lines += [
            f"## {entry.component}: {entry.quantity}",
            "",
            f"Read in {unit}; outcomes {sides[entry.sides]}.",
            f"Holds for: {entry.validity}. Source: {entry.source}.",
            *_method_row(entry),
            "",
            "| key | needed | what it is |",
            "| --- | --- | --- |",
            *(_parameter_row(parameter) for parameter in entry.parameters),
            "",
        ]
    return "\n".join(lines).rstrip() + "\n"


def _method_row(entry: ComponentRating) -> list[str]:
    if entry.method is None:
        return []
    kinds = " or ".join(f"`{kind}`" for kind in entry.method.kinds)
    return [f"Instrument: {entry.method.text}; {entry.method.reason}. Kind: {kinds}."]


def _parameter_row(parameter: Parameter) -> str:
    said = parameter.text
    if parameter.unit:
        said += f", in {parameter.unit}"
    if parameter.choices:
        said += f": {', '.join(f'`{choice}`' for choice in parameter.choices)}"
    if parameter.default is not None:
        plain = parameter.default
        if isinstance(plain, Mapping):
            plain = list(plain["from"].values())
        said += f"; `{plain if isinstance(plain, str) else ', '.join(plain)}` if left out"
    return f"| `{parameter.name}` | {'yes' if parameter.required else ''} | {said} |"
