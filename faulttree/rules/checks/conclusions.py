"""Rules about conclusions: what proves a repair, what a fault can show, what was never tested."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from faulttree.rules.checks.evidence import leading, outcomes_of_test, shown_by, spread
from faulttree.rules.checks.structure import says_safety
from faulttree.rules.context import RuleContext
from faulttree.rules.registry import rule
from faulttree.rules.vocabulary import is_sound
from faulttree.tree.disturbance import names_part, readings_of
from faulttree.tree.finding import Finding
from faulttree.tree.graph import graph_of, reach
from faulttree.tree.model import Fault, Step, Where


@rule("conclusions", "warning")
def proof_proves_nothing(subject: RuleContext) -> Iterator[Finding]:
    """Every condition that is to prove the repair is one that the fault itself may meet: its own
    signs allow it, or every path to the fault has shown it already. The unit would go back as
    repaired with the fault in it. Name at least one outcome that only the repaired unit gives.

    Example:
        dry: {…, signs: {ripple: [high, inside]}, confirm: {step: ripple, gives: inside}}
        # corrected: confirm: {step: esr, gives: inside}      # which only the repaired unit gives
    """
    if subject.graph.order is None:
        return
    for fault in subject.tree.faults.values():
        proofs = [one for one in fault.confirms if not one.safety]
        told = [one for one in proofs if one.gives in _allowed(subject, fault, one.step)]
        if proofs and told == proofs and not _always(subject, fault):
            listed = ", ".join(f"`{one.gives}` at `{one.step}`" for one in proofs)
            yield Finding(
                fault.where.under("confirm"),
                f"`{fault.id}` itself may show {listed}.",
                "Add a condition that only the repaired unit meets.",
                of_key=True,
            )


def _always(subject: RuleContext, fault: Fault) -> bool:
    """Whether the only condition is what the fault gives and nothing else: `confirm-shows-nothing`
    finds it.
    """
    if fault.confirm is None or len(fault.confirms) > 1:
        return False
    outcomes = outcomes_of_test(subject, fault.confirm.step) or {}
    shown = shown_by(subject, fault, fault.confirm.step, outcomes)
    return shown == {fault.confirm.gives}


def _allowed(subject: RuleContext, fault: Fault, name: str) -> set[str]:
    """The outcomes of a test that a fault may give: by its signs, or on every path to it."""
    outcomes = outcomes_of_test(subject, name) or {}
    said = {one for gives in fault.signs.get(name, ()) for one in spread(gives, outcomes)}
    first = subject.first_of(name)
    passed = first in graph_of(subject.tree).before(fault.id)
    return said | (set(leading(subject, fault.id, name)) if passed else set())


@rule("conclusions", "note")
def sign_out_of_reach(subject: RuleContext) -> Iterator[Finding]:
    """A fault is said to show something at a step that no walk comes to while the fault is open:
    the step lies behind an answer that speaks against the fault, by its other signs or, in a tree
    that says its safety in the structure, by every path to it. A sign may be seen on any other
    path, and where an answer was `undecided`; this one is seen on none.

    Example:
        lamp:  {ask: Does it light?, answers: {lit: fuse, dark: supply}}
        fuse:  {…, answers: {blown: blown-fuse, …}}
        dead-supply: {title: Supply dead, …, signs: {fuse: blown}}    # `dark` misses `fuse`
        # corrected: signs: {lamp: dark}
    """
    tree = subject.tree
    if subject.graph.order is None:
        return
    # Checks before power are asked before the first live step, whatever leads to that.
    starts = [tree.start, *(tree.uses[check.use].start for check in tree.before_power)]
    for fault in tree.faults.values():
        for name in fault.signs:
            first = subject.first_of(name)
            if first not in subject.graph.reached:
                continue
            if first not in reach(_with_fault(subject, fault, name), starts):
                yield Finding(
                    fault.where.under("signs", name),
                    f"No walk comes to `{name}` while `{fault.id}` is open.",
                    "Remove the sign, or let an outcome that the fault gives lead to the step.",
                    of_key=True,
                )


def _with_fault(subject: RuleContext, fault: Fault, sign: str) -> Mapping[str, tuple[str, ...]]:
    """The edges that a walk can take while a fault is open, whatever it shows at one sign.

    At the steps of the other signs only the outcomes of those are left; where the tree says its
    safety in the structure, at a step on every path to the fault only those that lead to it.
    What is undecided speaks against nothing.
    """
    tree = subject.tree
    before = graph_of(tree).before(fault.id) if says_safety(tree) else ()
    edges = {}
    for step in tree.steps.values():
        said = fault.signs.get(step.id, ()) if step.id != sign else ()
        shown = {one for gives in said for one in spread(gives, step.targets)}
        edges[step.id] = tuple(
            target
            for outcome, target in step.targets.items()
            if outcome == "undecided"
            or (
                (not shown or outcome in shown)
                and (step.id not in before or subject.leads_to(target, fault.id))
            )
        )
    return edges


@rule("conclusions", "warning")
def symptom_not_seen(subject: RuleContext) -> Iterator[Finding]:
    """A walk can end with no fault found and without the test of what the owner complains of.
    The unit goes back with its fault. Name with `seen_at` the steps that test the complaint,
    and let every path to that stop pass one of them. Trees that say nothing yet in the
    structure get one note instead.

    Example:
        symptoms: [{text: no output}]
        # corrected: symptoms: [{text: no output, seen_at: [terminals]}]
        stops: {nothing: {title: No fault found, reason: no-fault-found}}
    """
    tree = subject.tree
    stops = [stop.id for stop in tree.stops.values() if stop.reason == "no-fault-found"]
    said = says_safety(tree) or any(symptom.seen_at for symptom in tree.symptoms)
    if subject.own != "tree" or not stops or not said:
        return
    graph = graph_of(tree)
    for number, symptom in enumerate(tree.symptoms):
        place = Where("tree", ("symptoms", number))
        tests = [subject.first_of(name) for name in symptom.seen_at]
        unseen = graph.beyond(tree.start, without=tests)
        missed = [stop for stop in stops if stop in unseen]
        if missed:
            yield Finding(
                place.under("seen_at") if tests else place,
                f"`{missed[0]}` can be reached without a test of “{symptom.text}”.",
                "Name in `seen_at` a step that every path to the stop passes.",
            )


@rule("conclusions", "warning")
def found_by_elimination(subject: RuleContext) -> Iterator[Finding]:
    """A fault is concluded only because another part is good, while the tree has a test of the
    fault itself that no path to it passes. A part is replaced on suspicion that a reading could
    have settled. Make that test before the conclusion.

    Example:
        bridge: {…, results: {low: shorted-bridge, inside: dry-reservoir}}
        esr:    {measure: ESR of the reservoir, …, results: {inside: …, high: …}}
        dry-reservoir: {…, confirm: {step: esr, gives: inside}}
        # corrected: bridge's `inside` leads to esr, and esr's `high` to dry-reservoir
    """
    tree = subject.tree
    graph = graph_of(tree)
    for fault in tree.faults.values():
        into = [
            (step, outcome)
            for step in tree.steps.values()
            for outcome, target in step.targets.items()
            if target == fault.id
        ]
        tests = {one.step for one in fault.confirms if not one.safety}
        left = [
            name
            for name in tests
            if (first := subject.first_of(name)) in tree.steps
            and (not tree.steps[first].live or names_part(tree.steps[first].text, fault.part))
            and first not in graph.before(fault.id)
            and all(first != step.id for step, _ in into)
        ]
        if into and left and all(_is_good(step, outcome) for step, outcome in into):
            step, outcome = into[0]
            yield Finding(
                fault.where,
                f"`{fault.id}` is concluded from `{outcome}` of `{step.id}`, and "
                f"`{left[0]}`, which tests it, was not made.",
                f"Let the outcome lead to `{left[0]}` first.",
                of_key=True,
            )


def _is_good(step: Step, outcome: str) -> bool:
    """Whether an outcome says that what the step looks at is good."""
    if step.kind == "ask":
        return outcome == step.normal or is_sound(outcome)
    named = outcome == "inside" or outcome == step.normal
    return step.kind == "measure" and named and len(step.targets) > 1


@rule("conclusions", "warning")
def disturbed_before_read(subject: RuleContext) -> Iterator[Finding]:
    """A step heats, cleans, moves, replaces or adjusts a part before the first reading of that
    part, on every path. What the reading should have shown may be gone, and the fault comes
    back. Read first, then disturb.

    Example:
        resolder: {do: Resolder C1, disturbs: [heat], of: [C1], then: esr}
        esr:      {measure: ESR of C1, …}
        # corrected: esr first, then resolder
    """
    tree = subject.tree
    graph = graph_of(tree)
    for step in tree.steps.values():
        for part in step.disturbs_of if step.disturbs else ():
            readings = readings_of(tree, part)
            for reading in readings:
                before = graph.before(reading)
                first = not any(other in before for other in readings)
                if step.id in before and first:
                    yield Finding(
                        step.where.under("disturbs"),
                        f"`{step.id}` disturbs {part} before `{reading}` reads it.",
                        f"Let `{reading}` come first.",
                        of_key=True,
                    )
