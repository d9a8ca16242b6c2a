"""Findings as SARIF 2.1.0 (OASIS standard), for editors and code review."""

from __future__ import annotations

from pathlib import PurePath
from typing import Any
from urllib.parse import quote

from faulttree.rules.registry import Rule, all_rules
from faulttree.rules.report import Report
from faulttree.tree.finding import Finding
from faulttree.version import __version__

SCHEMA = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)


def as_sarif(report: Report) -> dict[str, Any]:
    """One run with the rules that found something, and every finding as a result."""
    used = {finding.rule for finding in report.findings}
    rules = [rule for name, rule in all_rules().items() if name in used]
    places = {rule.id: number for number, rule in enumerate(rules)}
    return {
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {
                    "driver": {
                        "name": "faulttree",
                        "semanticVersion": __version__,
                        "rules": [_descriptor(rule) for rule in rules],
                    }
                },
                "columnKind": "unicodeCodePoints",
                "results": [_result(finding, places) for finding in report.findings],
            }
        ],
    }


def _descriptor(rule: Rule) -> dict[str, Any]:
    first = rule.reason.split(". ")[0].rstrip(".") + "."
    return {
        "id": rule.id,
        "shortDescription": {"text": first},
        "fullDescription": {"text": rule.reason},
        "defaultConfiguration": {"level": rule.level},
        "properties": {"family": rule.family},
    }


def _result(finding: Finding, places: dict[str, int]) -> dict[str, Any]:
    text = f"{finding.message} {finding.remedy}".strip()
    location: dict[str, Any] = {
        "region": {"startLine": finding.line, "startColumn": finding.column},
    }
    if finding.source:
        location["region"]["snippet"] = {"text": finding.source}
    location["artifactLocation"] = {"uri": _uri(finding.path)}
    result: dict[str, Any] = {
        "ruleId": finding.rule,
        "level": finding.level,
        "message": {"text": text},
        "locations": [{"physicalLocation": location}],
    }
    if finding.rule in places:
        result["ruleIndex"] = places[finding.rule]
    return result


def _uri(path: str) -> str:
    """A relative reference, or a file URI for an absolute path (RFC 3986, RFC 8089)."""
    if not path or path.startswith("<"):
        return "stdin"
    posix = PurePath(path).as_posix()
    return f"file://{quote(posix)}" if posix.startswith("/") else quote(posix)
