"""Rules about safety: whoever follows the tree is told what can hurt.

They look for cautions that are missing. They replace no risk assessment, and local codes and
the rules of licensed trades come first.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from faulttree.rules.caution_inference import Need, Scene, alone, called_for, for_repair
from faulttree.rules.context import RuleContext
from faulttree.rules.hazard_inference import Hazard, by_figures, by_words
from faulttree.rules.registry import rule
from faulttree.rules.test_comparison import settling
from faulttree.tree.finding import Finding, spelling
from faulttree.tree.model import Step, Where
from faulttree.tree.plain import as_list, entries


@rule("safety", "error")
def unknown_caution(subject: RuleContext) -> Iterator[Finding]:
    """A caution is named that the library does not have, so nothing is shown where
    something should be.

    Example:
        cautions: [stored-chrage]
    """
    known = subject.tree.known_cautions
    for where, name in _named(subject, "cautions"):
        if name not in known:
            yield _unknown(where, "caution", name, subject.cautions)


@rule("safety", "warning")
def unknown_instrument(subject: RuleContext) -> Iterator[Finding]:
    """An instrument is named that the library does not have: nobody knows what it measures
    or which hazard it brings.

    Example:
        needs: [multimetre]
    """
    known = subject.tree.known_instruments
    for where, name in _named(subject, "needs"):
        if name not in known:
            yield _unknown(where, "instrument", name, subject.instruments)


def _unknown(where: Where, what: str, name: str, known: Iterable[str]) -> Finding:
    """A name that the library does not have, with the names that are near, else with all."""
    question, edit = spelling(name, known)
    listed = f"Known are {', '.join(sorted(known))}; another is written in shared/{what}s.yaml."
    return Finding(where, f"There is no {what} `{name}`.", question or listed, edit=edit)


def _named(subject: RuleContext, key: str) -> Iterator[tuple[Where, str]]:
    """Every name that a list of cautions or needs holds, in every document, with its place."""
    for document in subject.documents:
        data = subject.data(document)
        holders: list[tuple[tuple[str, ...], Mapping[str, Any]]] = [((), data)]
        for group in ("steps", "access", "faults"):
            holders += [((group, name), item) for name, item in entries(data.get(group))]
        for keys, item in holders:
            for number, name in enumerate(as_list(item.get(key))):
                if isinstance(name, str):
                    yield Where(document, (*keys, key, number)), name


# -- voltage, charge, energy -----------------------------------------------------------


def _uncovered(subject: RuleContext, kind: str) -> Iterator[tuple[Step, Hazard]]:
    """Steps whose own figures cross a threshold that no caution in force answers for."""
    for step, hazard in subject.hazards:
        if hazard.kind == kind and kind not in subject.covered(step):
            yield step, hazard


def _placed(subject: RuleContext, step: Step, hazard: Hazard) -> Where:
    if hazard.keys[:1] == ("limits",):
        return subject.limit_place(step, hazard.keys[1:])
    return subject.text_place(step)


@rule("safety", "error")
def hazardous_voltage(subject: RuleContext) -> Iterator[Finding]:
    """The step's own figures are above what is harmless to touch, and no caution that covers
    voltage is in force at it. Thresholds, the stricter of IEC 61010-1 and IEC 60335-1: 30 V
    r.m.s., 42.4 V peak, 42.4 V d.c.; a voltage that nobody calls a.c. counts as d.c. An
    insulation test puts 500 V on the unit. A rating that a part merely carries is no voltage
    at the step.

    Example:
        rail:
          measure: Rectified mains across the reservoir
          limits: {nominal: 325 V, tolerance: 10 %}      # and `cautions: [live-working]`?
    """
    for step, hazard in _uncovered(subject, "voltage"):
        place = _placed(subject, step, hazard)
        yield Finding(
            place,
            f"`{subject.name(step.id, place)}` is at {hazard.said}, and no caution says so.",
            "Add a caution that covers voltage, such as `live-working` or `mains`.",
        )


@rule("safety", "error")
def hazardous_charge(subject: RuleContext) -> Iterator[Finding]:
    """The step's own figures say that a hazardous charge is at hand, and no caution that
    covers charge is in force. Thresholds: 45 µC where the voltage is hazardous (IEC 61010-1),
    or more than 0.1 µF between 42.4 and 450 V (IEC 60335-1).

    Example:
        open-it: {do: Discharge the 470 µF 400 V reservoir, then: esr}
    """
    for step, hazard in _uncovered(subject, "charge"):
        place = _placed(subject, step, hazard)
        yield Finding(
            place,
            f"`{subject.name(step.id, place)}` is at a charge of {hazard.said}, "
            "and no caution says so.",
            "Add a caution that covers charge, such as `stored-charge`.",
        )


@rule("safety", "error")
def hazardous_energy(subject: RuleContext) -> Iterator[Finding]:
    """The step's own figures say that hazardous energy is at hand, and no caution that covers
    energy is in force: a ring or a tool across it burns at a harmless voltage. Thresholds
    (IEC 60950-1): 20 J, or 240 VA, at 2 V or more.

    Example:
        pack: {measure: Current of the pack at 18 V, limits: {max: 20 A}}
    """
    for step, hazard in _uncovered(subject, "energy"):
        place = _placed(subject, step, hazard)
        yield Finding(
            place,
            f"`{subject.name(step.id, place)}` is at {hazard.said}, and no caution says so.",
            "Add a caution that covers energy, such as `high-energy-source`.",
        )


# -- heat, light, gas, motion ----------------------------------------------------------


@rule("safety", "warning")
def hazard_not_told(subject: RuleContext) -> Iterator[Finding]:
    """An instrument brings a hazard, or figures or words of a powered step name one (heat,
    light, gas, moving parts), and no caution in force covers it.

    Example:
        load:
          measure: Output voltage at full load
          needs: [multimeter, dummy-load]      # which brings heat; `cautions: [hot-surface]`?
    """
    for step in subject.tree.steps.values():
        covered = subject.covered(step)
        told: set[str] = set()
        for hazard, where in _other_hazards(subject, step):
            if hazard.kind not in covered and hazard.kind not in told:
                told.add(hazard.kind)
                yield Finding(
                    where,
                    f"{hazard.said} at `{subject.name(step.id)}` brings {hazard.kind}, "
                    "and no caution covers it.",
                    f"Add a caution that covers {hazard.kind}.",
                )


def _other_hazards(subject: RuleContext, step: Step) -> Iterator[tuple[Hazard, Where]]:
    tree = subject.tree
    own = subject.raw(step.where.under("needs"))
    for name in step.needs:
        for kind in tree.known_instruments[name].brings if name in tree.known_instruments else ():
            place = step.where
            if isinstance(own, list) and name in own:
                place = step.where.under("needs", own.index(name))
            yield Hazard(kind, f"The {name}"), place
    for hazard in by_figures(step, subject.limits_at(step.id)):
        yield hazard, _placed(subject, step, hazard)
    entering = " ".join(tree.access[state].how for state in step.access if state in tree.access)
    for hazard in by_words(step, entering):
        yield hazard, subject.text_place(step)


# -- cautions by name --------------------------------------------------------------------


@rule("safety", "warning")
def caution_called_for(subject: RuleContext) -> Iterator[Finding]:
    """The state that a step is done in, its instruments or the ratings it judges by call for a
    caution that the library has and that is not in force: an opened unit on power from the
    mains, a tool that runs, an oscilloscope on what the mains feeds. Another caution may cover
    the same hazard and still not say what to do here.

    Example:
        rail:
          measure: Rail of the board
          access: [cover-off]
          live: true      # of a unit fed from the mains; and `cautions: [live-working]`?
    """
    for scene, need in subject.remembered(called_for):
        if need.firm:
            yield _called_for(_owner(subject, scene, need), need.names[0], need.because)


@rule("safety", "note")
def caution_worth_naming(subject: RuleContext) -> Iterator[Finding]:
    """The words of a step, the part that it measures unpowered or what a remedy is done with
    call for a caution that the library has and that is not in force.

    Example:
        esr: {measure: ESR of the reservoir capacitor}      # and `cautions: [stored-charge]`?
    """
    for scene, need in subject.remembered(called_for):
        if not need.firm:
            yield _called_for(_owner(subject, scene, need), need.names[0], need.because)
    for fault in subject.tree.faults.values():
        known = {*fault.cautions, *subject.tree.cautions}
        for name, because in for_repair(fault):
            if name in subject.cautions and name not in known:
                yield _called_for(fault.where, name, because)


def _called_for(where: Where, name: str, because: str) -> Finding:
    return Finding(
        where,
        f"`{where.keys[-1]}` calls for the caution `{name}`: {because}.",
        f"Add `{name}` to its `cautions`.",
        of_key=True,
    )


def _owner(subject: RuleContext, scene: Scene, need: Need) -> Where:
    """The step, or the use it comes from where only the tree that uses it calls for more."""
    step = scene.step
    use = subject.tree.uses.get(step.use or "")
    if use is None or use.id.startswith("closing.") or need.where(alone(scene)):
        return step.where
    while use.parent is not None:
        use = subject.tree.uses[use.parent]
    return use.where


@rule("safety", "note")
def caution_its_like_has(subject: RuleContext) -> Iterator[Finding]:
    """All other steps of this tree that are done in the same state, on power or not, with the
    same kind of reading, have a caution that this one lacks. Four such steps or more are
    compared.

    Example:
        rail-5: {measure: 5 V rail, live: true, access: [side-open], cautions: [hot-surface]}
        rail-12: {measure: 12 V rail, live: true, access: [side-open]}      # and here?
    """
    alike: dict[tuple[object, ...], list[Step]] = {}
    for step in subject.tree.steps.values():
        limits = subject.limits_at(step.id)
        if step.use is None and limits is not None:
            state = (step.live, frozenset(step.access), limits.unit, "multimeter" in step.needs)
            alike.setdefault(state, []).append(step)
    for steps in alike.values():
        if len(steps) < ALIKE:
            continue
        counts = Counter(name for step in steps for name in subject.in_force(step))
        missing = [name for name, count in counts.items() if count == len(steps) - 1]
        for step in steps:
            for name in sorted(set(missing) - subject.in_force(step)):
                like = next(one.id for one in steps if one is not step)
                yield _called_for(step.where, name, f"all steps like it, as `{like}`, have it")


ALIKE = 4
"""Steps alike from which the one that differs is told. Common practice, no source."""


# -- procedures that must not be made up -----------------------------------------------

TESTED = re.compile(
    r"\binsulation\b.*\bat\s+\d+\s*V|\bprotective[- ]earth (path|conductor|resistance)|"
    r"\bearth path\b",
    re.IGNORECASE,
)
SAFETY_GEAR = re.compile(r"insulation|earth", re.IGNORECASE)


def tests_safety(subject: RuleContext, step: Step) -> bool:
    """Whether a step measures insulation or the protective-earth path."""
    if step.kind != "measure":
        return False
    known = subject.tree.known_instruments
    gear = (what for name in step.needs if name in known for what in known[name].measures)
    part = (step.limits or {}).get("component")
    return (
        part in ("insulation", "protective-earth")
        or any(SAFETY_GEAR.search(what) for what in gear)
        or TESTED.search(step.text) is not None
    )


@rule("safety", "warning")
def safety_test_by_hand(subject: RuleContext) -> Iterator[Finding]:
    """Insulation or the protective-earth path is measured in a step of its own, not by the
    shared procedure. Codes differ and change; what must be done in which order, and who may
    sign, belongs in one place.

    Example:
        insulation: {measure: Insulation at 500 V d.c., limits: {min: 1 MΩ}}
    """
    for step in subject.tree.steps.values():
        if step.where.document == "tree" and tests_safety(subject, step):
            yield Finding(
                step.where,
                f"`{step.id}` tests insulation or protective earth outside its procedure.",
                "Use the shared procedure of the protective class instead.",
                of_key=True,
            )


@rule("safety", "warning")
def mains_without_closing(subject: RuleContext) -> Iterator[Finding]:
    """A unit that is fed from the mains goes back to its owner without a safety check after
    the repair: earth path, insulation and function. Local codes say what is due.

    Example:
        family: bench-supply      # fed from the mains; and `closing`?
    """
    if subject.own != "tree" or not subject.is_mains:
        return
    closing = [s for s in subject.tree.steps.values() if s.id.startswith("closing.")]
    if any(tests_safety(subject, step) or CLOSING_CAUTION in step.cautions for step in closing):
        return
    key = "closing" if subject.raw(Where("tree", ("closing",))) is not None else "family"
    yield Finding(
        Where("tree", (key,)),
        "A unit fed from the mains goes back without a safety check.",
        "Add `closing:` with the safety procedure of its protective class.",
    )


CLOSING_CAUTION = "safety-test-before-return"


@rule("safety", "warning")
def live_before_unpowered(subject: RuleContext) -> Iterator[Finding]:
    """A step on the powered unit, with a hazard that a caution names, comes before one that
    tells the same faults apart with the power off. Ask the harmless one first.

    Example:
        rail:  {measure: Rail under power, live: true, limits: {min: 30 V}, …}
        short: {measure: Resistance across the rail, unplugged, limits: {min: 500 Ω}, …}
    """
    compared = subject.remembered(settling)
    if compared is None:
        return
    steps = subject.tree.steps
    pairs = compared.same_question(
        lambda early: early.live and bool(subject.covered(early)),
        lambda late: not _powered(subject, late),
    )
    for early, late in pairs:
        yield Finding(
            steps[early].where,
            f"`{late}`, unpowered, tells as much as `{early}`, which is live.",
            f"Ask `{late}` first.",
            of_key=True,
        )


def _powered(subject: RuleContext, step: Step) -> bool:
    """Whether a step is on the powered unit: it says so, or it reads volts or amperes."""
    return step.live or subject.unit_at(step.id) in ("V", "A", "W", "VA")
