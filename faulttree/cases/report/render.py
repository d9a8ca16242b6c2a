"""A report set as text, Markdown or HTML. Whatever a case quotes stays text in all three."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from faulttree.reading.verdict_text import verdict_text
from faulttree.texts import minutes_text, one_line, wrapped


@dataclass(frozen=True, slots=True)
class Item:
    """One line of a list, with the lines that stand below it, and a picture as a data URL."""

    text: str
    details: list[str] = field(default_factory=list)
    struck: bool = False
    picture: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with a list (numbered or not), then labels with their values."""

    heading: str
    items: list[Item] = field(default_factory=list)
    pairs: list[tuple[str, str]] = field(default_factory=list)
    numbered: bool = False


def title_of(report: Mapping[str, Any]) -> str:
    """The title of a report."""
    return f"Case {report['number']}: {report['tree_title']}"


def shop_of(report: Mapping[str, Any]) -> str:
    """The shop whose report it is, with its address; empty where none is known."""
    shop = report.get("shop") or {}
    return ", ".join(filter(None, (shop.get("name"), shop.get("address"))))


def sections(report: Mapping[str, Any]) -> list[Section]:
    """A report of :func:`faulttree.cases.report.document.report` in the order it is read."""
    every = (
        Section("Taken in", pairs=taking_in(report)),
        Section("What was tested", list(what_was_done(report)), numbered=True),
        Section("Repair", [repair_item(repair) for repair in report["repairs"]]),
        Section("Left untested, knowingly", list(left_open(report))),
        Section(
            "Notes", [Item(note["text"]) for note in report["notes"] if note["beside"] is None]
        ),
        Section("Photos", [photo_item(photo) for photo in report["photos"]]),
        Section("Outcome", list(turns(report)), outcome(report)),
    )
    return [one for one in every if one.items or one.pairs]


