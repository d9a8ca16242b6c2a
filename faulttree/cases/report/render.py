"""A report set as text, Markdown or HTML. Whatever a case quotes stays text in all three."""

from __future__ import annotations

import html
import re
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from faulttree.texts import harmless, one_line

__all__ = ["FORMS", "as_html", "as_markdown", "as_text", "blocks"]


@dataclass(frozen=True, slots=True)
class Block:
    """One piece of a report: a heading, label and value, an item (numbered or not), a line."""

    kind: Literal["title", "heading", "pair", "step", "item", "detail"]
    text: str
    label: str = ""
    struck: bool = False


def blocks(report: Mapping[str, Any]) -> Iterator[Block]:
    """A report from :func:`faulttree.cases.report.report` in the order it is read."""
    yield Block("title", f"Case {report['number']}: {report['tree_title']}")
    yield from taking_in(report)
    yield from what_was_done(report)
    yield from repairs(report)
    yield from left_open(report)
    yield from besides(report)
    yield from outcome(report)


def taking_in(report: Mapping[str, Any]) -> Iterator[Block]:
    """The unit and the complaint."""
    unit = report["unit"]
    known = ("family", "model", "serial", "tag", "modules")
    yield Block("heading", "Taken in")
    for key in (*known, *(key for key in unit if key not in known)):
        if value := unit.get(key):
            yield Block("pair", said(value), key.capitalize())
    told = (
        ("Complaint", report["complaint"]),
        ("In the owner's words", quoted(report["owner_words"])),
        ("Taken in by", report["who"]),
        ("Opened", day(report["opened"])),
        ("Case", report["case"]),
    )
    yield from (Block("pair", value, label) for label, value in told if value)


def what_was_done(report: Mapping[str, Any]) -> Iterator[Block]:
    """Every step with its outcome, those gone back over marked."""
    if not report["story"]:
        return
    yield Block("heading", "What was tested")
    for entry in report["story"]:
        yield Block("step", step_line(entry), struck=not entry["stands"])
        yield from step_details(entry)
        for note in report["notes"]:
            if note["beside"] == entry["sequence"]:
                yield Block("detail", f"Note: {note['text']}")


def step_line(entry: Mapping[str, Any]) -> str:
    """The step, how it came out, and its id where that is not what was asked."""
    mark = "" if entry["stands"] else " (gone back over; no longer counts)"
    name = "" if entry["title"] == entry["step"] else f" [{entry['step']}]"
    if entry["skipped"]:
        reason = f": {entry['reason']}" if entry["reason"] else ""
        return f"{entry['title']} – skipped{reason}{mark}{name}"
    reading = reading_text(entry["reading"])
    outcome = entry["outcome"] if not reading else f"{reading}, {entry['outcome']}"
    return f"{entry['title']} – {outcome}{mark}{name}"


def step_details(entry: Mapping[str, Any]) -> Iterator[Block]:
    """What stands below a step."""
    if sentence := verdict_text(entry["verdict"]):
        yield Block("detail", sentence)
    told = (
        ("Expected", entry["expected"]),
        ("Instrument", entry["instrument"]),
        ("Note", entry["note"]),
    )
    yield from (Block("detail", f"{label}: {value}") for label, value in told if value)
    if entry["minutes"] is not None:
        yield Block("detail", f"{minutes(entry['minutes'])}")


def repairs(report: Mapping[str, Any]) -> Iterator[Block]:
    """Each repair and whether it held."""
    if not report["repairs"]:
        return
    yield Block("heading", "Repair")
    for repair in report["repairs"]:
        yield Block("item", f"{repair['title']}{with_text(repair['what'])}")
        if repair["parts"]:
            yield Block("detail", f"Parts: {', '.join(map(str, repair['parts']))}")
        if repair["cost"] is not None:
            yield Block("detail", f"Cost of parts: {repair['cost']:g}")
        yield Block("detail", confirmation(repair))


def confirmation(repair: Mapping[str, Any]) -> str:
    """Whether the repair held, and what showed it."""
    if repair["confirmed"] is None:
        return "Not yet confirmed"
    word = "Confirmed" if repair["confirmed"] else "Did not cure it"
    shown = [repair["step_title"], reading_text(repair["reading"]), repair["outcome"]]
    told = ", ".join(filter(None, [*shown, repair["seen"]]))
    return f"{word}: {told}" if told else word


