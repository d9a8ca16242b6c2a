"""``faulttree write-up``: a solved case back into its tree."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from faulttree.cli.authoring_common import (
    Asking,
    Writing,
    agreed,
    by_hand,
    console,
    keep_in_git,
    pair,
    procedure_told,
    sharing,
    show_diff,
    today,
    within,
    words,
    writing,
)
from faulttree.cli.cases_common import bar
from faulttree.cli.options import now, say, say_json
from faulttree.errors import TreeError

if TYPE_CHECKING:
    from faulttree.authoring.cause import Cause, Test
    from faulttree.authoring.improvements import Lessons
    from faulttree.authoring.operations.write_up import WriteUpInput
    from faulttree.authoring.proposal import TreeProposal
    from faulttree.authoring.solved_case import Solved
    from faulttree.cases import Store
    from faulttree.tree import Library

__all__ = ["command"]

Command = TypeVar("Command", bound=Callable[..., Any])

LIMITS = ("nominal", "tolerance", "min", "max", "unit", "source")
CAUSE = {
    "--fault": "Id of the fault; one the tree has, or a new one.",
    "--title": "What was wrong, in a few words.",
    "--remedy": "What mends it.",
    "--part": "The part at fault, as the board or the sheet names it.",
    "--module": "The module it belongs to.",
    "--weight": "How common it is beside the tree's other faults. [default: their median]",
    "--confirm": "STEP=OUTCOME that shows the repair held. [default: the new step, passed]",
    "--seen": "What showed that the repair held; closes an open case as fixed.",
}
TEST = {
    "--step": "Id of the new step. [default: made from its words]",
    "--ask": "The question that showed it.",
    "--measure": "The measurement that showed it.",
    "--shows": "The answer or outcome that the fault gives.",
    "--fine": "The answer that a good unit gives.",
    "--reading": "What the meter showed on the unit at fault.",
    "--nominal": "Limits of a good reading: the value meant.",
    "--tolerance": "Round it: 10 %, or 2 V.",
    "--min": "Limits of a good reading: the least.",
    "--max": "Limits of a good reading: the largest.",
    "--unit": "Unit of bare numbers.",
    "--limits": "All limits as a tree file has them, in braces: by a part's rating, or bands.",
    "--source": "Where the limits come from.",
    "--how": "How to do it, and what to watch.",
    "--minutes": "How long it takes.",
    "--in-circuit": "never or allowed, as in a tree.",
}
LISTS = {
    "--needs": "Test gear by name; may be given again.",
    "--cautions": "Cautions that hold at it; may be given again.",
    "--access": "States the unit must be in; may be given again.",
    "--after": "Steps that must come first; may be given again.",
}
NUMBERS = frozenset({"--weight", "--minutes"})


def told_by_options(command: Command) -> Command:
    """One option for everything that can be told of a cause and its test."""
    for name, text in reversed(LISTS.items()):
        command = click.option(name, multiple=True, metavar="NAME", help=text)(command)
    for name, text in reversed([*CAUSE.items(), *TEST.items()]):
        kind = float if name in NUMBERS else str
        own = name.strip("-").replace("-", "_")
        command = click.option(name, own, type=kind, default=None, help=text)(command)
    return command


@click.command(
    "write-up",
    epilog="Example: faulttree write-up 14\n\n"
    "Example: faulttree write-up 14 --title 'Fuse clip cracked' --remedy 'Fit a new clip.' "
    "--ask 'Is the fuse clip firm?' --shows loose --fine firm --minutes 1 --yes\n\n"
    "Example: faulttree write-up 14 --title 'Diode open' --remedy 'Fit a new one.' --part D5 "
    "--use diode-test --exit bad --yes",
)
@click.argument("case", nargs=-1, required=True)
@told_by_options
@sharing
@click.option("--live", is_flag=True, help="The unit is powered for the new step.")
@click.option("--search-minutes", type=float, help="How long the search off the tree took.")
@click.option("--at", metavar="STEP=OUTCOME", help="Where the new step comes. [default: cheapest]")
@click.option("--first", is_flag=True, help="The new step comes first of all.")
@click.option(
    "--way",
    type=click.Choice(["limit", "target"]),
    help="What mends a branch that misled. [default: what changes least]",
)
@click.option("--set-how", multiple=True, metavar="STEP=TEXT", help="A clearer text of a step.")
@click.option("--set-minutes", multiple=True, metavar="STEP=N", help="What a step really takes.")
@click.option(
    "--set-limit", multiple=True, metavar="STEP.KEY=VALUE", help="A better figure of its limits."
)
@click.option("--even-so", is_flag=True, help="Write although the rules warn of it.")
@click.option("--edit", is_flag=True, help="Open the new text in $EDITOR before it is written.")
@writing
def command(
    case: tuple[str, ...],
    search_minutes: float | None,
    at: str | None,
    first: bool,
    way: Any,
    set_how: tuple[str, ...],
    set_minutes: tuple[str, ...],
    set_limit: tuple[str, ...],
    even_so: bool,
    edit: bool,
    manner: Writing,
    **said: Any,
) -> int:
    """Write what a solved CASE taught back into its tree.

    Where the tree could not find the cause, a step that shows it is put where it costs
    the least minutes, after all that must come first. The change is shown, checked by every
    rule, and written whole or not at all. Without a terminal give all by options; --json
    shows the proposal and writes only with --yes.
    """
    found = manner.shelf()
    told = replace(
        _told(said),
        search_minutes=search_minutes,
        at=("", "") if first else pair(at, "--at"),
        even_so=even_so,
        way=way or "",
        lessons=_lessons(set_how, set_minutes, set_limit),
    )
    asking = manner.asking()
    with manner.store() as store:
        proposal = _proposed(store, found, " ".join(case), told, asking)
        agreed_on = _settled(proposal, found, asking, edit=edit, yes=manner.yes)
        made = ""
        if agreed_on is not None:
            from faulttree.authoring.pending import write_and_close

            write_and_close(agreed_on, store, found.root, now())
            if agreed_on.changes:
                made = keep_in_git(
                    found.root, agreed_on.changes, agreed_on.message, asking, asked=manner.commit
                )
    return _said(proposal, agreed_on, made, as_json=manner.as_json, root=found.root)


def _said(
    proposal: TreeProposal, done: TreeProposal | None, made: str, *, as_json: bool, root: Path
) -> int:
    written = done is not None and bool(done.changes)
    if as_json:
        shown = done or proposal
        say_json({**shown.as_dict(), "written": written, "commit": made or None})
        return 0
    if not proposal.changes:
        return 0
    if done is None:
        say("Nothing was written.", to_people=True)
        return 1
    say(f"Written: {within(done.changes[0].path, root)}")
    return 0


# -- what is told -----------------------------------------------------------------------------


def _told(said: Mapping[str, Any]) -> WriteUpInput:
    from faulttree.authoring.cause import Cause, Test
    from faulttree.authoring.operations.write_up import WriteUpInput

    given = {key: value for key, value in said.items() if value not in (None, ())}
    limits = _limits(given)
    confirm = pair(given.get("confirm"), "--confirm")
    cause = Cause(
        **{key: given[key] for key in ("fault", "title", "remedy", "part", "module", "weight")
           if key in given},
        confirm=confirm,
    )  # fmt: skip
    plain = ("step", "ask", "measure", "shows", "fine", "reading", "how", "minutes", "in_circuit")
    lists: dict[str, Any] = {
        key: words(given.get(key, ())) for key in ("needs", "cautions", "access", "after")
    }
    test = Test(
        **{key: given[key] for key in plain if key in given},
        **lists,
        live=bool(given.get("live")),
        limits=limits if given.get("measure") else {},
    )
    test = replace(test, **procedure_told(given))
    return WriteUpInput(cause=cause, test=test, seen=given.get("seen", ""))


def _limits(given: Mapping[str, Any]) -> dict[str, Any]:
    """The limits as a whole, or figure by figure."""
    if "limits" not in given:
        return {key: given[key] for key in LIMITS if key in given}
    from faulttree.tree import read_document

    data = read_document(str(given["limits"]), path=Path("--limits")).data
    if not isinstance(data, dict):
        mend = "Write them in braces: {component: fuse, rated: 2 A, quantity: resistance}."
        raise TreeError("--limits holds no limits.", mend=mend)
    return data


def _lessons(how: tuple[str, ...], minutes: tuple[str, ...], limits: tuple[str, ...]) -> Lessons:
    from faulttree.authoring.improvements import Lessons

    times: dict[str, float] = {}
    for step, number in (pair(text, "--set-minutes") or ("", "") for text in minutes):
        try:
            times[step] = float(number)
        except ValueError:
            raise TreeError(f"{number!r} is no number of minutes.", mend="As in 4.") from None
    figures: dict[tuple[str, str], str] = {}
    for where, value in (pair(text, "--set-limit") or ("", "") for text in limits):
        step, dot, key = where.rpartition(".")
        if not dot:
            raise TreeError(f"{where!r} names no limit.", mend="Write STEP.KEY=VALUE.")
        figures[step, key] = value
    texts = dict(pair(text, "--set-how") or ("", "") for text in how)
    return Lessons(texts, times, figures)


def _proposed(
    store: Store, library: Library, case: str, told: WriteUpInput, asking: Asking | None
) -> TreeProposal:
    """The proposal, with what is still wanted asked for where somebody can be asked."""
    from faulttree.authoring.edited_check import Unfit
    from faulttree.authoring.operations.write_up import kind_of, propose
    from faulttree.authoring.solved_case import solved_case

    if asking is not None:
        told = _cause_named(store, library, case, told, asking)
    solved = solved_case(store, library, case, fault=told.cause.fault, seen=told.seen, day=today())
    if asking is not None and kind_of(solved) == "added":
        told = _asked(asking, solved, library, told)
    while True:
        try:
            with bar("Replaying") as showing:
                told_of = partial(_so_far, store, solved, showing)
                proposal = propose(store, library, solved, told, progress=told_of)
        except Unfit as error:
            if asking is None:
                raise
            told = _mended(asking, library, told, error)
            continue
        more = _taken_up(asking, proposal, told) if asking is not None else None
        if more is None:
            return proposal
        told = more


def _so_far(store: Store, solved: Solved, show_bar: Callable[[int, int], None], done: int) -> None:
    """How many of the tree's cases were replayed; told now and then."""
    if done % 100 == 0:
        show_bar(done, store.count(tree=solved.now.id))


