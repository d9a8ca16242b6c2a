"""Findings for people: place, level, message, the line with a caret, reason and mend."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator

from faulttree.rules.finding import Finding, Report
from faulttree.rules.registry import reason_of
from faulttree.texts import harmless, one_line

__all__ = ["as_github", "as_text", "summary"]

# Bold with one of three colours; the word itself is always there, so colour is never alone.
COLOURS = {"error": "\x1b[1;31m", "warning": "\x1b[1;33m", "note": "\x1b[1;36m"}
FAINT, BOLD, PLAIN = "\x1b[2m", "\x1b[1m", "\x1b[0m"
WIDTH = 96


def as_text(report: Report, *, colour: bool = False) -> str:
    """The whole report, the reason of each rule told once."""
    told: set[str] = set()
    parts = [
        "\n".join(_lines(finding, colour, finding.rule not in told and not told.add(finding.rule)))  # type: ignore[func-returns-value]
        for finding in report.findings
    ]
    return "\n\n".join([*parts, summary(report)])


def _lines(finding: Finding, colour: bool, with_reason: bool) -> Iterator[str]:
    place = f"{one_line(finding.path)}:{finding.line}:{finding.column}"
    word, message = finding.level, one_line(finding.message)
    if colour:
        yield f"{BOLD}{place}{PLAIN}: {COLOURS[word]}{word}{PLAIN}: {message} [{finding.rule}]"
    else:
        yield f"{place}: {word}: {message} [{finding.rule}]"
    if finding.source.strip():
        yield from _shown(finding)
    if finding.mend:
        yield f"  mend: {one_line(finding.mend)}"
    reason = reason_of(finding.rule) if with_reason else ""
    if reason:
        for number, line in enumerate(_wrapped(reason, WIDTH - 8)):
            text = f"  {'why:' if number == 0 else '    '}  {line}"
            yield f"{FAINT}{text}{PLAIN}" if colour else text


def _shown(finding: Finding) -> Iterator[str]:
    """The source line, cut to a window around the place, with a caret below it."""
    column = min(finding.column - 1, len(finding.source))
    begin = max(0, column - WIDTH // 2) if len(finding.source) > WIDTH else 0
    before = harmless(finding.source[begin:column]).replace("\t", " ")
    after = harmless(finding.source[column : begin + WIDTH]).replace("\t", " ")
    number = str(finding.line)
    yield f"  {number} | {before}{after}"
    yield f"  {' ' * len(number)} | {' ' * _width(before)}^"


def _width(text: str) -> int:
    """Columns of a terminal that a text takes."""
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1
        for char in text
    )


def _wrapped(text: str, width: int) -> list[str]:
    from textwrap import wrap

    return wrap(text, width)


def summary(report: Report) -> str:
    """One line: what was looked at and what was found."""
    looked = [
        _count(report.trees, "tree"),
        _count(report.procedures, "procedure"),
        _count(report.tables, "fault table"),
        _count(report.others, "other file"),
    ]
    found = [_count(report.counts[level], level) for level in ("error", "warning", "note")]
    shown = ", ".join(part for part in looked if not part.startswith("0 ")) or "nothing"
    return f"{shown} checked: {', '.join(found)}"


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def as_github(findings: Iterable[Finding]) -> str:
    """Workflow commands that annotate the lines of a change."""
    words = {"error": "error", "warning": "warning", "note": "notice"}
    return "\n".join(
        f"::{words[f.level]} file={_property(f.path)},line={f.line},col={f.column},"
        f"title={_property(f.rule)}::{_data(one_line(f'{f.message} {f.mend}'.strip()))}"
        for f in findings
    )


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _data(harmless(text)).replace(":", "%3A").replace(",", "%2C")