def taking_in(report: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The unit and the complaint."""
    unit = report["unit"]
    known = ("family", "model", "serial", "tag", "modules")
    names = (*known, *(key for key in unit if key not in known))
    told = [
        *((key.capitalize(), said(unit[key])) for key in names if unit.get(key)),
        ("Complaint", report["complaint"]),
        ("In the owner's words", quoted(report["owner_words"])),
        ("Taken in by", report["who"]),
        ("Opened", day(report["opened"])),
        ("Case", report["case"]),
    ]
    return [(label, value) for label, value in told if value]


def what_was_done(report: Mapping[str, Any]) -> Iterator[Item]:
    """Every step with its outcome, those gone back over marked."""
    for entry in report["story"]:
        notes = [n["text"] for n in report["notes"] if n["beside"] == entry["sequence"]]
        details = [*step_details(entry), *(f"Note: {note}" for note in notes)]
        yield Item(step_line(entry), details, struck=not entry["stands"])


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


def step_details(entry: Mapping[str, Any]) -> Iterator[str]:
    """What stands below a step."""
    if sentence := verdict_text(entry["verdict"]):
        yield sentence
    for one in entry.get("read_after", ()):
        yield f"Read after {', '.join(one['disturbs'])}: {one['title']} [{one['step']}]"
    first = entry.get("corrected_from") or {"reading": None, "outcome": ""}
    told = (
        ("Recorded first, then corrected", reading_text(first["reading"]) or first["outcome"]),
        ("Expected", entry["expected"]),
        ("Instrument", entry["instrument"]),
        ("Note", entry["note"]),
    )
    yield from (f"{label}: {value}" for label, value in told if value)
    if entry["minutes"] is not None:
        yield minutes_text(entry["minutes"])


def repair_item(repair: Mapping[str, Any]) -> Item:
    """A repair and whether it held."""
    parts, cost = ", ".join(map(str, repair["parts"])), repair["cost"]
    details = [
        *([f"Parts: {parts}"] if parts else []),
        *([f"Cost of parts: {cost:g}"] if cost is not None else []),
        confirmation(repair),
    ]
    return Item(f"{repair['title']}{with_text(repair['what'])}", details)


def confirmation(repair: Mapping[str, Any]) -> str:
    """Whether the repair held, and what showed it."""
    if repair["confirmed"] is None:
        return "Not yet confirmed"
    word = "Confirmed" if repair["confirmed"] else "Did not cure it"
    shown = [repair["step_title"], reading_text(repair["reading"]), repair["outcome"]]
    told = ", ".join(filter(None, [*shown, repair["seen"]]))
    return f"{word}: {told}" if told else word


def left_open(report: Mapping[str, Any]) -> Iterator[Item]:
    """Suspects that were shown and knowingly left untested."""
    if report["declined"] and report["declined_because"]:
        yield Item(f"Because: {report['declined_because']}")
    for suspect in report["declined"]:
        figures = []
        if (share := suspect.get("probability")) is not None:
            figures.append(f"{100 * share:.2g} %")
        if (takes := suspect.get("minutes")) is not None:
            figures.append(f"{minutes_text(takes)} to test")
        yield Item(f"{suspect['title']}{with_text(', '.join(figures))}")


def photo_item(photo: Mapping[str, Any]) -> Item:
    """A photo by what was said of it, or by its file, and the start of its digest.

    The key ``picture`` may hold it as a data URL (RFC 2397); only HTML shows it.
    """
    digest = f" (SHA-256 {photo['sha256'][:12]}…)" if photo["sha256"] else ""
    if "width" not in photo:
        return Item(f"{photo['path']}{digest}")
    size = f"{photo['width']} × {photo['height']} pixels"
    said = ", ".join(filter(None, (photo["words"], photo["title"], size)))
    return Item(f"{said}{digest}", picture=photo.get("picture", ""))


def turns(report: Mapping[str, Any]) -> Iterator[Item]:
    """When the case was stopped or opened again."""
    for turn in report["turns"]:
        if turn["kind"] != "closed":
            yield Item(f"{day(turn['at'])} {turn['kind']}{with_text(turn['text'])}")


def outcome(report: Mapping[str, Any]) -> list[tuple[str, str]]:
    """How the case stands."""
    last = [turn["note"] for turn in report["turns"] if turn["kind"] == "closed"]
    back = report["came_back"]
    told = (
        ("Result", report["result"] or report["state"]),
        ("Closing checks", closing_text(report)),
        ("Fault", naming(report["fault_title"], report["fault"])),
        ("Part", report["part"]),
        ("Remedy", report["remedy"]),
        ("The unit", report["became_text"]),
        ("Kept", ", ".join(report["kept"])),
        ("Note", last[-1] if last and report["state"] == "closed" else ""),
        ("Closed", day(report["closed"])),
        ("Time taken", time_taken(report)),
        (
            "Time by the tree",
            minutes_text(report["tree_minutes"]) if report["tree_minutes"] else "",
        ),
        ("Came back", f"the same unit came in again: case {back}" if back else ""),
    )
    return [(label, value) for label, value in told if value]


def time_taken(report: Mapping[str, Any]) -> str:
    """Minutes of the whole case, and of each phase if there was more than one."""
    named = {"finding": "finding", "repair": "repair and proof", "closing": "closing checks"}
    phases = [f"{named[name]} {minutes_text(many)}" for name, many in
              report["minutes_by_phase"].items() if many]  # fmt: skip
    whole = minutes_text(report["minutes"]) if report["minutes"] else ""
    return f"{whole} ({', '.join(phases)})" if len(phases) > 1 else whole


def closing_text(report: Mapping[str, Any]) -> str:
    """What the closing checks showed, in words; empty where the tree has none."""
    if report["closing_result"] == "failed":
        names = ", ".join(report["closing_failed"])
        return f"FAILED, and not passed since: {names}. The unit must not go back into use."
    return {"passed": "passed", "not-made": "not made"}.get(report["closing_result"] or "", "")


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


# The three forms ----------------------------------------------------------------------------


def as_text(report: Mapping[str, Any], width: int = 80) -> str:
    """For a terminal of this many columns, or a printer."""
    width = max(width, 24)
    title = one_line(title_of(report))
    shop = one_line(shop_of(report))
    lines = [
        *wrapped(title, width),
        "=" * min(len(title), width),
        *(wrapped(shop, width) if shop else []),
    ]
    for section in sections(report):
        lines += ["", section.heading, "-" * min(len(section.heading), width)]
        for number, item in enumerate(section.items, 1):
            first = f"{number:>3}. " if section.numbered else "  - "
            lines += wrapped(one_line(item.text), width, first, " " * len(first))
            for more in item.details:
                lines += wrapped(one_line(more), width, " " * 5)
        for label, value in section.pairs:
            lines += wrapped(one_line(value), width, f"{one_line(label)}: ", "  ")
    return "\n".join(lines) + "\n"


MARKUP = re.compile(r"([\\`*_\[\]<>|~&$]|^[#+=-]|(?<=^\d)[.)](?=\s)|(?<=^\d\d)[.)](?=\s))")


def as_markdown(report: Mapping[str, Any], width: int = 0) -> str:
    """CommonMark; every sign that could mean markup is escaped."""
    shop = plain_markdown(shop_of(report))
    lines = [f"# {plain_markdown(title_of(report))}", "", *([shop, ""] if shop else [])]
    for section in sections(report):
        lines += ["", f"## {section.heading}", ""]
        for number, item in enumerate(section.items, 1):
            text = plain_markdown(item.text)
            mark = f"{number}." if section.numbered else "-"
            lines.append(f"{mark} ~~{text}~~" if item.struck else f"{mark} {text}")
            lines += [f"    - {plain_markdown(more)}" for more in item.details]
        for label, value in section.pairs:
            lines.append(f"- **{plain_markdown(label)}:** {plain_markdown(value)}")
    return "\n".join(lines) + "\n"


def plain_markdown(text: str) -> str:
    """One line without markup."""
    return MARKUP.sub(r"\\\1", one_line(text))


def as_html(report: Mapping[str, Any], width: int = 0) -> str:
    """One page that needs nothing else, with a policy that lets nothing run or load.

    Photos that have a ``picture`` are part of the page.
    """
    from faulttree.templates import render

    name = "cases/report/report.html.jinja"
    pictures = any("picture" in photo for photo in report["photos"])
    told = {"title": title_of(report), "shop": shop_of(report), "sections": sections(report)}
    return render(name, **told, pictures=pictures)


FORMS: Mapping[str, Callable[[Mapping[str, Any], int], str]] = {
    "text": as_text,
    "markdown": as_markdown,
    "html": as_html,
}
"""Name of a form → what sets it: report and width in columns to text."""
