"""One page of a case for the public: what was tested, found and said, without owner data."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from faulttree.cases.report.render import plain_markdown
from faulttree.tips.results import SAID, RemarkResult, in_brackets
from faulttree.walk.events import Event, FactGiven, Opened
from faulttree.walk.state import State

SHORTEST = 2
"""Characters of the shortest text that is left out; a single letter stands in any text."""

UNIT_SHOWN = ("family", "modules")
"""What of a unit the page may hold."""


def public_page(results: Iterable[RemarkResult], state: State, events: Iterable[Event]) -> str:
    """The page in CommonMark; every sign that could mean markup is escaped.

    It names no author, and nothing of the unit but its tree and family. What the case tells of
    the owner or the unit is replaced by ``[left out]`` where a remark holds it.

    Args:
        results: what became of the remarks.
        state: the walk of the case.
        events: its events, for what must not be in the page.
    """
    private = _private(events)
    lines = [f"# {state.tree.title}", "", "## What was tested", ""]
    lines += [f"- {one}" for one in _tested(state)] or ["- Nothing yet."]
    lines += ["", "## What was found", "", f"- {_found(state)}", "", "## What others said", ""]
    for one in results:
        if one.result == "unsafe":
            lines.append(f"- Do not try this. {one.decided}")
            continue
        lines.append(f'- "{one.text}": {SAID[one.result]}. {one.decided}')
    return "\n".join(_set(line, private) for line in lines) + "\n"


def _set(line: str, private: re.Pattern[str] | None) -> str:
    """A line with its own markup kept, the rest plain, and private texts left out."""
    mark = next((one for one in ("## ", "# ", "- ") if line.startswith(one)), "")
    text = line.removeprefix(mark)
    if private is not None:
        text = private.sub("[left out]", " ".join(text.split()))
    return f"{mark}{plain_markdown(text)}"


def _tested(state: State) -> Iterator[str]:
    for visit in state.visits:
        text = state.tree.steps[visit.step].text if visit.step in state.tree.steps else visit.step
        yield f"{text} {visit.outcome}{in_brackets(visit.event.reading)}."


def _found(state: State) -> str:
    if state.cured is None:
        return "No repair is proved yet."
    fault = state.tree.faults.get(state.cured.fault)
    remedy = f" {fault.remedy}" if fault is not None and fault.remedy else ""
    return f"{state.tree.fault_title(state.cured.fault)}. The repair held.{remedy}"


def _private(events: Iterable[Event]) -> re.Pattern[str] | None:
    """What the events tell of owner, people, places and unit."""
    texts: set[str] = set()
    for event in events:
        texts |= {event.person, event.device}
        if isinstance(event, Opened):
            texts |= {event.who, event.complaint, event.owner_words}
            texts |= set(_texts({k: v for k, v in event.unit.items() if k not in UNIT_SHOWN}))
        elif isinstance(event, FactGiven) and event.name.startswith("unit."):
            texts.add(event.value)
    found = sorted((" ".join(one.split()) for one in texts), key=len, reverse=True)
    kept = [re.escape(one) for one in found if len(one) >= SHORTEST]
    return re.compile(rf"(?<!\w)(?:{'|'.join(kept)})(?!\w)", re.IGNORECASE) if kept else None


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, Mapping):
        for one in value.values():
            yield from _texts(one)
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _texts(one)
    elif isinstance(value, str):
        yield value
