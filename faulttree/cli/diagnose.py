"""``faulttree diagnose``: walk a technician, or an answers file, through a tree."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.options import (
    json_option,
    library_option,
    now,
    program,
    record_option,
    say,
    say_json,
)
from faulttree.cli.places import (
    MANY,
    beside,
    open_library,
    open_record,
    placed,
    places_named,
    read_bench_file,
    say_age_of_backup,
)
from faulttree.errors import FaulttreeError, TreeError, WalkError
from faulttree.session.opening import fit_tree, known_of_linked, origin_of, priors_of
from faulttree.texts import minutes_text

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.reading import Bench
    from faulttree.terminal.console import Console
    from faulttree.terminal.open_case import OpenCase
    from faulttree.tree import Document, Library
    from faulttree.tree.model import Tree
    from faulttree.walk.events import Event, PhotoAdded
    from faulttree.walk.state import State


@click.command(
    epilog="Example: faulttree diagnose bench-supply/no-output --serial 'tag 14'\n\n"
    "Example: faulttree diagnose --resume 'tag 14'"
)
@click.argument("words", nargs=-1, metavar="[TREE]")
@click.option("--answers", metavar="FILE", help="Play a walk from a YAML file.")
@click.option(
    "--resume",
    is_flag=False,
    flag_value="",
    default=None,
    metavar="[CASE]",
    help="Go on with an open case, by tag, number or id. [default: the latest]",
)
@click.option(
    "--intake",
    metavar="LINE",
    help="Unit and complaint in one line: MODEL TAG: COMPLAINT.",
)
@click.option("--model", help="Model of the unit.")
@click.option("--serial", help="Serial number or tag of the unit.")
@click.option("--complaint", help="What is wrong, in a few words.")
@click.option("--who", help="Who works on it: bench or initials.")
@click.option("--bench", metavar="FILE", help="The instruments here. [default: bench.yaml]")
@click.option("--brief", is_flag=True, help="Show steps briefly; never those of safety.")
@click.option(
    "--keep-originals",
    is_flag=True,
    help="Also keep the original photo files. They can contain the place.",
)
@click.option("--plain", is_flag=True, help="Plain lines: no colour, no cursor control.")
@click.option("--even-unchecked", is_flag=True, help="Walk a tree that has errors.")
@record_option
@library_option
@json_option
def command(
    words: tuple[str, ...],
    answers: str | None,
    resume: str | None,
    intake: str | None,
    model: str | None,
    serial: str | None,
    complaint: str | None,
    who: str | None,
    bench: str | None,
    brief: bool,
    keep_originals: bool,
    plain: bool,
    even_unchecked: bool,
    record: str | None,
    library: tuple[str, ...],
    as_json: bool,
) -> int:
    """Walk through TREE, by its id, by its file, or by words of the complaint.

    Every answer is on the disk before the next question is shown. Ctrl-C or the end of
    input pauses; 'faulttree diagnose --resume' continues.
    """
    found = open_library(library)
    gear = read_bench_file(bench, found)
    said = {"model": model, "serial": serial}
    unit = {key: value for key, value in said.items() if value}
    in_bench = beside(Path(bench), gear.record) if bench and gear else None
    with open_record(record, library=library, in_bench=in_bench, alone=True) as store:
        say_age_of_backup(store, at_least=MANY)
        if answers is not None:
            tree = pick_tree(words, found, even_unchecked, None)
            for line in origin_of(found, tree):
                say(line, to_people=True)
            return _scripted(tree, answers, store, gear, unit, as_json=as_json)
        console = _console(plain=plain, to_people=as_json)
        places = places_named(record=record, library=library, bench=bench)
        desk = Desk(store, found, console, gear, even_unchecked, places, brief, keep_originals)
        opening = Opening({**unit, "complaint": complaint or "", "who": who or ""}, intake or "")
        return _sat_down(desk, words, resume, opening, as_json=as_json)


# -- what it starts from ----------------------------------------------------------------------


def pick_tree(
    words: tuple[str, ...], library: Library, even_unchecked: bool, console: Console | None
) -> Tree:
    """The tree that is meant: by id, by file, by words, or by asking.

    Raises:
        TreeError: there is none, several fit and nobody can be asked, or it has errors.
    """
    said = " ".join(words)
    if len(words) == 1 and said.endswith((".yaml", ".yml")):
        return fit_tree(library, Path(said), even_unchecked)
    if said in library.trees():
        return fit_tree(library, said, even_unchecked)
    from faulttree.tree.search import FIRST_TESTS, find

    matches = find(said, library, limit=0 if not words else 9) if words or console else ()
    if len(matches) == 1 and words and "/" not in said:
        return fit_tree(library, matches[0].tree, even_unchecked)
    if words and not matches and "/" not in said and FIRST_TESTS in library.trees():
        remedy = (
            f"'faulttree diagnose {FIRST_TESTS}' makes the tests that come first on any device."
        )
        raise TreeError(f"no tree fits '{said}'", remedy=remedy)
    if console is None or "/" in said or not matches:
        library.path_of(said or "?")  # says what is near
        raise TreeError(f"there is no tree '{said}'", remedy="'faulttree find' lists the trees.")
    from faulttree.terminal import screens
    from faulttree.terminal.chooser import choose

    console.show([[("title", "Which of these?")]])
    for number, match in enumerate(matches, 1):
        text = f"{number:>2} {match.title}  ({match.tree})"
        console.show(screens.text_lines(text, console.width))
    hint = f"Type a number from 1 to {len(matches)}, or a tree's id; Ctrl-C leaves."
    chosen = choose(console, "number › ", [match.tree for match in matches], hint)
    assert chosen is not None
    return fit_tree(library, chosen, even_unchecked)


# -- a script ---------------------------------------------------------------------------------


def _scripted(
    tree: Tree,
    answers: str,
    store: Store,
    gear: Bench | None,
    unit: Mapping[str, str],
    *,
    as_json: bool,
) -> int:
    from faulttree.walk.document import document as walk_document
    from faulttree.walk.script import play

    document = _answers_document(Path(answers))
    keeping = _Keeping(store, tree)
    try:
        script = _read_script(document, unit)
        state, remarks = play(
            tree,
            script,
            emit=keeping.keep,
            clock=now,
            bench=gear,
            priors=priors_of(tree, store),
        )
    except FaulttreeError as error:
        if keeping.case:
            say(
                f"faulttree: the answers before this are recorded as {keeping.label}",
                to_people=True,
            )
        raise placed(error, document) from None
    for remark in remarks:
        say(f"faulttree: {remark}", to_people=True)
    if as_json:
        say_json(walk_document(state, keeping.case))
    else:
        _say_end(state, keeping.label)
    return 0 if _ended(state) else 1


def _ended(state: State) -> bool:
    return state.end is not None or state.phase in ("ended", "closed")


def _answers_document(path: Path) -> Document:
    from faulttree.tree import read_document
    from faulttree.tree.schema import refusals, shape_of

    document = read_document(path, shape=shape_of("answers"))
    for found in refusals(document.data, "answers"):
        one = found.located(document)
        raise WalkError(one.message, path=path, line=one.line, column=one.column, remedy=one.remedy)
    return document


def _read_script(document: Document, unit: Mapping[str, str]) -> Any:
    from dataclasses import replace

    from faulttree.walk.script import read_script

    script = read_script(document.data)
    return replace(script, unit={**script.unit, **unit})


class _Keeping:
    """Keeps events as they come: the first opens the case."""

    def __init__(self, store: Store, tree: Tree) -> None:
        self.store, self.tree = store, tree
        self.case, self.count = "", 0

    @property
    def label(self) -> str:
        """The case for people: its number in this record."""
        return f"case {self.store.case(self.case).number}" if self.case else "no case"

    def keep(self, event: Event) -> None:
        """Keep one event durably."""
        if not self.case:
            self.case = self.store.open_case([event], tree_text=self.tree.text)
        else:
            self.store.append(self.case, self.count, event)
        self.count += 1


def _say_end(state: State, label: str) -> None:
    """The end of a scripted walk in a few lines."""
    spent = minutes_text(state.minutes)
    if state.tree.invented:
        say(f"Tree: {state.tree.title}")
    for visit in state.path:
        kept = visit.event.reading
        reading = f" {kept['text']}" if kept else ""
        say(f"{visit.step}:{reading} {visit.outcome}")
    for repair in state.repairs:
        proof = "confirmed" if repair.held else "not confirmed"
        say(f"repaired {repair.fault}: {proof}")
    if state.phase == "likely" and state.reached is not None:
        came_to = state.reached
        open_ = ", ".join(came_to.open_tests) or "none"
        title_of = state.tree.faults[came_to.fault].title
        say(
            f"{label} stays open: likely {came_to.fault}: {title_of} "
            f"({came_to.probability or 0:.0%}); tests still open: {open_}; {spent}"
        )
        return
    if state.end is None:
        place = f" at '{state.ask.id}'" if state.ask else ""
        say(f"{label} stays open{place}; {spent}")
        return
    title = ""
    if state.end.kind == "fault":
        title = f": {state.tree.faults[state.end.id].title}"
    elif state.end.id:
        title = f": {state.tree.stops[state.end.id].title}"
    result = f", {state.closed.result}" if state.closed else ""
    say(f"{label}: {state.end.kind} {state.end.id}{title}{result}; {spent}")


# -- a sitting --------------------------------------------------------------------------------


def _console(*, plain: bool, to_people: bool) -> Console:
    from faulttree.terminal.console import PlainConsole, console_for

    if to_people:
        return PlainConsole(sys.stdin, sys.stderr)
    return console_for(plain=plain)


@dataclass(frozen=True, slots=True)
class Desk:
    """What a technician sits at: the record, the library, the console and the gear."""

    store: Store
    library: Library
    console: Console
    gear: Bench | None
    even_unchecked: bool = False
    places: str = ""
    """The options that lead back to this record and library, as they were typed."""
    brief: bool = False
    keep_originals: bool = False


@dataclass(frozen=True, slots=True)
class Opening:
    """What is known of a unit before anything is asked.

    ``known`` is by the names of :func:`faulttree.session.begin_intake`; ``line`` is an intake in
    one line, whose model and tag cannot be told apart before the tree is known.
    """

    known: Mapping[str, str]
    line: str = ""

    def on(self, tree: Tree) -> Mapping[str, str]:
        """What is known, the line read with the models of a tree; an option goes first."""
        from faulttree.session.intake import known_models, read_intake

        told = {name: value for name, value in self.known.items() if value}
        return {**read_intake(self.line, known_models(tree)), **told}

    def words(self, words: tuple[str, ...], library: Library) -> tuple[str, ...]:
        """The words that name the tree: as typed, else model and complaint of the line."""
        from faulttree.session.intake import read_intake
        from faulttree.tree.search import find

        told = read_intake(self.line)
        complaint = told.get("complaint", "")
        if words or not complaint:
            return words
        both = f"{told.get('model', '')} {complaint}".strip()
        return (both if find(both, library) else complaint,)


def _sat_down(
    desk: Desk,
    words: tuple[str, ...],
    resume: str | None,
    opening: Opening,
    *,
    as_json: bool,
) -> int:
    """Sit with one case, and with the linked ones that it goes on in."""
    from faulttree.terminal.console import AwayError

    try:
        if resume is not None:
            case_open = _resumed(desk, resume)
        else:
            named = opening.words(words, desk.library)
            tree = pick_tree(named, desk.library, desk.even_unchecked, desk.console)
            case_open = _opened(desk, tree, opening.on(tree))
        while _sat(case_open, desk.places) and case_open.onward:
            case_open = _onward(desk, case_open)
    except (AwayError, KeyboardInterrupt):
        say("faulttree: left before a case was opened; nothing is recorded", to_people=True)
        return 1
    if as_json:
        from faulttree.walk.document import document as walk_document

        say_json(walk_document(case_open.state, case_open.journal.case))
    return 0 if _ended(case_open.state) else 1


def _onward(desk: Desk, before: OpenCase) -> OpenCase:
    """The linked case on the tree that the last one's stop named."""
    known = known_of_linked(before.state, before.journal.case)
    tree = fit_tree(desk.library, before.onward, desk.even_unchecked)
    return _opened(desk, tree, known)


