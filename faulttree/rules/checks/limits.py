"""Rules about limits: every reading can be judged, and every verdict leads on."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading import (
    STANDARD_MAINS,
    FormulaUse,
    formula_uses,
    outcomes_of,
    parse_quantity,
    resolve_limits,
)
from faulttree.reading.units import parse_unit
from faulttree.rules.context import RuleContext
from faulttree.rules.registry import rule
from faulttree.tree.finding import Finding
from faulttree.tree.model import Step, Where


@rule("limits", "error")
def impossible_limit(subject: RuleContext) -> Iterator[Finding]:
    """A limit that cannot be worked out judges nothing: an empty or inverted range, bands
    with a gap or an overlap, a tolerance that swallows the value, an unknown unit or two
    that differ, a rating outside the range its formula holds in, a formula that is none.

    Example:
        limits: {min: 12 V, max: 11 V}
    """
    for name, limits in subject.limits.items():
        if isinstance(limits, ReadingError):
            yield Finding(
                subject.limit_place(subject.tree.steps[name], limits.key),
                _sentence(limits.message),
                limits.remedy or "Correct the limits.",
            )
    yield from _impossible_for_a_model(subject)


def _impossible_for_a_model(subject: RuleContext) -> Iterator[Finding]:
    """Limits that follow from the ratings of a model, and that they leave impossible."""
    for step, limits in subject.resolved():
        if limits.missing or not _formulas(step):
            continue
        for model, ratings in subject.model_ratings.items():
            found = resolve_limits(step.limits or {}, unit=step.unit, ratings=ratings)
            if found.problem:
                yield Finding(
                    subject.limit_place(step, ()),
                    f"For the model `{model}`: {found.problem}.",
                    "Correct the formula, the figure beside it, or the rating of the model.",
                )
                break


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "?")) else ".")


def _outcomes(step: Step) -> tuple[str, ...]:
    """The outcomes that the limits of a step give; none where they are in no form."""
    if step.limits is None or step.kind != "measure":
        return ()
    try:
        return outcomes_of(step.limits)
    except ReadingError:
        return ()


@rule("limits", "error")
def outcome_without_target(subject: RuleContext) -> Iterator[Finding]:
    """The limits can give an outcome that leads nowhere. The walk stops there, in the
    middle, with the unit open.

    Example:
        limits: {nominal: 12 V, tolerance: 5 %}
        results: {low: dead-regulator, inside: hand-over}      # and `high`?
    """
    for step in subject.tree.steps.values():
        if "taken" in step.targets:
            continue
        for outcome in _outcomes(step):
            if outcome not in step.targets:
                yield Finding(
                    step.where.under("results"),
                    f"The limits of `{subject.name(step.id)}` can give `{outcome}`, "
                    "which leads nowhere.",
                    f"Add `{outcome}: <target>` to `results`.",
                    of_key=True,
                )


@rule("limits", "error")
def outcome_never_given(subject: RuleContext) -> Iterator[Finding]:
    """A target stands for an outcome that these limits cannot give: a limit is missing, or
    a name is misspelt, and what it leads to is never found this way.

    Example:
        limits: {max: 0.5 Ω}
        results: {inside: switch, high: broken-lead, low: hand-over}    # never `low`
    """
    for step in subject.tree.steps.values():
        given = _outcomes(step)
        if not given:
            continue
        for outcome in step.targets:
            if outcome in given or outcome in ("undecided", "taken"):
                continue
            place = subject.result_place(step, outcome)
            if place.keys[-1] == "outside":
                continue
            yield Finding(
                place,
                f"The limits of `{subject.name(step.id)}` never give `{outcome}`.",
                f"They give {', '.join(f'`{name}`' for name in given)}.",
                of_key=True,
            )


@rule("limits", "note")
def limit_without_source(subject: RuleContext) -> Iterator[Finding]:
    """A figure without a source cannot be weighed: a maker's sheet, a standard and a guess
    look the same. Say where it comes from, even if it is the shop's own.

    Example:
        limits: {nominal: 34 V, tolerance: 10 %}      # says who?
    """
    for step in subject.tree.steps.values():
        if step.limits is None or step.source:
            continue
        if not step.limits.get("source") and "component" not in step.limits:
            yield Finding(
                step.where.under("limits"),
                f"The limits of `{subject.name(step.id)}` have no source.",
                "Add `source:` with where the figures come from.",
            )


@rule("limits", "note")
def limit_without_basis(subject: RuleContext) -> Iterator[Finding]:
    """`basis` says what a limit rests on: a standard, a formula, common practice, a rating that
    the user is asked for, or figures of the shop itself. In a file that says it of some limits,
    the others look forgotten. In the library that ships every limit needs a basis, and no limit
    rests on figures of a shop. A library that is marked as invented is not asked.

    Example:
        rail: {measure: Rail, limits: {min: 11 V, basis: standard, source: the guide}, …}
        drop: {measure: Drop, limits: {max: 50 mV, source: two good units}, …}    # basis?
    """
    refused = (None, "shop") if subject.shipped else (None,)
    limited: dict[str, dict[str, str | None]] = {}
    for step in subject.tree.steps.values():
        if step.limits is not None and not subject.tree.invented:
            basis = step.limits.get("basis")
            limited.setdefault(step.where.document, {})[subject.name(step.id)] = basis
    for document, bases in limited.items():
        lacking = [name for name, basis in bases.items() if basis in refused]
        if lacking and (subject.shipped or any(bases.values())):
            yield Finding(
                Where(document, ("steps",)),
                f"Limits have no `basis` that holds here: {', '.join(lacking)}.",
                "Add `basis` to them: standard, formula, practice, asked, or a shop's own: shop.",
                of_key=True,
            )


@rule("limits", "warning")
def limit_without_unit(subject: RuleContext) -> Iterator[Finding]:
    """The figures have no unit, and no `unit` names one. A reading with a unit cannot be
    judged by them, and one without may be in another prefix. A plain count may be accepted
    with that as its reason.

    Example:
        limits: {max: 7 m}      # seven metres, or seven thousandths of what?
    """
    for step, limits in subject.resolved():
        if limits.unit or limits.component or limits.missing:
            continue
        yield Finding(
            subject.limit_place(step, ()),
            f"The limits of `{subject.name(step.id)}` have no unit.",
            "Write it behind the figures, or as `unit:`.",
        )


@rule("limits", "warning")
def outside_of_one_side(subject: RuleContext) -> Iterator[Finding]:
    """`outside` stands for low and high together, and these limits have one side only. Mostly
    the other limit was forgotten, and every reading on that side passes as good.

    Example:
        limits: {max: 0.5 Ω}
        results: {inside: switch, outside: broken-lead}      # or is there a `min` too?
    """
    for step in subject.tree.steps.values():
        place = step.where.under("results", "outside")
        if len(_outcomes(step)) == 2 and subject.raw(place) is not None:
            side = next(one for one in _outcomes(step) if one != "inside")
            yield Finding(
                place,
                f"The limits of `{subject.name(step.id)}` give `{side}` only, not both sides.",
                f"Write `{side}` for `outside`, or add the other limit.",
                of_key=True,
            )


@rule("limits", "warning")
def tolerance_beyond_nominal(subject: RuleContext) -> Iterator[Finding]:
    """The tolerance is larger than the value it is for, so that a reading of the opposite
    sign, or of nothing at all, passes as good.

    Example:
        limits: {nominal: 5 V, tolerance: 6 V}
    """
    for step, limits in subject.resolved():
        nominal = limits.nominal
        if nominal is None or limits.component or limits.lower is None or limits.upper is None:
            continue
        if nominal and limits.unit not in ("degC", "K", "dB") and limits.lower <= 0 <= limits.upper:
            yield Finding(
                subject.limit_place(step, ("tolerance",)),
                f"The tolerance of `{subject.name(step.id)}` is as large as the value itself.",
                "Correct the tolerance, or give `min` and `max`.",
            )


# -- formulas --------------------------------------------------------------------------


def _formulas(step: Step) -> tuple[FormulaUse, ...]:
    """The formulas in a step's limits; none where one cannot be read."""
    try:
        return tuple(formula_uses(step.limits or {}))
    except ReadingError:
        return ()


