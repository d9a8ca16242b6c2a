"""One file through all rules: what reader, schema and builder found, and what rules find."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from faulttree.errors import FaulttreeError, TreeError
from faulttree.rules.accepted import accept, unused
from faulttree.rules.context import RuleContext, TooLargeError
from faulttree.rules.finding import LEVELS, CheckedFile, Finding, Level, about, once
from faulttree.rules.raw_finding import RawFinding
from faulttree.rules.registry import Family, all_rules, rules_of
from faulttree.tree import ExaminedFile, Library, Problem, Tree, Where

__all__ = ["finding_at", "fit_to_walk", "look_at", "of_error"]

PER_TREE: tuple[Family, ...] = ("graph", "limits", "evidence", "meaning", "safety", "order")
CHEAP: tuple[Family, ...] = ("graph", "limits", "evidence", "safety")


def look_at(examined: ExaminedFile, library: Library) -> CheckedFile:
    """All rules on one examined file."""
    from faulttree.rules.checks.library import facts_of

    found = [_of_problem(problem, examined) for problem in examined.problems]
    subject = _subject(examined, library)
    if subject is None:
        return CheckedFile(examined.kind, once(found))
    found += _run(subject, examined, PER_TREE)
    left, used = accept(found, {name: subject.data(name) for name in subject.documents})
    rule = all_rules()["accepted-for-nothing"]
    left += [
        finding_at(rule.id, rule.level, idle, examined)
        for idle in unused(subject.own, subject.data(subject.own), used)
    ]
    facts = facts_of(subject.tree, examined) if examined.kind == "tree" else None
    return CheckedFile(examined.kind, once(left), facts)


def fit_to_walk(what: ExaminedFile | Tree) -> tuple[Finding, ...]:
    """The errors that a walk could run into, quickly: no graph library, no schema.

    Args:
        what: a tree, or one examined with its documents so that findings have a place.

    Returns:
        Findings of level ``error`` that are not accepted; empty where the tree is fit.
    """
    examined = what if isinstance(what, ExaminedFile) else ExaminedFile("tree", what, ())
    found = [_of_problem(p, examined) for p in examined.problems if p.level == "error"]
    if examined.tree is None:
        return once(found)
    subject = RuleContext(examined.tree)
    found += _run(subject, examined, CHEAP, ("error",))
    left, _ = accept(found, {name: subject.data(name) for name in subject.documents})
    return once(left)


def _run(
    subject: RuleContext,
    examined: ExaminedFile,
    families: tuple[Family, ...],
    levels: tuple[Level, ...] = LEVELS,
) -> Iterator[Finding]:
    left_out = False
    for rule in rules_of(*families):
        if rule.check is None or rule.level not in levels:
            continue
        try:
            for found in rule.check(subject):
                # A procedure looked at by itself stands in a tree that nobody wrote.
                if subject.own == "tree" or found.where.document != "tree":
                    yield finding_at(rule.id, rule.level, found, examined)
        except TooLargeError:
            left_out = True
    if left_out:
        whole = RawFinding(
            Where(subject.own, ()), "The tree is too large to be weighed.", "Split it."
        )
        yield finding_at("too-large-to-weigh", "note", whole, examined)


def finding_at(rule: str, level: Level, found: RawFinding, examined: ExaminedFile) -> Finding:
    """What a rule found, at its line of its file."""
    path, line, column = examined.place(found.where, found.of_key)
    return Finding(
        rule,
        level,
        found.message,
        str(path or ""),
        line or 1,
        column or 1,
        found.mend,
        about(found.where),
        source_line(examined, found.where.document, line),
        found.where.document,
    )


def source_line(examined: ExaminedFile, document: str, line: int | None, longest: int = 240) -> str:
    """One line of a document, for people."""
    held = examined.documents.get(document)
    if held is None or not line or line > len(held.lines):
        return ""
    return held.lines[line - 1][:longest]


def _of_problem(problem: Problem, examined: ExaminedFile) -> Finding:
    document = problem.where.document if problem.where else ""
    at = about(problem.where) if problem.where else ""
    return Finding(
        problem.rule,
        problem.level,
        problem.message,
        str(problem.path or ""),
        problem.line or 1,
        problem.column or 1,
        problem.mend,
        at,
        source_line(examined, document, problem.line),
        document,
    )


def of_error(error: FaulttreeError, rule: str = "unreadable") -> Finding:
    """A file that could not even be read, as a finding."""
    return Finding(
        rule, "error", error.message, str(error.path or ""), error.line or 1, error.column or 1,
        error.mend or "",
    )  # fmt: skip


def _subject(examined: ExaminedFile, library: Library) -> RuleContext | None:
    """What the rules look at; None where nothing could be built."""
    if examined.tree is None or any(p.rule == "too-large" for p in examined.problems):
        return None
    own = next(iter(examined.documents), "tree")
    return RuleContext(
        examined.tree,
        _shared(library, "families"),
        own,
        _shared(library, "cautions"),
        _shared(library, "instruments"),
    )


def _shared(library: Library, kind: str) -> Mapping[str, Any]:
    """A shared table; nothing where its file is broken, which is a finding of its own."""
    try:
        table: Mapping[str, Any] = getattr(library, kind)
    except TreeError:
        return {}
    return table