def _taken_up(asking: Asking, proposal: TreeProposal, told: WriteUpInput) -> WriteUpInput | None:
    """What is told with the offers that are taken up; None where nothing more is."""
    lessons = told.lessons
    for offer in proposal.offers if not lessons else ():
        asking.tell(f"{offer.text[:1].upper()}{offer.text[1:]}.")
        if asking.one("Take it up", ("yes", "no")) == "yes":
            lessons = lessons.and_also(offer.lessons)
    return replace(told, lessons=lessons) if lessons is not told.lessons else None


def _cause_named(
    store: Store, library: Library, case: str, told: WriteUpInput, asking: Asking
) -> WriteUpInput:
    """What was wrong with a unit whose case does not say so."""
    from faulttree.authoring.cause import new_id

    found = store.find(case)
    if found.result in ("fixed", "found") or told.cause.fault:
        return told
    tree = library.load(found.tree)
    asking.tell(f"Case {found.number}, {found.title}: nobody has said what was wrong.", "title")
    known = [fault for fault in tree.faults if fault in tree.loose]
    title = told.cause.title or asking.text("What was wrong", known, needed=True)
    if title in tree.faults:
        cause = replace(told.cause, fault=title)
    else:
        taken = {*tree.steps, *tree.faults, *tree.stops}
        cause = replace(told.cause, title=title, fault=new_id(title, taken))
    seen = told.seen or asking.text("What showed that the repair held (empty: not mended yet)")
    return replace(told, cause=cause, seen=seen)