def _sources(subject: RuleContext) -> Iterator[tuple[Step, Where, str]]:
    """Each step with the place and name of what a formula of it takes a value from."""
    for step in subject.tree.steps.values():
        for use in _formulas(step):
            for name, source in use.names.items():
                yield step, subject.limit_place(step, (*use.path, "from", name)), source


def _keeps_value(subject: RuleContext, name: str) -> bool:
    step = subject.tree.steps.get(name)
    return step is not None and step.kind == "measure"


def comes_after(subject: RuleContext, source: str, name: str) -> bool:
    """Whether a walk can come from one step to another one."""
    if subject.graph.order is None:
        return source != name and name in subject.beyond(source)
    return source != name and subject.leads_to(source, name)


@rule("limits", "error")
def formula_never_known(subject: RuleContext) -> Iterator[Finding]:
    """A formula takes a value that no walk can have: from a step or rating that does not
    exist, from a step that is no `measure`, or from one that only comes later. The verdict
    would always be undecided.

    Example:
        limits: {max: {formula: "u / 2", from: {u: reservior}}, unit: V}
    """
    for step, place, source in _sources(subject):
        if source in subject.tree.ratings or source in STANDARD_MAINS:
            continue
        if source not in subject.tree.steps and subject.own != "tree":
            continue  # it may be a rating of the trees that use the procedure
        if source not in subject.tree.steps:
            message = f"`{source}` is no step that measures, no rating, and no value of the mains."
        elif not _keeps_value(subject, source):
            message = f"`{subject.name(source, place)}` is no `measure`: it gives no value."
        elif step.id in subject.graph.reached and not comes_after(subject, source, step.id):
            message = (
                f"`{subject.name(source, place)}` is never read before "
                f"`{subject.name(step.id, place)}`."
            )
        else:
            continue
        yield Finding(
            place,
            message,
            "Name a step that is read on the way here, a rating, mains.voltage or mains.frequency.",
        )