def left_open(report: Mapping[str, Any]) -> Iterator[Block]:
    """Suspects that were shown and knowingly left untested."""
    if not report["declined"]:
        return
    yield Block("heading", "Left untested, knowingly")
    if report["declined_because"]:
        yield Block("item", f"Because: {report['declined_because']}")
    for suspect in report["declined"]:
        figures = []
        if (share := suspect.get("probability")) is not None:
            figures.append(f"{100 * share:.2g} %")
        if (takes := suspect.get("minutes")) is not None:
            figures.append(f"{minutes(takes)} to test")
        yield Block("item", f"{suspect['title']}{with_text(', '.join(figures))}")


def besides(report: Mapping[str, Any]) -> Iterator[Block]:
    """Notes that belong to no step shown, and photos."""
    loose = [note for note in report["notes"] if note["beside"] is None]
    if loose:
        yield Block("heading", "Notes")
        yield from (Block("item", note["text"]) for note in loose)
    if report["photos"]:
        yield Block("heading", "Photos")
        for photo in report["photos"]:
            digest = f" (SHA-256 {photo['sha256'][:12]}…)" if photo["sha256"] else ""
            yield Block("item", f"{photo['path']}{digest}")


def outcome(report: Mapping[str, Any]) -> Iterator[Block]:
    """How the case stands."""
    yield Block("heading", "Outcome")
    turns = [turn for turn in report["turns"] if turn["kind"] != "closed"]
    for turn in turns:
        yield Block("item", f"{day(turn['at'])} {turn['kind']}{with_text(turn['text'])}")
    last = [turn["note"] for turn in report["turns"] if turn["kind"] == "closed"]
    state = report["result"] or report["state"]
    told = (
        ("Result", state),
        ("Closing checks", closing_text(report)),
        ("Fault", naming(report["fault_title"], report["fault"])),
        ("Part", report["part"]),
        ("Remedy", report["remedy"]),
        ("The unit", report["became_text"]),
        ("Kept", ", ".join(report["kept"])),
        ("Note", last[-1] if last and report["state"] == "closed" else ""),
        ("Closed", day(report["closed"])),
        ("Time taken", minutes(report["minutes"]) if report["minutes"] else ""),
        ("Time by the tree", minutes(report["tree_minutes"]) if report["tree_minutes"] else ""),
        ("Came back", f"the same unit came in again: case {report['came_back']}" * came(report)),
    )
    yield from (Block("pair", value, label) for label, value in told if value)


def closing_text(report: Mapping[str, Any]) -> str:
    """What the closing checks showed, in words; empty where the tree has none."""
    if report["closing_result"] == "failed":
        names = ", ".join(report["closing_failed"])
        return f"FAILED, and not passed since: {names}. The unit must not go back into use."
    return {"passed": "passed", "not-made": "not made"}.get(report["closing_result"] or "", "")


def came(report: Mapping[str, Any]) -> bool:
    """Whether the unit came back after this case."""
    return bool(report["came_back"])


# How things are said ------------------------------------------------------------------------


def naming(title: str, name: str) -> str:
    """A title with the id behind it, where they differ."""
    return title if title == name else f"{title} ({name})"


def quoted(text: str) -> str:
    """Somebody's own words."""
    return f"“{text}”" if text else ""


def with_text(text: str) -> str:
    """More after a colon, if there is more."""
    return f": {text}" if text else ""


def said(value: object) -> str:
    """A value of the unit in words."""
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return str(value)


def day(at: str | None) -> str:
    """A time to the minute, UTC."""
    return f"{at[:16].replace('T', ' ')} UTC" if at else ""


def minutes(value: float) -> str:
    """A length of time; in seconds where it is less than a minute."""
    if round(60 * value) < 60:
        return f"{60 * value:.0f} s"
    return f"{max(value, 1):.2g} min" if value < 10 else f"{value:.0f} min"


def reading_text(reading: Mapping[str, Any] | None) -> str:
    """What the meter showed, as it was typed."""
    if not reading:
        return ""
    if text := reading.get("text"):
        return str(text)
    if reading.get("over_range"):
        return "over range"
    value = reading.get("value")
    return "" if value is None else f"{value} {reading.get('unit') or ''}".strip()


def verdict_text(verdict: Mapping[str, Any] | None) -> str:
    """The sentence of a judgement."""
    return str(verdict.get("text") or "") if verdict else ""


# Setting ------------------------------------------------------------------------------------


