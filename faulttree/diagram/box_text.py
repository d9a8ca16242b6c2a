"""Texts of the boxes of steps, faults and stops: short on the box, full in the tooltip."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from faulttree.diagram.escape import plain, plain_lines
from faulttree.errors import FaulttreeError
from faulttree.tree.model import Fault, Step, Stop, Tree, Use

Signal = tuple[str, str]
"""A signal word of ISO 3864-2 and the name of the caution that has it."""

REASONS = {
    "out-of-scope": "beyond this tree",
    "licensed": "only a licensed person may go on",
    "unsafe": "unsafe to go on",
    "uneconomic": "not worth repairing",
    "no-fault-found": "no fault found",
}

_ORDER = {"DANGER": 0, "WARNING": 1, "CAUTION": 2}


def order_of_signal(signal: str) -> int:
    """The gravest first; an unknown caution last."""
    return _ORDER.get(signal, 3)


def signals(tree: Tree, names: Iterable[str]) -> tuple[Signal, ...]:
    """The cautions by these names with their signal words, the gravest first."""
    known = tree.known_cautions
    found = [(known[name].signal if name in known else "", plain(name)) for name in names]
    return tuple(sorted(found, key=lambda pair: order_of_signal(pair[0])))


def minute_words(minutes: float | None) -> str:
    """``4 min``, or an empty text if the tree gives no minutes."""
    return "" if minutes is None else f"{minutes:g} min"


def limit_words(limits: Mapping[str, Any] | None, unit: str | None = None) -> tuple[str, ...]:
    """The expected reading: limits as written in the tree, then as figures."""
    if not limits:
        return ()
    return _limit_words(_Spec(limits), unit)


class _Spec:
    """A limit as a plain mapping, so that equal limits are computed once."""

    def __init__(self, limits: Mapping[str, Any]) -> None:
        self.limits = limits
        self.text = repr(limits)

    def __hash__(self) -> int:
        return hash(self.text)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Spec) and other.text == self.text


@lru_cache(maxsize=2048)
def _limit_words(spec: _Spec, unit: str | None) -> tuple[str, ...]:
    from faulttree.reading.limit_resolution import resolve_limits
    from faulttree.reading.limits import limits_text

    limits = spec.limits
    said = []
    if "nominal" in limits and not isinstance(limits["nominal"], Mapping):
        said.append(f"{plain(limits['nominal'])} {_tolerance(limits.get('tolerance'))}".strip())
    elif "component" in limits:
        said.append(_component(limits))
    try:
        found = resolve_limits(limits, unit=unit, mains={})
        if found.bands:
            said += [plain(text) for text in limits_text(found).split(", ")]
        elif found.missing:
            said += _formulas(limits)
        else:
            said.append(plain(limits_text(found)))
    except (FaulttreeError, TypeError, ValueError, KeyError, ArithmeticError):
        # `check` reports an invalid limit; a picture shows the written text.
        said += [
            f"{plain(key)} {plain(value)}"
            for key, value in limits.items()
            if key in ("min", "max") and not isinstance(value, Mapping)
        ] + _formulas(limits)
    return tuple(said) or (plain(dict(limits)),)


def _tolerance(tolerance: object) -> str:
    if tolerance is None:
        return ""
    if isinstance(tolerance, list | tuple):
        return " ".join(plain(part) for part in tolerance)
    return f"±{plain(tolerance).removeprefix('±').strip()}"


def _component(limits: Mapping[str, Any]) -> str:
    rest = [
        plain(value)
        for key, value in limits.items()
        if key in ("capacitance", "resistance", "rated", "tolerance")
        and not isinstance(value, Mapping)
    ]
    kind = f"{plain(limits.get('quantity', ''))} of {plain(limits['component'])}"
    return " ".join([kind.removeprefix(" of "), *rest])


def _formulas(limits: Mapping[str, Any]) -> list[str]:
    """The figures that are computed, by the names of the readings and ratings they come from."""
    unit = plain(limits.get("unit", ""))
    said = []
    for key, value in limits.items():
        if isinstance(value, Mapping):
            tolerance = _tolerance(limits.get("tolerance")) if key == "nominal" else ""
            said.append(" ".join(f"{plain(key)} {_figure(value, unit)} {tolerance}".split()))
    for band in limits.get("bands", ()):
        ends = [f"{end} {_figure(band[end], unit)}" for end in ("from", "below") if end in band]
        said.append(" ".join([plain(band.get("name", "")), *ends]))
    return said


def _figure(value: object, unit: str) -> str:
    """A figure as it is written; of a formula, with the sources in the place of its names."""
    if not isinstance(value, Mapping):
        return plain(value)
    sources = dict(value.get("from") or {})
    text = re.sub(
        r"[A-Za-z_]\w*",
        lambda name: str(sources.get(name.group(), name.group())),
        str(value.get("formula", "")),
    )
    return f"{plain(text)} {unit}".rstrip()


def step_facts(step: Step) -> tuple[str, ...]:
    """The lines under a step's text: limits, then conditions."""
    facts = list(limit_words(step.limits, step.unit))
    if step.limits is None and step.kind == "measure" and step.unit:
        facts.append(f"value in {plain(step.unit)}")
    return tuple(facts)