@rule("limits", "warning")
def formula_may_miss(subject: RuleContext) -> Iterator[Finding]:
    """On some way to this step the reading that its formula needs has not been taken. On
    that way every verdict is undecided.

    Example:
        fuse:  {ask: Is it intact?, answers: {intact: input, blown: output}}
        input: {measure: Input, unit: V, then: output}
        output:
          measure: Output
          limits: {max: {formula: "u / 2", from: {u: input}}, unit: V}    # `input` was not read
    """
    for step, place, source in _sources(subject):
        if not _keeps_value(subject, source) or source == step.id or source in step.after:
            continue
        if step.id not in subject.graph.reached or not comes_after(subject, source, step.id):
            continue
        if any(
            step.id in subject.beyond(entry, frozenset([source]))
            for entry in _entries(subject, step)
        ):
            yield Finding(
                place,
                f"A way leads to `{subject.name(step.id, place)}` without a reading of "
                f"`{subject.name(source, place)}`.",
                "Take the reading on every way, or name it in `after`.",
            )


def _entries(subject: RuleContext, step: Step) -> tuple[str, ...]:
    """Where walks to a step begin; one in the closing has the whole walk behind it."""
    if not step.id.startswith("closing."):
        return (subject.tree.start,)
    held = subject.tree.uses.get(".".join(step.id.split(".")[:2]))
    return (held.start,) if held is not None else ()


@rule("limits", "warning")
def formula_mixes_units(subject: RuleContext) -> Iterator[Finding]:
    """A formula adds or compares values of different units, or passes one on as if it were
    another: amperes are judged as volts and the verdict means nothing.

    Example:
        limits: {max: {formula: "u", from: {u: input-current}}, unit: V}
    """
    for step in subject.tree.steps.values():
        for use in _formulas(step):
            units = {name: _unit_of(subject, source) for name, source in use.names.items()}
            wanted = _base((step.limits or {}).get("unit") or step.unit)
            mixed = _mixed(use.text, units, wanted)
            if mixed:
                yield Finding(
                    subject.limit_place(step, (*use.path, "formula")),
                    f"The formula mixes {mixed[0] or 'a plain number'} and "
                    f"{mixed[1] or 'a plain number'}.",
                    "Take readings of one unit, or correct the unit.",
                )