def _opened(desk: Desk, tree: Tree, known: Mapping[str, str]) -> OpenCase:
    """Open a case: what is still wanted of unit and complaint is asked."""
    from faulttree.cases.other_cases import OtherCases
    from faulttree.session import Context
    from faulttree.terminal.intake import take_in

    context = Context(
        now=now(),
        bench=desk.gear,
        lookup=OtherCases(desk.store),
        priors=partial(priors_of, tree, desk.store),
        resume=f"'faulttree diagnose --resume {{}}{desk.places}'",
    )
    events = list(take_in(desk.console, tree, context, known))
    case = desk.store.open_case(events, tree_text=tree.text)
    case_open = _open_case(desk, tree, case, events)
    case_open.say(f"This is {case_open.label}. Ctrl-C pauses; every answer is recorded.")
    _say_complaint(case_open)
    for line in origin_of(desk.library, tree):
        case_open.say(line)
    return case_open


def _resumed(desk: Desk, words: str) -> OpenCase:
    """Go on with an open case, on the text of the tree it was begun with."""
    from faulttree.cases.historical_tree import walked_tree

    store = desk.store
    case = _latest_open(store) if not words.strip() else store.find(words)
    if case.state == "closed":
        raise WalkError(
            f"{case.title} is closed", remedy=f"'faulttree cases reopen {case.number}' opens it."
        )
    events = list(store.events(case.id))
    tree = walked_tree(store, events)
    case_open = _open_case(desk, tree, case.id, events)
    from faulttree.terminal.screens import path_view

    case_open.say(f"Going on with case {case.number}: {case.title}.", "title")
    if case_open.state.visits:
        desk.console.show(path_view(case_open.state, desk.console.width))
    return case_open