def step_conditions(step: Step) -> str:
    """The conditions of the step, in a few words."""
    said = []
    if step.live:
        said.append("powered")
    said += [plain(name) for name in step.access]
    if step.in_circuit == "never":
        said.append("part isolated")
    said += [plain(name) for name in step.conditions]
    if step.wait:
        wait = f"{step.wait / 60:g} min" if step.wait >= 60 else f"{step.wait:g} s"
        said.append(f"wait {wait}")
    return " · ".join(said)


def step_tip(tree: Tree, step: Step) -> str:
    """The full text of a step, line by line."""
    lines = [f"{step.id}: {step.text}", step.how]
    lines += [f"limits: {', '.join(step_facts(step))}"] if step.limits else []
    if step.limits and step.limits.get("source"):
        lines.append(f"source: {step.limits['source']}")
    for word, names in (("needs", step.needs), ("access", step.access), ("after", step.after)):
        lines += [f"{word}: {', '.join(names)}"] if names else []
    return _tip([*lines, *_caution_lines(tree, step.cautions)])


def use_tip(tree: Tree, use: Use, inside: Iterable[Step]) -> str:
    """The contents of a folded procedure."""
    lines = [f"{use.id}: {use.title or use.procedure} (procedure {use.procedure})"]
    lines += [f"{name}: {value}" for name, value in use.given.items()]
    names: dict[str, None] = {}
    for step in inside:
        lines.append(f"- {step.text}")
        names |= dict.fromkeys(step.cautions)
    return _tip([*lines, *_caution_lines(tree, names)])


def _caution_lines(tree: Tree, names: Iterable[str]) -> list[str]:
    known = tree.known_cautions
    return [
        f"{known[name].signal} {name}: {known[name].text}"
        if name in known
        else f"unknown caution: {name}"
        for name in names
    ]


def evidence_words(fault: Fault) -> str:
    """``evidence: confirmed 2, reported``: the strongest kind first, or that there is none."""
    kinds = Counter[str](evidence.kind for evidence in fault.evidence)
    order = ("confirmed", "documented", "reported", "contradicted")
    said = [f"{kind} {kinds[kind]}" if kinds[kind] > 1 else kind for kind in order if kinds[kind]]
    return f"evidence: {', '.join(said) or 'none yet'}"


def fault_facts(fault: Fault) -> tuple[str, ...]:
    """Part and module, then the evidence."""
    named = [f"part {plain(fault.part)}" if fault.part else "", plain(fault.module or "")]
    place = " · ".join(name for name in named if name)
    return tuple(line for line in (place, evidence_words(fault)) if line)


def fault_tip(tree: Tree, fault: Fault) -> str:
    """Remedy, confirmation and every piece of evidence."""
    lines = [f"{fault.id}: {fault.title}", f"remedy: {fault.remedy}"]
    if fault.confirm:
        lines.append(f"confirm: {fault.confirm.step} gives {fault.confirm.gives}")
    for evidence in fault.evidence:
        told = ", ".join(part for part in (evidence.source, evidence.date, evidence.reason) if part)
        lines.append(f"{evidence.kind}: {told}")
    return _tip([*lines, *_caution_lines(tree, fault.cautions)])


def stop_tip(stop: Stop) -> str:
    """The reason of a stop."""
    lines = [f"{stop.id}: {stop.title}", f"reason: {REASONS.get(stop.reason, stop.reason)}"]
    return _tip([*lines, f"see tree: {stop.see}" if stop.see else ""])


def _tip(lines: Iterable[str]) -> str:
    return "\n".join(plain_lines(line) for line in lines if line)
