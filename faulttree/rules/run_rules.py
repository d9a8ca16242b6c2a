"""One examined file through all rules, after what reader, schema and builder found."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from faulttree.errors import TreeError
from faulttree.rules.registry import FAMILIES, Family, Rule, all_rules, rules_of
from faulttree.rules.report import LEVELS, CheckedFile, once
from faulttree.tree import ExaminedFile, Library, Tree, Where
from faulttree.tree.finding import Finding, Level

PER_TREE: tuple[Family, ...] = tuple(
    family for family in FAMILIES if family not in ("shape", "library", "table")
)
CHEAP: tuple[Family, ...] = ("graph", "limits", "evidence", "safety")

FORM = frozenset(
    (
        "unreadable",
        "duplicate-key",
        "odd-key",
        "foreign-tag",
        "unknown-key",
        "missing-key",
        "bad-id",
        "empty-text",
        "bad-value",
        "step-kind",
        "limits-form",
        "too-large",
    )
)
"""Rules of reader and schema. Where one of them finds an error the tree does not say what its
author meant, and what the other rules find would mostly follow from that one error."""


def look_at(examined: ExaminedFile, library: Library) -> CheckedFile:
    """All rules on one examined file; those on the form alone where the form is wrong."""
    found = examined.findings
    tree, form = examined.tree, _form_errors(found)
    if tree is None or form:
        left = _and_not_run(found) if form and tree is not None else found
        return CheckedFile(examined.kind, _once(left))
    from faulttree.rules.accepted import accept, unused
    from faulttree.rules.checks.library import facts_of
    from faulttree.rules.context import RuleContext

    own = next(iter(examined.documents), "tree")
    tables = (_shared(library, kind) for kind in ("families", "cautions", "instruments"))
    families, cautions, instruments = tables
    subject = RuleContext(tree, families, own, cautions, instruments, library.is_shipped)
    found += tuple(_run(subject, examined, PER_TREE))
    kept, used = accept(found, {name: subject.data(name) for name in subject.documents})
    rule = all_rules()["accepted-for-nothing"]
    kept += [_completed(rule, idle, examined) for idle in unused(own, subject.data(own), used)]
    facts = facts_of(tree, examined) if examined.kind == "tree" else None
    return CheckedFile(examined.kind, _once(kept), facts)


def fit_to_walk(what: ExaminedFile | Tree) -> tuple[Finding, ...]:
    """The errors that a walk could run into, quickly: no graph library, no schema.

    Args:
        what: a tree, or one examined with its documents so that findings have a place.

    Returns:
        Findings of level ``error`` that are not accepted; empty where the tree is fit.
    """
    examined = what if isinstance(what, ExaminedFile) else ExaminedFile("tree", what, ())
    found = examined.errors()
    if examined.tree is None or _form_errors(found):
        return _once(found)
    from faulttree.rules.accepted import accept
    from faulttree.rules.context import RuleContext

    subject = RuleContext(examined.tree)
    found += tuple(_run(subject, examined, CHEAP, ("error",)))
    left, _ = accept(found, {name: subject.data(name) for name in subject.documents})
    return _once(left)


def _form_errors(findings: tuple[Finding, ...]) -> bool:
    return any(one.rule in FORM and one.level == "error" for one in findings)


def _and_not_run(found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """The findings, and a note that the other rules wait for them."""
    last = next(one for one in found if one.rule in FORM)
    message = "The rules that follow the tree were not run: its form is wrong."
    remedy = "Correct the errors, then check again."
    note = replace(
        last, message=message, remedy=remedy, rule="rules-not-run", level="note", edit=None
    )
    return (*found, note)


def _run(
    subject: Any,
    examined: ExaminedFile,
    families: tuple[Family, ...],
    levels: tuple[Level, ...] = LEVELS,
) -> Iterator[Finding]:
    from faulttree.rules.context import TooLargeError

    left_out = False
    for rule in rules_of(*families):
        if rule.check is None or rule.level not in levels:
            continue
        try:
            for found in rule.check(subject):
                # A procedure looked at by itself stands in a tree that nobody wrote.
                if subject.own == "tree" or found.where.document != "tree":
                    yield _completed(rule, found, examined)
        except TooLargeError:
            left_out = True
    if left_out:
        message = "The tree is too large for some rules, which were left out."
        whole = Finding(Where(subject.own, ()), message, "Split it.")
        yield _completed(all_rules()["too-large-to-weigh"], whole, examined)


def _completed(rule: Rule, found: Finding, examined: ExaminedFile) -> Finding:
    """What a rule found, with the rule, its level, and its line of its file."""
    named = replace(found, rule=rule.id, level=rule.level)
    return named.located(examined.documents.get(found.where.document))


def _once(findings: tuple[Finding, ...] | list[Finding]) -> tuple[Finding, ...]:
    """Each once; a finding of plain data without a file counts as at its beginning."""
    return once(f if f.line else replace(f, line=1, column=1) for f in findings)


def _shared(library: Library, kind: str) -> Mapping[str, Any]:
    """A shared table; nothing where its file is broken, which is a finding of its own."""
    try:
        table: Mapping[str, Any] = getattr(library, kind)
    except TreeError:
        return {}
    return table
