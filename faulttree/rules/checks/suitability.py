"""Rules about the fitness of a limit: good units meet it, an instrument can decide it, it is
this model's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from faulttree.errors import ReadingError
from faulttree.rules.context import RuleContext
from faulttree.rules.registry import rule
from faulttree.tree.finding import Finding
from faulttree.tree.model import InstrumentKind, Step, Where

if TYPE_CHECKING:
    from faulttree.reading import Limits

QUANTITIES: Mapping[str, tuple[str, ...]] = {
    "V": ("voltage", "ripple"),
    "A": ("current",),
    "ohm": ("resistance", "continuity", "ESR", "impedance"),
    "F": ("capacitance",),
    "H": ("inductance",),
    "W": ("power",),
    "VA": ("power",),
    "Hz": ("frequency",),
    "s": ("time",),
    "m": ("length",),
    "degC": ("temperature",),
}
"""Unit → words of what an instrument measures, as `shared/instruments.yaml` says it."""


@rule("suitability", "warning")
def good_unit_outside(subject: RuleContext) -> Iterator[Finding]:
    """The tree gives a reading of a good unit, and its own limit calls that reading bad. Every
    such unit would be repaired without need. Correct the limit, or the reading.

    Example:
        limits: {min: 40 ohm, max: 60 ohm, good: [45 ohm, 70 ohm]}
        # corrected: limits: {min: 40 ohm, max: 80 ohm, good: [45 ohm, 70 ohm]}
    """
    from faulttree.reading import judge, parse_quantity

    for step, limits in subject.resolved():
        good, alone = (step.limits or {}).get("good"), replace(limits, good=None)
        for number, text in enumerate(good if isinstance(good, list) else ()):
            try:
                outcome = judge([parse_quantity(text, limits.unit)], alone).outcome
            except ReadingError:
                continue
            if outcome not in (step.normal_outcome, "undecided"):
                yield Finding(
                    subject.limit_place(step, ("good", number)),
                    f"A good unit reads {text} at `{subject.name(step.id)}`, and the limit "
                    f"calls it `{outcome}`.",
                    "Correct the limit, or remove the reading.",
                )


@rule("suitability", "warning")
def instrument_cannot(subject: RuleContext) -> Iterator[Finding]:
    """None of the instruments that the step names can take this reading: they measure another
    quantity, or do not offer what the limit requires, such as a test voltage. The verdict would
    be about something else.

    Example:
        esr: {measure: ESR of the reservoir, needs: [rule], limits: {max: 300 mohm}, …}
        # corrected: needs: [esr-meter]
    """
    known = subject.tree.known_instruments
    for step, limits in subject.resolved():
        named = [known[name] for name in step.needs if name in known]
        words = QUANTITIES.get(limits.unit, ())
        measuring = [kind for kind in named if kind.measures]
        place = step.where.under("needs")
        if subject.raw(place) is None:
            place = step.where
        if words and measuring and not any(_measures(kind.measures, words) for kind in measuring):
            yield Finding(
                place,
                f"No instrument of `{subject.name(step.id)}` measures {words[0]}.",
                "Name one that does in `needs`.",
                of_key=True,
            )
            continue
        if named and not any(limits.takes(kind.id, kind.offers) for kind in named):
            yield _cannot(subject, step, limits, named, place)


def _cannot(
    subject: RuleContext, step: Step, limits: Limits, named: list[InstrumentKind], place: Where
) -> Finding:
    """What is said of instruments whose method, or what they offer, does not fit the limit."""
    method = limits.method
    assert method is not None
    needs = list(method.needs)
    offered = [one for kind in named for name in needs for one in kind.offers.get(name, ())]
    told = f" (they offer {', '.join(offered)})" if offered else ""
    return Finding(
        subject.limit_place(step, ("requires", *needs[:1])) if method.required else place,
        f"No instrument of `{subject.name(step.id)}` measures so{told}: {method.text}.",
        "Name one that does in `needs`, or correct `requires`.",
        of_key=not method.required,
    )


def _measures(listed: tuple[str, ...], words: tuple[str, ...]) -> bool:
    return any(word in what for what in listed for word in words)


@rule("suitability", "warning")
def figure_of_one_model(subject: RuleContext) -> Iterator[Finding]:
    """The tree is for several models, and a limit gives the figure of one of them where the tree
    itself says that the others have another. Good units of the other models are called bad.
    Take the figure from the rating.

    Example:
        ratings: {rail: {unit: V, models: {one-channel: 12 V, two-channel: 24 V}}}
        terminals: {…, limits: {nominal: 12 V, tolerance: 10 %}}
        # corrected: limits: {nominal: {formula: u, from: {u: rail}}, tolerance: 10 %}
    """
    for step in subject.tree.steps.values():
        for key in ("nominal", "min", "max"):
            value = (step.limits or {}).get(key)
            if isinstance(value, str | int | float) and not isinstance(value, bool):
                yield from _of_one_model(subject, step, key, value)


def _of_one_model(
    subject: RuleContext, step: Step, key: str, value: str | float
) -> Iterator[Finding]:
    unit = (step.limits or {}).get("unit") or step.unit
    for rating in subject.tree.ratings.values():
        same = [model for model, figure in rating.models.items() if _equal(value, figure, unit)]
        if same and len(same) < len(rating.models):
            place: Where = subject.limit_place(step, (key,))
            yield Finding(
                place,
                f"`{key}` of `{subject.name(step.id)}` is the figure of `{same[0]}` in "
                f"`{rating.id}`; other models differ.",
                f"Take it from the rating: {{formula: x, from: {{x: {rating.id}}}}}.",
            )
            return


def _equal(one: Any, figure: str, unit: Any) -> bool:
    from faulttree.reading import parse_quantity

    try:
        here = parse_quantity(one, unit if isinstance(unit, str) else None)
        there = parse_quantity(figure)
    except ReadingError:
        return False
    return (here.value, here.unit) == (there.value, there.unit)
