"""Findings an author has looked at and lets stand: ``accepted`` in the file, with a reason."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from faulttree.rules.registry import Rule, all_rules
from faulttree.tree.finding import Finding, near
from faulttree.tree.model import Where
from faulttree.tree.plain import as_list, as_mapping

Entry = tuple[int, str, str]
"""Number, rule and place of one entry."""


def accept(
    findings: Iterable[Finding], documents: Mapping[str, Any]
) -> tuple[list[Finding], frozenset[tuple[str, int]]]:
    """Leave out what is accepted in the file it stands in.

    Args:
        findings: what was found.
        documents: name → plain data of the documents in play.

    Returns:
        What is left, and the entries (document, number) that matched something.
    """
    entries: dict[tuple[str, str], list[tuple[int, str]]] = {}
    for name, data in documents.items():
        for number, rule, at in entries_of(data):
            entries.setdefault((name, rule), []).append((number, at))
    left: list[Finding] = []
    used: set[tuple[str, int]] = set()
    for finding in findings:
        matching = [
            (finding.where.document, number)
            for number, at in entries.get((finding.where.document, finding.rule), ())
            if at in ("", finding.at)
        ]
        used.update(matching)
        if not matching:
            left.append(finding)
    return left, frozenset(used)


def unused(
    own: str, data: Any, used: frozenset[tuple[str, int]], *, families: bool = False
) -> Iterator[Finding]:
    """Entries of a document that match nothing.

    Args:
        own: the document's name.
        data: its plain data.
        used: what :func:`accept` found to match.
        families: whether entries for rules that compare trees count too; those can only
            be matched where the whole library is looked at.
    """
    rules = all_rules()
    for number, rule, at in entries_of(data):
        if (own, number) in used or (not families and _compares(rules.get(rule))):
            continue
        where = Where(own, ("accepted", number))
        if rule not in rules:
            remedy = near(rule, rules) or "`faulttree check` prints the rule beside each finding."
            yield Finding(where.under("rule"), f"There is no rule `{rule}`.", remedy)
            continue
        place = f" at `{at}`" if at else ""
        yield Finding(where, f"`{rule}` finds nothing{place}.", "Take this entry out.")


def _compares(rule: Rule | None) -> bool:
    return rule is not None and rule.family == "library"


def entries_of(data: Any) -> Iterator[Entry]:
    """The entries of ``accepted`` that give a rule and a reason."""
    for number, entry in enumerate(as_list(as_mapping(data).get("accepted"))):
        if isinstance(entry, Mapping) and str(entry.get("reason") or "").strip():
            rule, at = entry.get("rule"), entry.get("at")
            if isinstance(rule, str):
                yield number, rule, at if isinstance(at, str) else ""