def _base(unit: Any) -> str | None:
    try:
        return parse_unit(str(unit)).unit if unit else None
    except ReadingError:
        return None


def _unit_of(subject: RuleContext, source: str) -> str | None:
    """The base unit of a reading or rating, None where nothing is said."""
    if source in subject.tree.ratings:
        return _base(subject.tree.ratings[source].unit)
    step = subject.tree.steps.get(source)
    if step is None:
        return STANDARD_MAINS[source].unit if source in STANDARD_MAINS else None
    found = subject.limits_at(source)
    return _base(step.unit) if found is None else found.unit or None


def _mixed(
    formula: str, units: Mapping[str, str | None], wanted: str | None
) -> tuple[str, str] | None:
    """Two units that meet where only one may be; None where none are seen to."""
    try:
        tree = ast.parse(formula.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        return None
    clash: list[tuple[str, str]] = []

    def unit(node: ast.expr) -> str | None:
        if isinstance(node, ast.Name):
            return units.get(node.id)
        if isinstance(node, ast.UnaryOp):
            return unit(node.operand)
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub):
            return meet([unit(node.left), unit(node.right)])
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("min", "max"):
            return meet([unit(argument) for argument in node.args])
        if isinstance(node, ast.BinOp):
            unit(node.left)
            unit(node.right)
        return None

    def meet(found: list[str | None]) -> str | None:
        known = [name for name in found if name is not None]
        clash.extend((known[0], other) for other in known[1:] if other != known[0])
        return known[0] if known else None

    meet([unit(tree), wanted])
    return clash[0] if clash else None


@rule("limits", "error")
def bad_rating(subject: RuleContext) -> Iterator[Finding]:
    """A rating that differs by model has a unit that is none, or a value in another one. A
    formula over it cannot be worked out for that model.

    Example:
        ratings: {rail: {unit: V, models: {two-channel: 34 A}}}
    """
    for rating in subject.tree.ratings.values():
        where = Where("tree", ("ratings", rating.id))
        try:
            parse_unit(rating.unit)
        except ReadingError as error:
            yield Finding(
                where.under("unit"), _sentence(error.message), error.remedy or "Correct it."
            )
            continue
        for model, text in rating.models.items():
            try:
                parse_quantity(text, rating.unit)
            except ReadingError as error:
                yield Finding(
                    where.under("models", model),
                    _sentence(error.message),
                    error.remedy or "Correct it.",
                )


@rule("limits", "error")
def rating_named_as_step(subject: RuleContext) -> Iterator[Finding]:
    """A rating has the name of a step. A formula that uses the name takes the rating until the
    step is read, and the reading afterwards: two values under one name.

    Example:
        ratings: {rail: {unit: V, models: {two-channel: 34 V}}}
        steps:   {rail: {measure: Rail, …}}      # rename one: rated-rail
    """
    for name in subject.tree.ratings:
        if name in subject.tree.steps or name in subject.tree.uses:
            yield Finding(
                Where("tree", ("ratings", name)),
                f"`{name}` is a step as well.",
                "Rename one of the two: `faulttree rename` changes the step everywhere.",
                of_key=True,
            )


@rule("limits", "error")
def unknown_unit(subject: RuleContext) -> Iterator[Finding]:
    """A reading is kept in a unit that is none, so that no reading can be typed in.

    Example:
        room: {measure: Room temperature, unit: degrees, then: sensor}
    """
    for step in subject.tree.steps.values():
        if step.unit is None or step.limits is not None or "{" in step.unit:
            continue
        try:
            parse_unit(step.unit)
        except ReadingError as error:
            yield Finding(
                step.where.under("unit"), _sentence(error.message), error.remedy or "Correct it."
            )