def _asked(asking: Asking, solved: Solved, library: Library, told: WriteUpInput) -> WriteUpInput:
    """What the tree must know of a cause that it could not find."""
    tree = solved.now
    end = solved.then.end
    where = f"ended at `{end.id or end.reason}`" if end is not None else "came to no end"
    asking.tell(f"The tree {where}; the cause was {solved.fault}.", "title")
    cause = told.cause
    if solved.fault not in tree.faults:
        cause = _cause_asked(asking, tree.modules, cause)
    test = _test_asked(asking, solved, library, told.test)
    search = told.search_minutes
    if search is None:
        search = asking.minutes("How many minutes did finding it take, off the tree")
    return replace(told, cause=cause, test=test, search_minutes=search)


def _cause_asked(asking: Asking, modules: tuple[str, ...], cause: Cause) -> Cause:
    title = cause.title or asking.text("What was wrong, in a few words", needed=True)
    remedy = cause.remedy or asking.text("What mends it", needed=True)
    part = cause.part or asking.text("Which part")
    module = cause.module or asking.text("In which module", modules)
    return replace(cause, title=title, remedy=remedy, part=part, module=module)


def _test_asked(asking: Asking, solved: Solved, library: Library, test: Test) -> Test:
    tree = solved.now
    if not test.told:
        test = _kind_asked(asking, library, test)
    if test.use:
        return _procedure_asked(asking, solved, library, test)
    if test.ask:
        shows = test.shows or asking.text("The answer that the fault gives", needed=True)
        fine = test.fine or asking.text("The answer that a good unit gives", needed=True)
        test = replace(test, shows=shows, fine=fine)
    elif not test.limits:
        test = _limits_asked(asking, test)
    if test.minutes is None:
        test = replace(test, minutes=asking.minutes("Minutes it takes"))
    if not test.live:
        live = asking.one("Is the unit powered for it", ("no", "yes")) == "yes"
        test = replace(test, live=live)
    lists = {
        "needs": ("Test gear", tuple(library.instruments)),
        "access": ("States the unit must be in", tuple(tree.access)),
        "cautions": ("Cautions", tuple(library.cautions)),
    }
    for name, (question, known) in lists.items():
        if not getattr(test, name) and known:
            test = replace(test, **{name: asking.names(question, known)})  # type: ignore[arg-type]
    return test