def as_text(report: Mapping[str, Any], width: int = 80) -> str:
    """For a terminal of this many columns, or a printer."""
    width = max(width, 24)
    lines: list[str] = []
    number = 0
    for block in blocks(report):
        text, label = one_line(block.text), one_line(block.label)
        if block.kind == "title":
            lines += [*textwrap.wrap(text, width), "=" * min(len(text), width)]
        elif block.kind == "heading":
            lines += ["", text, "-" * min(len(text), width)]
        elif block.kind == "step":
            number += 1
            lines += hanging(f"{number:>3}. ", text, width)
        elif block.kind == "pair":
            lines += hanging(f"{label}: ", text, width, indent=2)
        else:
            lines += hanging("  - " if block.kind == "item" else "     ", text, width)
    return "\n".join(lines) + "\n"


def hanging(first: str, text: str, width: int, indent: int | None = None) -> list[str]:
    """Wrapped text whose later lines stand under the first."""
    rest = " " * (len(first) if indent is None else indent)
    return textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    ) or [first]


MARKUP = re.compile(r"([\\`*_\[\]<>|~&$]|^[#+=-]|(?<=^\d)[.)](?=\s)|(?<=^\d\d)[.)](?=\s))")


def as_markdown(report: Mapping[str, Any], width: int = 0) -> str:
    """CommonMark; every sign that could mean markup is escaped."""
    lines: list[str] = []
    number = 0
    for block in blocks(report):
        text, label = plain_markdown(block.text), plain_markdown(block.label)
        if block.kind == "title":
            lines += [f"# {text}", ""]
        elif block.kind == "heading":
            lines += ["", f"## {text}", ""]
        elif block.kind == "step":
            number += 1
            lines.append(f"{number}. {f'~~{text}~~' if block.struck else text}")
        elif block.kind == "pair":
            lines.append(f"- **{label}:** {text}")
        else:
            lines.append(f"- {text}" if block.kind == "item" else f"    - {text}")
    return "\n".join(lines) + "\n"


def plain_markdown(text: str) -> str:
    """One line without markup."""
    return MARKUP.sub(r"\\\1", one_line(text))


STYLE = """
body { font: 16px/1.45 sans-serif; max-width: 46em; margin: 2em auto; padding: 0 1em; }
h2 { border-bottom: 1px solid #999; margin-top: 1.6em; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .2em 1em; }
dt { font-weight: bold; } dd { margin: 0; }
.detail { color: #444; display: block; } .gone { color: #666; }
@media print { body { margin: 0; } }
"""


def as_html(report: Mapping[str, Any], width: int = 0) -> str:
    """One page that needs nothing else, with a policy that lets nothing run or load."""
    body: list[str] = []
    title = ""
    opened = ""
    for block in blocks(report):
        tag = {"step": "ol", "item": "ul", "pair": "dl"}.get(block.kind, "")
        if block.kind != "detail" and tag != opened:
            body += ([f"</{opened}>"] if opened else []) + ([f"<{tag}>"] if tag else [])
            opened = tag
        title = title or html.escape(one_line(block.text))
        body.append(HTML[block.kind](block))
    body += [f"</{opened}>"] if opened else []
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        f"<title>{title}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
        + "\n".join(body)
        + "\n</body>\n</html>\n"
    )


def safe(text: str) -> str:
    """Text for HTML; line ends are kept as blanks."""
    return html.escape(" ".join(harmless(text).split()))


HTML: Mapping[str, Callable[[Block], str]] = {
    "title": lambda block: f"<h1>{safe(block.text)}</h1>",
    "heading": lambda block: f"<h2>{safe(block.text)}</h2>",
    "pair": lambda block: f"<dt>{safe(block.label)}</dt><dd>{safe(block.text)}</dd>",
    "step": lambda block: (
        f'<li class="gone"><s>{safe(block.text)}</s>' if block.struck else f"<li>{safe(block.text)}"
    ),
    "item": lambda block: f"<li>{safe(block.text)}",
    "detail": lambda block: f'<span class="detail">{safe(block.text)}</span>',
}

FORMS: Mapping[str, Callable[[Mapping[str, Any], int], str]] = {
    "text": as_text,
    "markdown": as_markdown,
    "html": as_html,
}
"""Name of a form → what sets it: report and width in columns to text."""


def table(rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Columns side by side, the last one cut to fit a line."""
    clean = [[one_line(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*clean, strict=True)]
    lines = []
    for row in clean:
        line = "  ".join(cell.ljust(size) for cell, size in zip(row, widths, strict=True))
        lines.append(line.rstrip()[: max(width, 20)])
    return lines
