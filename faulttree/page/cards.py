"""A screen as what its template reads: rows, buttons, fields and the words beside an answer."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from faulttree.page.rows import WIDE, Row, rows
from faulttree.page.scale import Scale, scale_of
from faulttree.reading.verdict_text import verdict_text
from faulttree.session.prompts import ACTIONS, open_suspects
from faulttree.terminal import advice_text as advice
from faulttree.terminal import screens
from faulttree.terminal.drawing import end_lines
from faulttree.texts import spell

if TYPE_CHECKING:
    from faulttree.page.sitting import Screen
    from faulttree.reading import Bench
    from faulttree.session import Lookup, Message, Prompt
    from faulttree.terminal.console import Line

__all__ = ["Button", "Card", "Told", "Word", "card", "faster", "for_page"]

ENDS = ("FAULT", "LIKELY", "STOP")
VERBS = ("ASK", "MEASURE", "DO", "USE")
TEXTS = frozenset({"text", "seen", "declined", "fault", "intake", "modules"})
LIVELY = ("how", "why", "suspects", "path", "similar")
"""Words that show a view."""

KEYS = {"how": "h", "why": "w", "suspects": "u", "path": "p", "similar": "m", "back": "b",
        "note": "n", "skip": "s"}  # fmt: skip
PREFIXES = ("p", "n", "µ", "m", "k", "M", "G")
NUMBER_KEYS = 9
TYPED = re.compile(r"[;,]? ?'pause' leaves[^.;]*\.?| Names or numbers, with commas between")
"""Leaving a case needs no word on a page; a list of modules has boxes."""


@dataclass(frozen=True, slots=True)
class Button:
    """An answer that can be chosen, where it leads, and the key that chooses it."""

    id: str
    text: str
    leads_to: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Told:
    """What came of a reply; ``scale`` where a reading was judged."""

    text: str
    style: str = ""
    outcome: str = ""
    scale: Scale | None = None


@dataclass(frozen=True, slots=True)
class Word:
    """A word beside an answer: what it does, what it takes, and its key.

    ``takes`` is empty for a button, ``text`` for a field, else the names to choose from.
    """

    name: str
    does: str
    takes: str = ""
    names: tuple[tuple[str, str], ...] = ()
    key: str = ""


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution to be read: signal word, name and text."""

    signal: str
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Card:
    """Everything a template draws of a prompt."""

    kind: str
    title: str
    verb: str = ""
    place: str = ""
    text: str = ""
    rows: Sequence[Row] = ()
    leads: Sequence[str] = ()
    told: Sequence[Told] = ()
    cautions: Sequence[Caution] = ()
    buttons: Sequence[Button] = ()
    reading: bool = False
    unit: str = ""
    field: str = ""
    label: str = ""
    several: bool = False
    submit: str = ""
    words: Sequence[Word] = ()
    view: Sequence[Row] = ()
    path: Sequence[Row] = ()
    wait: float = 0.0
    wait_step: str = ""
    prefixes: Sequence[str] = PREFIXES


def card(screen: Screen, bench: Bench | None, lookup: Lookup) -> Card:
    """What the template of a case draws; ``lookup`` is what the record knows of other cases."""
    prompt, state = screen.prompt, screen.position.state
    if prompt is None:
        return Card("go-on", "This case is open", text="It can be gone on with.")
    told = [*(_told(one) for one in screen.told), *(_told(one) for one in prompt.messages)]
    path = list(rows(screens.path_view(state, WIDE)))[1:]
    view = list(_view(screen, bench, lookup)) if screen.view else []
    words = list(_words(screen, bench))
    if screen.between and screen.wait is not None:
        step = screen.position.tree.steps[screen.wait.step]
        title = f"Wait {spell(step.wait or screen.wait.seconds)}"
        more = {"wait": screen.wait.seconds, "wait_step": step.id, "view": view, "path": path}
        kept = [word for word in words if word.name in ("note", "photo", *LIVELY)]
        return Card("wait", title, text=step.text, told=told, words=kept, **more)  # type: ignore[arg-type]
    drawn = _drawn(screen, prompt, bench)
    body = dict(zip(("title", "verb", "place", "rows", "leads"), _parts(drawn), strict=True))
    asks = for_page(prompt.text)
    body["title"] = body["title"] or asks
    field = _field(prompt)
    said = prompt.kind == "step" or asks in (body["title"], field.get("label"))
    wait = {"wait": screen.wait.seconds, "wait_step": screen.wait.step} if screen.wait else {}
    return Card(
        prompt.kind,
        text="" if said else asks,
        told=told,
        cautions=list(_cautions(screen, prompt)),
        buttons=_buttons(prompt),
        words=words,
        view=view,
        path=path,
        **body,  # type: ignore[arg-type]
        **wait,  # type: ignore[arg-type]
        **field,  # type: ignore[arg-type]
    )


def for_page(text: str) -> str:
    """A text of the session without what only a terminal needs.

    Example:
        >>> for_page("Repaired? Say what was done; 'pause' leaves it for later")
        'Repaired? Say what was done'
    """
    return TYPED.sub("", text)


def faster(screen: Screen, bench: Bench | None) -> list[Row]:
    """Whether another test would be faster, and what meter decides; it may take a second."""
    if screen.prompt is None or screen.prompt.kind != "step":
        return []
    return list(rows(advice.remark(screen.position.state, bench, screen.meter, WIDE)))


def _told(message: Message) -> Told:
    if message.verdict is None:
        return Told(message.text, message.style)
    style = {"inside": "good", "undecided": "warning"}.get(message.outcome, "bad")
    text = verdict_text(message.verdict)
    return Told(text, style, message.outcome.upper(), scale_of(message.verdict))