def _kind_asked(asking: Asking, library: Library, test: Test) -> Test:
    kind = asking.one(
        "What showed it: a question, a reading or a shared procedure",
        ("question", "reading", "procedure"),
    )
    if kind == "question":
        return replace(test, ask=asking.text("The question, as the next one reads it", needed=True))
    if kind == "reading":
        return replace(test, measure=asking.text("What was measured", needed=True))
    known = library.procedures()
    while True:
        name = asking.text("Which procedure (? lists them)", known, needed=True)
        if name in known:
            return replace(test, use=name)
        asking.tell(", ".join(known) if name == "?" else f"There is no procedure `{name}`.")


def _procedure_asked(asking: Asking, solved: Solved, library: Library, test: Test) -> Test:
    """What a shared procedure must be given, and how the fault left it."""
    from faulttree.authoring.shared_procedure import exits_of, takes_of

    given = dict(test.given)
    for name, unit in takes_of(library, test.use).items():
        if name != "part" and not given.get(name):
            of_unit = f", in {unit}" if unit and unit != "text" else ""
            given[name] = asking.text(f"What is its {name}{of_unit}", needed=True)
    exits = exits_of(library, test.use)
    shows = test.shows or asking.one("Which way did the procedure end", exits)
    access = test.access or asking.names("States the unit must be in", tuple(solved.now.access))
    return replace(test, given=given, shows=shows, access=access)


def _limits_asked(asking: Asking, test: Test) -> Test:
    reading = test.reading or asking.text("What the meter showed", needed=True)
    limits: dict[str, Any] = {}
    while not limits:
        for key, question in (("min", "The least good reading"), ("max", "The largest")):
            text = asking.text(f"{question} (empty: no limit)")
            if text:
                limits[key] = text
    source = asking.text("Where these limits come from")
    if source:
        limits["source"] = source
    return replace(test, reading=reading, limits=limits)


