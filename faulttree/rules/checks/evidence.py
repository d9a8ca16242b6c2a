"""Rules about faults: that they stand apart, and what they rest on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from faulttree.rules.context import RuleContext
from faulttree.rules.registry import rule
from faulttree.rules.test_comparison import settling
from faulttree.tree.finding import Finding, near
from faulttree.tree.model import Confirm, Fault, Where


def outcomes_of_test(subject: RuleContext, name: str) -> Mapping[str, str] | None:
    """Outcome → target of a step, or exit → target of a use; None where there is no such."""
    tree = subject.tree
    if name in tree.steps:
        return tree.steps[name].targets
    return tree.uses[name].exits if name in tree.uses else None


def spread(gives: str, outcomes: Mapping[str, str]) -> tuple[str, ...]:
    """An outcome as the model has it: ``outside`` is ``low`` and ``high``."""
    if gives == "outside" and "outside" not in outcomes:
        return tuple(side for side in ("low", "high") if side in outcomes)
    return (gives,)


def leading(subject: RuleContext, fault: str, name: str) -> frozenset[str]:
    """The outcomes of a step or use from which a walk can still come to the fault."""
    outcomes = outcomes_of_test(subject, name) or {}
    return frozenset(
        outcome
        for outcome, target in outcomes.items()
        if outcome != "undecided" and subject.leads_to(target, fault)
    )


@rule("evidence", "warning")
def weight_missing(subject: RuleContext) -> Iterator[Finding]:
    """A fault has no weight beside siblings that have one. It counts as 1, which means much
    or little by what the others happen to be.

    Example:
        faults:
          dry-reservoir: {title: Dried out, remedy: Replace it., weight: 4}
          open-bridge:   {title: Open, remedy: Replace it.}      # and its weight?
    """
    faults = subject.tree.faults.values()
    if not any(fault.weight is not None for fault in faults):
        return
    for fault in faults:
        if fault.weight is None:
            yield Finding(
                fault.where,
                f"The fault `{fault.id}` has no weight, and others have.",
                "Add `weight:`, relative to the other faults of this tree.",
                of_key=True,
            )


@rule("evidence", "error")
def unknown_outcome(subject: RuleContext) -> Iterator[Finding]:
    """`confirm` names an outcome that the step cannot give, so that no repair could ever be
    proved.

    Example:
        confirm: {step: reservoir, gives: insid}
    """
    for fault in subject.tree.faults.values():
        for where, confirm in _proofs(subject, fault):
            yield from _never_given(subject, where.under("gives"), confirm.step, confirm.gives)


def _proofs(subject: RuleContext, fault: Fault) -> Iterator[tuple[Where, Confirm]]:
    """The conditions of a proof, each with its place; they are a list where there are several."""
    where = fault.where.under("confirm")
    listed = isinstance(subject.raw(where), list)
    for number, confirm in enumerate(fault.confirms):
        yield where.under(number) if listed else where, confirm


def _never_given(subject: RuleContext, where: Where, name: str, gives: str) -> Iterator[Finding]:
    outcomes = outcomes_of_test(subject, name)
    if outcomes is None or any(one in outcomes for one in spread(gives, outcomes)):
        return
    listed = ", ".join(f"`{one}`" for one in outcomes)
    yield Finding(where, f"`{name}` never gives `{gives}`.", f"It gives {listed}.")


@rule("evidence", "warning")
def stray_sign(subject: RuleContext) -> Iterator[Finding]:
    """A sign names a step that this tree does not have, or an outcome that the step cannot
    give: it says nothing here, in silence.

    Example:
        signs: {reservoir: lwo}
    """
    known = (*subject.tree.steps, *subject.tree.uses)
    for fault in subject.tree.faults.values():
        for name, shown in fault.signs.items():
            where = fault.where.under("signs", name)
            if name not in known:
                remedy = near(name, known) or "Name a step of this file, or take it out."
                yield Finding(where, f"`{name}` is no step here.", remedy, of_key=True)
                continue
            for gives in shown:
                yield from _never_given(subject, where, name, gives)


@rule("evidence", "warning")
def sign_against_path(subject: RuleContext) -> Iterator[Finding]:
    """A fault is said to show one outcome at a step, and the way to it takes another. One of
    the two is wrong, and the odds are computed with both.

    Example:
        reservoir: {…, results: {low: dry-reservoir, inside: hand-over, high: wrong-tap}}
        faults:
          dry-reservoir: {…, signs: {reservoir: high}}      # but `low` leads to it
    """
    for fault in subject.tree.faults.values():
        for name, shown in fault.signs.items():
            outcomes = outcomes_of_test(subject, name)
            if outcomes is None or subject.first_of(name) not in subject.graph.reached:
                continue
            said = {one for gives in shown for one in spread(gives, outcomes)} & set(outcomes)
            led = leading(subject, fault.id, name)
            if said and led and not said & led:
                yield Finding(
                    fault.where.under("signs", name),
                    f"`{fault.id}` would show {_listed(said)} at `{name}`, "
                    f"but {_listed(led)} leads to it.",
                    "Correct the sign, or the target.",
                )


def _listed(names: set[str] | frozenset[str]) -> str:
    return " or ".join(f"`{name}`" for name in sorted(names))


@rule("evidence", "warning")
def ambiguity_group(subject: RuleContext) -> Iterator[Finding]:
    """Faults that show the same wherever the tree says what they show: whichever of them it
    is, no test tells. Another test is needed, or one remedy that corrects them all. A loose
    suspect counts where its signs are given.

    Example:
        steps:  {hum: {ask: Does it hum?, answers: {hums: dry-reservoir, quiet: hand-over}}}
        faults:
          dry-reservoir: {title: Dried out, remedy: Replace it.}
          lost-ground:   {title: Ground lost, remedy: Tighten it., signs: {hum: hums}}
    """
    compared = subject.remembered(settling)
    if compared is None:
        return
    tree = subject.tree
    for group in compared.groups():
        yield Finding(
            tree.faults[group[0]].where,
            f"No test tells these faults apart: {', '.join(f'`{name}`' for name in group)}.",
            "Add a test or signs that differ, or join them to one fault.",
            of_key=True,
        )


@rule("evidence", "warning")
def confirm_shows_nothing(subject: RuleContext) -> Iterator[Finding]:
    """The outcome that is to confirm the repair is the one that the fault itself gives, or
    the step has one outcome only. The unit would count as repaired with the fault still in it.
    A condition with `safety: true` says nothing of the repair and is left out.

    Example:
        confirm: {step: reservoir, gives: low}      # as the fault shows
    """
    for fault in subject.tree.faults.values():
        confirm = next((one for one in fault.confirms if not one.safety), fault.confirm)
        outcomes = outcomes_of_test(subject, confirm.step) if confirm else None
        if confirm is None or outcomes is None or confirm.gives not in outcomes:
            continue
        if len([one for one in outcomes if one != "undecided"]) < 2:
            message = f"`{confirm.step}` always gives `{confirm.gives}`: that confirms nothing."
        else:
            shown = shown_by(subject, fault, confirm.step, outcomes)
            if shown != {confirm.gives}:
                continue
            message = f"`{fault.id}` itself gives `{confirm.gives}` at `{confirm.step}`."
        yield Finding(
            fault.where.under("confirm", "gives"),
            message,
            "Name an outcome that only the repaired unit gives.",
        )


def shown_by(
    subject: RuleContext, fault: Fault, name: str, outcomes: Mapping[str, str]
) -> set[str] | frozenset[str]:
    """What a fault gives at a step: by its signs, else by the way to it."""
    said = {one for gives in fault.signs.get(name, ()) for one in spread(gives, outcomes)}
    return said or leading(subject, fault.id, name)


@rule("evidence", "warning")
def confirm_unreachable(subject: RuleContext) -> Iterator[Finding]:
    """The step that is to confirm the repair is one that no walk comes to, so that nobody
    knows what it showed before.

    Example:
        confirm: {step: old-test, gives: inside}      # never reached
    """
    if subject.graph.order is None:
        return
    every = (proof for fault in subject.tree.faults.values() for proof in _proofs(subject, fault))
    for where, confirm in every:
        if outcomes_of_test(subject, confirm.step) is None:
            continue
        if subject.first_of(confirm.step) not in subject.graph.reached:
            yield Finding(
                where.under("step"),
                f"No way leads to `{confirm.step}`, which is to confirm the repair.",
                "Name a step on the way to the fault.",
            )


@rule("evidence", "note")
def reported_only(subject: RuleContext) -> Iterator[Finding]:
    """All that speaks for this fault is that somebody said so. Look for a document, or
    confirm it at the next unit.

    Example:
        evidence: [{kind: reported, source: a visitor's remark}]
    """
    for fault in subject.tree.faults.values():
        kinds = {evidence.kind for evidence in fault.evidence}
        if kinds == {"reported"}:
            yield Finding(
                fault.where.under("evidence"),
                f"The fault `{fault.id}` is only reported.",
                "Add a document or a confirmed case when there is one.",
                of_key=True,
            )


@rule("evidence", "warning")
def confirmed_without_record(subject: RuleContext) -> Iterator[Finding]:
    """The library that ships comes without a record, so no case stands behind evidence of the
    kind `confirmed` in it. In a library of your own such evidence comes from your cases, and
    nothing is reported.

    Example:
        evidence: [{kind: confirmed, source: "two units on our bench"}]    # in a shipped tree
    """
    if not subject.shipped:
        return
    faults = subject.tree.faults.values()
    named = [one.id for one in faults if any(e.kind == "confirmed" for e in one.evidence)]
    if named:
        yield Finding(
            Where("tree", ("faults",)),
            f"No record stands behind the `confirmed` evidence of {', '.join(named)}.",
            "Name a published source, say common practice, or take it out.",
            of_key=True,
        )


@rule("evidence", "warning")
def contradicted_without_reason(subject: RuleContext) -> Iterator[Finding]:
    """A fault was looked into and found not so, and nobody says why. The next reader cannot
    tell a test from an opinion.

    Example:
        evidence: [{kind: contradicted, source: the shop's bench}]
    """
    for fault in subject.tree.faults.values():
        for number, evidence in enumerate(fault.evidence):
            if evidence.kind == "contradicted" and not evidence.reason.strip():
                yield Finding(
                    fault.where.under("evidence", number),
                    f"The fault `{fault.id}` is contradicted without a reason.",
                    "Add `reason:` with what was seen.",
                )
