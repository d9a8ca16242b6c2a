"""Rules about meaning: each outcome leads where its own name and its reading say.

Two outcomes that changed places keep the graph whole, so only what the tree says twice betrays
them: the name of an outcome and the title of the fault it leads to, what a test looks at and
whose fault it names, the complaint and the answer that denies it. These rules read English.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from faulttree.rules.context import RuleContext
from faulttree.rules.registry import rule
from faulttree.rules.test_semantics import OutcomeEnd, TestMeaning, probes
from faulttree.rules.vocabulary import OF_THE_PART, denied, is_sound, is_unchanged, is_wrong, stems
from faulttree.tree.finding import Finding

SWAPPED = "Let the outcomes change places, or call them what they are."

NEGATIONS = frozenset({"not", "non"})

VAGUE = stems("good bad inside outside fine right usual fault dead other") | {"good", "bad"}
"""Stems of outcomes that name nothing."""


@rule("meaning", "warning")
def outcome_names_another(subject: RuleContext) -> Iterator[Finding]:
    """Two outcomes lead to each other's ends by their names: what the one is called stands in
    the id or title of the fault, stop or exit that the other leads to. Mostly the targets
    changed places, and the remedy is for a part that is sound.

    Example:
        brushes:
          use: brush-check
          exits: {good: field, worn: stuck-brush, stuck: worn-brushes}      # exchanged?
    """
    for probe in subject.remembered(probes):
        by_side = probe.good == "inside" and not _named_by_side(probe)
        for one, other in () if by_side else itertools.combinations(probe.ends, 2):
            yield from _crossed(subject, probe, one, other)
        for outcome, end in probe.ends.items():
            if end.denied:
                yield from _denied(subject, probe, outcome, end)


def _named_by_side(probe: TestMeaning) -> bool:
    """Whether an end is called low or high, which is all that sides could name."""
    return any("low" in end.id or "high" in end.id for end in probe.ends.values())


def _denied(
    subject: RuleContext, probe: TestMeaning, outcome: str, end: OutcomeEnd
) -> Iterator[Finding]:
    said = {word for word in outcome.split("-") if len(word) > 2} - NEGATIONS
    if said & end.denied:
        yield Finding(
            probe.place(subject, outcome),
            f"`{outcome}` of `{probe.id}` leads to `{end.id}`, whose text denies it.",
            SWAPPED,
        )


def _crossed(subject: RuleContext, probe: TestMeaning, one: str, other: str) -> Iterator[Finding]:
    here, there = probe.ends[one], probe.ends[other]
    if here.id == there.id:
        return
    says, also = stems(one) - VAGUE, stems(other) - VAGUE
    says, also = says - also, also - says
    if not says and not also:
        return
    # The text of a step repeats too many words of a question to mean the one answer.
    telling = probe.kind == "measure"
    one_names = len(says & there.called) if telling or there.kind != "step" else 0
    other_names = len(also & here.called) if telling or here.kind != "step" else 0
    if not one_names and not other_names:
        return
    own = len(says & here.called) + len(also & there.called)
    if one_names + other_names > own:
        namer, named = (one, there) if one_names >= other_names else (other, here)
        led = probe.ends[namer]
        yield Finding(
            probe.place(subject, namer),
            f"`{namer}` of `{probe.id}` leads to `{led.id}`, and by its name to `{named.id}`.",
            SWAPPED,
        )


@rule("meaning", "warning")
def good_but_unsafe(subject: RuleContext) -> Iterator[Finding]:
    """What a test finds as it should be ends the work as unsafe, and what it finds wrong does
    not. Whoever follows it goes on with a unit that can hurt.

    Example:
        look: {ask: Is the lead sound?, answers: {sound: keep-off, damaged: switch}}
    """
    for probe in subject.remembered(probes):
        if probe.good is None:
            continue
        end = probe.ends[probe.good]
        if end.reason == "unsafe" and any(
            probe.ends[outcome].reason != "unsafe" for outcome in probe.bad
        ):
            yield Finding(
                probe.place(subject, probe.good),
                f"`{probe.good}` of `{probe.id}` leads to `{end.id}`, which is unsafe.",
                SWAPPED,
            )


@rule("meaning", "warning")
def found_good_yet_blamed(subject: RuleContext) -> Iterator[Finding]:
    """A test finds a part as it should be, and the tree blames that part; where the test finds
    it wrong, the tree does not. Tests that look at what is left when the part is lifted,
    bypassed or exchanged, or at its input, are left out, and so are readings of volts and
    amperes under power.

    Example:
        esr: {measure: ESR of the reservoir capacitor, results: {inside: dry-reservoir, high: plug}}
    """
    for probe in subject.remembered(probes):
        yield from _no_difference(subject, probe)
        if probe.good is None or not probe.bad:
            continue
        wrongly = _blamed(probe, probe.good)
        if wrongly:
            end = probe.ends[probe.good]
            yield Finding(
                probe.place(subject, probe.good),
                f"`{probe.good}` of `{probe.id}` leads to `{end.id}`, {wrongly}.",
                SWAPPED,
            )


def _no_difference(subject: RuleContext, probe: TestMeaning) -> Iterator[Finding]:
    """A trial that changed nothing and names a fault, while one that did names none."""
    if probe.kind != "ask":
        return
    for outcome, end in probe.ends.items():
        others = [one for name, one in probe.ends.items() if name != outcome]
        if (
            is_unchanged(outcome)
            and end.kind == "fault"
            and not any(one.kind == "fault" for one in others)
        ):
            yield Finding(
                probe.place(subject, outcome),
                f"`{outcome}` of `{probe.id}` changed nothing and leads to `{end.id}`.",
                SWAPPED,
            )


def _blamed(probe: TestMeaning, good: str) -> str:
    """Why the end of the good outcome looks like one of a bad outcome; empty where it does not."""
    end = probe.ends[good]
    bad = [probe.ends[outcome] for outcome in probe.bad]
    if end.kind == "exit":
        if is_wrong(end.id) and any(one.kind == "step" or is_sound(one.id) for one in bad):
            return "and what it finds wrong does not"
        return ""
    elsewhere = [one for one in bad if one.id != end.id]
    shared = bool(elsewhere) and len(elsewhere) < len(bad)
    if shared and probe.kind == "use" and all(one.kind == "step" for one in elsewhere):
        return "as a bad outcome does"
    if end.kind != "fault" or probe.turned:
        return ""
    if probe.fed and not OF_THE_PART.search(probe.text):
        return ""
    if shared:
        return "as a bad outcome does"
    looked = stems(probe.text)
    share = len(looked & end.about)
    most = max(len(looked & one.about) if one.kind == "fault" else 0 for one in bad)
    left_out = share == most and any(one.kind == "step" for one in bad)
    return "a fault of what it looks at" if share and (share > most or left_out) else ""


OPEN = stems("open opened interrupted blown")
SHORT = stems("shorted short")


@rule("meaning", "warning")
def reading_against_fault(subject: RuleContext) -> Iterator[Finding]:
    """A resistance below its limit leads to a fault that by its name is open, or one above its
    limit to one that is shorted. The two are exchanged.

    Example:
        coil: {measure: Resistance of the coil, results: {low: open-coil, high: shorted-coil, …}}
    """
    for probe in subject.remembered(probes):
        sides = [probe.ends[side].id for side in ("low", "high") if side in probe.ends]
        if probe.unit != "ohm" or len(set(sides)) < len(sides):
            continue
        for outcome, against, beside in (("low", OPEN, SHORT), ("high", SHORT, OPEN)):
            end = probe.ends.get(outcome)
            if end is None or end.kind not in ("fault", "exit"):
                continue
            called = stems(end.id)
            if called & against and not called & beside:
                yield Finding(
                    probe.place(subject, outcome),
                    f"`{outcome}` of `{probe.id}`, a resistance, leads to `{end.id}`.",
                    SWAPPED,
                )


@rule("meaning", "warning")
def complaint_denied(subject: RuleContext) -> Iterator[Finding]:
    """The answer that is the owner's complaint ends as no fault found, or a reading outside its
    limits does while the one inside them does not.

    Example:
        symptoms: [flickers]
        steps: {as-used: {ask: Does it flicker?, answers: {flickers: not-seen, steady: source}}}
    """
    if subject.own != "tree":
        return
    tree = subject.tree
    texts = [tree.id.partition("/")[2].replace("-", " "), *(one.text for one in tree.symptoms)]
    complaint = frozenset().union(*(stems(text) for text in texts))
    absent = stems(" ".join(word for text in texts for word in denied(text)))
    for probe in subject.remembered(probes):
        if probe.step is None and probe.use is not None:
            continue
        unseen = [name for name, end in probe.ends.items() if end.reason == "no-fault-found"]
        for outcome in unseen:
            others = [name for name in probe.ends if name not in unseen]
            if _is_complaint(probe, outcome, others, complaint):
                yield Finding(
                    probe.place(subject, outcome),
                    f"`{outcome}` of `{probe.id}` is what the owner complains of, or finds "
                    "something wrong, and ends as no fault found.",
                    SWAPPED,
                )
        for outcome in probe.ends if unseen else ():
            if outcome not in unseen and "-" not in outcome and stems(outcome) & absent:
                yield Finding(
                    probe.place(subject, outcome),
                    f"`{outcome}` of `{probe.id}` is what the owner misses, and goes on, "
                    f"while `{unseen[0]}` ends as no fault found.",
                    SWAPPED,
                )


def _is_complaint(
    probe: TestMeaning, outcome: str, others: list[str], complaint: frozenset[str]
) -> bool:
    said = stems(outcome) - VAGUE
    if said & complaint and not any(stems(other) & complaint for other in others):
        return True
    good = probe.good
    return good in others and outcome in probe.bad and probe.ends[good or ""].kind != "step"


@rule("meaning", "warning")
def exit_means_another(subject: RuleContext) -> Iterator[Finding]:
    """One tree takes a procedure twice, and the fault that the one takes from one exit the other
    takes from another. One of the two is wrong.

    Example:
        brushes: {use: brush-check, exits: {good: field, worn: worn-brushes, stuck: stuck-brush}}
        again:   {use: brush-check, exits: {good: field, worn: stuck-brush, stuck: worn-brushes}}
    """
    first: dict[tuple[str, str], TestMeaning] = {}
    for probe in subject.remembered(probes):
        if probe.use is None:
            continue
        for fault in dict.fromkeys(end.id for end in probe.ends.values() if end.kind == "fault"):
            known = first.setdefault((probe.procedure, fault), probe)
            exits, there = _exits_to(probe, fault), _exits_to(known, fault)
            if not set(exits) & set(there):
                yield Finding(
                    probe.place(subject, exits[0]),
                    f"`{exits[0]}` leads to `{fault}` here, and `{there[0]}` at `{known.id}`.",
                    SWAPPED,
                )


def _exits_to(probe: TestMeaning, fault: str) -> list[str]:
    return [name for name, end in probe.ends.items() if end.id == fault]
