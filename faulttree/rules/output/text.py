"""Findings for people: place, level, message, the line with a caret, reason and remedy."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from faulttree.rules.registry import reason_of
from faulttree.rules.report import Report
from faulttree.texts import counted, harmless, one_line, wrapped
from faulttree.tree.finding import Finding

# Bold with one of three colours; the word itself is always there, so colour is never alone.
STYLES = {"error": "bold red", "warning": "bold yellow", "note": "bold cyan"}
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
    word: str = finding.level
    message = one_line(finding.message)
    place, word = _styled(place, "bold", colour), _styled(word, STYLES[word], colour)
    yield f"{place}: {word}: {message} [{finding.rule}]"
    if finding.source.strip():
        yield from _shown(finding)
    if finding.remedy:
        yield f"  remedy: {one_line(finding.remedy)}"
    reason = reason_of(finding.rule) if with_reason else ""
    if reason:
        lines = wrapped(reason, WIDTH, "  why:  ", " " * 8)
        yield from (_styled(line, "dim", colour) for line in lines)


def _styled(text: str, style: str, colour: bool) -> str:
    """The text in a style, where colour is wanted."""
    if not colour:
        return text
    from rich.color import ColorSystem
    from rich.style import Style

    return Style.parse(style).render(text, color_system=ColorSystem.STANDARD)


def _shown(finding: Finding) -> Iterator[str]:
    """The source line, cut to a window around the place, with a caret below it."""
    from rich.cells import cell_len

    column = min(finding.column - 1, len(finding.source))
    begin = max(0, column - WIDTH // 2) if len(finding.source) > WIDTH else 0
    before = harmless(finding.source[begin:column]).replace("\t", " ")
    after = harmless(finding.source[column : begin + WIDTH]).replace("\t", " ")
    number = str(finding.line)
    yield f"  {number} | {before}{after}"
    yield f"  {' ' * len(number)} | {' ' * cell_len(before)}^"


def summary(report: Report) -> str:
    """One line: what was looked at and what was found."""
    looked = [
        counted(report.trees, "tree"),
        counted(report.procedures, "procedure"),
        counted(report.tables, "fault table"),
        counted(report.others, "other file"),
    ]
    found = [counted(report.counts[level], level) for level in ("error", "warning", "note")]
    shown = ", ".join(part for part in looked if not part.startswith("0 ")) or "nothing"
    return f"{shown} checked: {', '.join(found)}"


def as_github(findings: Iterable[Finding]) -> str:
    """Workflow commands that annotate the lines of a change."""
    words = {"error": "error", "warning": "warning", "note": "notice"}
    return "\n".join(
        f"::{words[f.level]} file={_property(f.path)},line={f.line},col={f.column},"
        f"title={_property(f.rule)}::{_data(one_line(f'{f.message} {f.remedy}'.strip()))}"
        for f in findings
    )


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _data(harmless(text)).replace(":", "%3A").replace(",", "%2C")