def _drawn(screen: Screen, prompt: Prompt, bench: Bench | None) -> list[Line]:
    """The lines that the terminal shows for this prompt, without its list of choices."""
    state = screen.position.state
    if prompt.kind == "step" and prompt.step is not None:
        return screens.step_view(state, prompt.step, WIDE, meter=screen.meter)
    if prompt.kind == "fault":
        return screens.fault_view(state, state.tree.faults[prompt.id.subject], WIDE)
    if prompt.kind == "likely":
        return screens.likely_view(state, state.tree.faults[prompt.id.subject], WIDE)
    if prompt.kind == "suspects":
        lines = end_lines(state, WIDE) if state.ask is None else []
        lines += advice.suspects_before_stopping(state, open_suspects(state), WIDE)
        return lines + advice.worth_view(state, bench, WIDE)
    if prompt.kind in ("ending", "other-tree"):
        return end_lines(state, WIDE)
    return []


def _parts(lines: list[Line]) -> tuple[str, str, str, list[Row], list[str]]:
    """Title, verb, place, rows and where answers lead."""
    title = verb = place = ""
    kept: list[Row] = []
    leads: list[str] = []
    for row in rows(lines):
        if row.label in VERBS or (row.label in ENDS and not title):
            title, verb = row.text, row.label
        elif row.style == "title" and not row.label and not place and not kept and not title:
            place = row.text
        elif row.label == "If" or (leads and not row.label and " → " in row.text):
            leads.append(row.text)
        else:
            kept.append(row)
    return title, verb, place, kept, leads


def _cautions(screen: Screen, prompt: Prompt) -> Iterator[Caution]:
    book = screen.position.tree.known_cautions
    for name in prompt.cautions:
        known = book.get(name)
        if known is None:
            yield Caution("WARNING", name, "Ask what this caution means before you go on.")
        else:
            yield Caution(known.signal, name, known.text)


def _buttons(prompt: Prompt) -> list[Button]:
    if prompt.kind == "modules":
        return [Button(one.id, one.text) for one in prompt.choices]
    found = []
    for number, one in enumerate(prompt.choices, 1):
        more = one.text if one.text != one.id else ""
        text = more if prompt.kind in ("slip", "likely", "suspects", "intake") else one.id
        leads = one.leads_to or (more if text == one.id else "")
        key = str(number) if number <= NUMBER_KEYS else ""
        found.append(Button(one.id, text or one.id, leads, key))
    return found


def _field(prompt: Prompt) -> dict[str, object]:
    """The field or button that takes what is no listed choice."""
    step = prompt.step
    if prompt.kind == "cautions":
        return {"submit": "I have read this and will follow it"}
    if prompt.kind in ("step", "correct") and step is not None:
        if step.kind == "measure":
            return {"reading": True, "unit": prompt.unit, "submit": "Record the reading"}
        if step.kind == "do":
            return {"submit": f"Done; start the {spell(step.wait)}" if step.wait else "Done"}
        return {}
    if prompt.kind == "fact":
        free = bool(prompt.unit) or prompt.carry is not None
        return {"field": "line", "label": for_page(prompt.text), "submit": "Record"} if free else {}
    if prompt.kind == "modules":
        field = "" if prompt.choices else "line"
        several = bool(prompt.choices)
        return {"several": several, "submit": "Record", "field": field, "label": prompt.text}
    if prompt.kind in TEXTS and prompt.id.subject != "still":
        return {"field": "words", "label": for_page(prompt.text), "submit": "Record"}
    return {}


def _view(screen: Screen, bench: Bench | None, lookup: Lookup) -> Iterator[Row]:
    """The view that was asked for."""
    state, prompt = screen.position.state, screen.prompt
    if screen.view == "how" and prompt is not None and prompt.step is not None:
        step = prompt.step
        yield from rows(screens.step_view(state, step, WIDE, meter=screen.meter, full=True))
    elif screen.view == "why":
        yield from rows(advice.why_view(state, WIDE))
    elif screen.view == "suspects":
        yield from rows(advice.suspects_view(state, WIDE))
        yield from rows(advice.worth_view(state, bench, WIDE))
    elif screen.view == "path":
        yield from rows(screens.path_view(state, WIDE))
    elif screen.view == "similar":
        yield from rows(screens.similar_view(lookup.similar(state), WIDE))
    elif screen.view == "set":
        yield from rows(screens.facts_view(state, WIDE))


def _words(screen: Screen, bench: Bench | None) -> Iterator[Word]:
    """What works here besides an answer; leaving a case needs no word on a page."""
    prompt, tree = screen.prompt, screen.position.tree
    assert prompt is not None
    state = screen.position.state
    faults = [(name, one.title) for name, one in tree.faults.items()]
    visits = [
        (str(number), f"{visit.step}: {visit.outcome}")
        for number, visit in enumerate(state.visits, 1)
    ]
    known = [*tree.properties, *tree.ratings, "model", "tag", "complaint"]
    names: dict[str, list[tuple[str, str]]] = {
        "go": [(name, tree.steps[name].text) for name in tree.diagnostic],
        "repaired": faults,
        "correct": visits,
        "meter": [(one.id, one.title or one.id) for one in bench.instruments.values()]
        if bench
        else [],
        "set": [(name, name) for name in known],
    }
    for name in prompt.actions:
        if name in ("?", "pause", "photo") or (name in names and not names[name]):
            continue
        takes = "choice" if name in names else "text" if name in ("note", "skip") else ""
        takes = "value" if name == "set" else takes
        does = ACTIONS[name].split(":")[0]
        yield Word(name, does, takes, tuple(names.get(name, ())), KEYS.get(name, ""))