def _say_complaint(case: OpenCase) -> None:
    """The complaint, and the owner's words where they differ."""
    opened = case.state.opened
    if opened is not None and opened.complaint:
        words = opened.owner_words
        owner = f" In the owner's words: {words}" if words and words != opened.complaint else ""
        case.say(f"Complaint: {opened.complaint}.{owner}")


def _latest_open(store: Store) -> Any:
    cases = store.list(state="open", limit=1)
    if not cases:
        raise WalkError("no case is open", remedy="'faulttree diagnose TREE' opens one.")
    return cases[0]


def _open_case(desk: Desk, tree: Tree, case: str, events: list[Event]) -> OpenCase:
    from time import monotonic

    from faulttree.cases.other_cases import OtherCases
    from faulttree.terminal.open_case import EventWriter, OpenCase
    from faulttree.walk.events import Opened

    others = OtherCases(desk.store)
    opened = events[0]
    who = opened.who if isinstance(opened, Opened) else ""
    return OpenCase(
        journal=EventWriter(tree, case, events, desk.store, now),
        console=desk.console,
        bench=desk.gear,
        stopwatch=monotonic,
        keep_photo=partial(_kept_photo, desk),
        label=f"case {desk.store.case(case).number}",
        lookup=others,
        brief=desk.brief,
        practised=others.practised(who, tree.hash, now()),
    )


def _kept_photo(desk: Desk, path: Path, words: str, events: Sequence[Event]) -> PhotoAdded:
    """The picture in a file, kept in the record."""
    from faulttree.cases.photos.case_photos import added
    from faulttree.cases.photos.picture import picture_file

    picture = picture_file(path, keep_original=desk.keep_originals)
    return added(desk.store, events, picture, words)


def _sat(case_open: OpenCase, places: str) -> bool:
    """Sit until the end; False where it was paused, and then how to go on is said."""
    from faulttree.terminal.console import AwayError
    from faulttree.terminal.open_case import Leaving
    from faulttree.terminal.walk import sit

    number = case_open.label.removeprefix("case ")
    again = f"{program()} diagnose --resume {number}{places}"
    try:
        sit(case_open)
    except (AwayError, Leaving, KeyboardInterrupt):
        # In one line, however long: it is there to be copied.
        case_open.console.show([[("title", f"Paused. Go on with: {again}")]])
        return False
    except FaulttreeError:
        say(f"faulttree: every answer is recorded; continue with: {again}", to_people=True)
        raise
    return True