def _mended(asking: Asking, library: Library, told: WriteUpInput, error: Any) -> WriteUpInput:
    """Another try after the rules have spoken: another caution, or even so."""
    for finding in error.findings:
        asking.tell(
            f"{finding.level}: {finding.message} [{finding.rule}] {finding.remedy}", "warning"
        )
    if all(finding.level != "error" for finding in error.findings):
        if asking.one("Write it even so", ("yes", "no")) == "no":
            raise error
        return replace(told, even_so=True)
    more = asking.names("Which caution holds at this step", tuple(library.cautions))
    if not more:
        raise error
    test = replace(told.test, cautions=tuple(dict.fromkeys((*told.test.cautions, *more))))
    return replace(told, test=test)


# -- what is shown ----------------------------------------------------------------------------


def _settled(
    proposal: TreeProposal, library: Library, asking: Asking | None, *, edit: bool, yes: bool
) -> TreeProposal | None:
    """The proposal as it was agreed to; None where it was not."""
    if asking is None and not yes:
        return None
    place = asking if asking is not None else Asking(console(plain=True, to_people=True))
    if not proposal.changes:
        show(place, proposal)
        return proposal
    if edit:
        proposal = _edited(place, library, proposal)
    while True:
        show(place, proposal)
        if asking is None:
            return proposal
        answer = agreed(asking)
        if answer != "edit":
            return proposal if answer == "yes" else None
        proposal = _edited(asking, library, proposal)


def _edited(asking: Asking, library: Library, proposal: TreeProposal) -> TreeProposal:
    """The proposal with a text edited by hand, once no rule finds an error in it."""
    from faulttree.authoring.edited_check import EditedCheck

    change = proposal.changes[0]
    text = by_hand(change.text)
    if text is None:
        return proposal
    found = EditedCheck(library, proposal.solved.file).new(change.with_text(text))
    for finding in found:
        asking.tell(f"{finding.level}: {finding.message} [{finding.rule}]", "warning")
    if any(finding.level == "error" for finding in found):
        raise TreeError(
            f"The edited text has an error: {found[0].message}",
            path=change.path,
            line=found[0].line,
            mend="Nothing was written; do the write-up again.",
        )
    return proposal.edited(text)


def show(asking: Asking, proposal: TreeProposal) -> None:
    """What is proposed and why, for people."""
    if proposal.changes:
        show_diff(asking.place, proposal.diff)
    for text, style in lines_of(proposal):
        asking.tell(text, style)


def lines_of(proposal: TreeProposal) -> list[tuple[str, str]]:
    """The proposal in sentences, each with its style."""
    case = proposal.solved.case
    heads = {
        "found": f"The tree found {proposal.fault}: case {case.number} is counted already.",
        "added": f"{proposal.fault} gets a step: {proposal.step}.",
        "misled": f"A branch led case {case.number} away from {proposal.fault}.",
    }
    lines = [(heads[proposal.kind], "title")]
    if proposal.why:
        lines.append((proposal.why, ""))
    lines += [(f"Not {where}: {why.rstrip('.')}.", "dim") for where, why in proposal.refused]
    if proposal.expected is not None:
        before, after = proposal.expected
        lines.append((f"Expected over all faults: {before:.3g} min before, {after:.3g} now.", ""))
    if proposal.walk is not None:
        lines.append((walk_text(proposal), "good"))
    lines += [(f"Changes another case: {one}.", "warning") for one in proposal.moved]
    lines += [(f"Judged otherwise now: {one}.", "warning") for one in proposal.rejudged]
    lines += [(f"Let stand: {one.message} [{one.rule}]", "warning") for one in proposal.findings]
    lines += [(f"It also taught: {one.text} ({one.option})", "") for one in proposal.offers]
    return lines


def walk_text(proposal: TreeProposal) -> str:
    """Both figures of the case's own way."""
    assert proposal.walk is not None
    first, again = proposal.walk
    text = f"This unit: {first:.3g} min then, {again:.3g} min now"
    if not proposal.told_minutes and proposal.kind == "added":
        text += " (the search off the tree counts as its test alone; --search-minutes tells more)"
    return f"{text}."
