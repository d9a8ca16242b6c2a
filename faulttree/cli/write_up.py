"""``faulttree write-up``: a solved case back into its tree."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.cases_common import bar
from faulttree.cli.cause_options import cause_of, cause_options, pair, test_of
from faulttree.cli.options import now, say, say_json
from faulttree.cli.prompter import Prompter, agreed, console, show_diff
from faulttree.cli.writing import WriteOptions, by_hand, today, within, writing
from faulttree.errors import FaulttreeError, TreeError

if TYPE_CHECKING:
    from faulttree.authoring.cause import Cause, Test
    from faulttree.authoring.improvements import Lessons
    from faulttree.authoring.operations.write_up import WriteUpInput
    from faulttree.authoring.proposal import TreeProposal
    from faulttree.authoring.solved_case import Solved
    from faulttree.cases import Store
    from faulttree.tree import Library, Tree


@click.command(
    "write-up",
    epilog="Example: faulttree write-up 14\n\n"
    "Example: faulttree write-up 14 --title 'Fuse clip cracked' --remedy 'Fit a new clip.' "
    "--ask 'Is the fuse clip firm?' --shows loose --fine firm --minutes 1 --yes\n\n"
    "Example: faulttree write-up 14 --title 'Diode open' --remedy 'Fit a new one.' --part D5 "
    "--use diode-test --exit bad --yes",
)
@click.argument("case", nargs=-1, required=True)
@cause_options
@click.option(
    "--search-minutes", type=float, help="How long the search outside the tree took, in minutes."
)
@click.option(
    "--at", metavar="STEP=OUTCOME", help="Where to put the new step. [default: the cheapest place]"
)
@click.option("--first", is_flag=True, help="Put the new step first.")
@click.option(
    "--way",
    type=click.Choice(["limit", "target"]),
    help="How to correct a branch that misled. [default: what changes least]",
)
@click.option("--set-how", multiple=True, metavar="STEP=TEXT", help="A clearer text of a step.")
@click.option(
    "--set-minutes", multiple=True, metavar="STEP=N", help="The minutes that a step really takes."
)
@click.option(
    "--set-limit",
    multiple=True,
    metavar="STEP.KEY=VALUE",
    help="A better value in the limits of a step.",
)
@click.option("--even-so", is_flag=True, help="Write despite warnings of the rules.")
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
    options: WriteOptions,
    **said: Any,
) -> int:
    """Write what a solved CASE showed into its tree.

    If the tree could not find the cause, a step that shows it is put where the expected
    minutes are lowest, after everything that must come first. The change is shown, checked by
    every rule, and written completely or not at all. Without a terminal, give everything by
    options; --json prints the proposal and writes only with --yes.
    """
    from faulttree.authoring.operations.write_up import WriteUpInput

    found = options.own_library()
    told = replace(
        WriteUpInput(cause_of(said), test_of(said), said.get("seen") or ""),
        search_minutes=search_minutes,
        at=("", "") if first else pair(at, "--at"),
        even_so=even_so,
        way=way or "",
        lessons=_lessons(set_how, set_minutes, set_limit),
    )
    asking = options.asking()
    with options.store() as store:
        proposal = _proposed(store, found, " ".join(case), told, asking)
        agreed_on = _settled(proposal, found, asking, edit=edit, yes=options.yes)
        made = _written(agreed_on, store, found.root, asking, options) if agreed_on else ""
    return _said(proposal, agreed_on, made, as_json=options.as_json, root=found.root)


def _written(
    proposal: TreeProposal, store: Store, root: Path, asking: Prompter | None, options: WriteOptions
) -> str:
    """Write what was agreed to and close the case; gives the commit, if one was made."""
    from faulttree.authoring.pending import write_and_close

    both = partial(write_and_close, proposal, store, root, now())
    return options.keep(proposal, root, proposal.message, asking, both)


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


def _lessons(how: tuple[str, ...], minutes: tuple[str, ...], limits: tuple[str, ...]) -> Lessons:
    from faulttree.authoring.improvements import Lessons

    times: dict[str, float] = {}
    for step, number in (pair(text, "--set-minutes") or ("", "") for text in minutes):
        try:
            times[step] = float(number)
        except ValueError:
            raise TreeError(
                f"{number!r} is not a number of minutes.", remedy="Write a number, as in 4."
            ) from None
    figures: dict[tuple[str, str], str] = {}
    for where, value in (pair(text, "--set-limit") or ("", "") for text in limits):
        step, dot, key = where.rpartition(".")
        if not dot:
            raise TreeError(f"{where!r} does not name a limit.", remedy="Write STEP.KEY=VALUE.")
        figures[step, key] = value
    texts = dict(pair(text, "--set-how") or ("", "") for text in how)
    return Lessons(texts, times, figures)


def _proposed(
    store: Store, library: Library, case: str, told: WriteUpInput, asking: Prompter | None
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
            told = _accepted(asking, solved, library, told, error)
            continue
        except FaulttreeError as error:
            if asking is None:
                raise
            told = _changed(asking, solved, library, told, error)
            continue
        more = _taken_up(asking, proposal, told) if asking is not None else None
        if more is None:
            return proposal
        told = more


def _so_far(store: Store, solved: Solved, show_bar: Callable[[int, int], None], done: int) -> None:
    """How many of the tree's cases were replayed; told now and then."""
    if done % 100 == 0:
        show_bar(done, store.count(tree=solved.now.id))


def _taken_up(asking: Prompter, proposal: TreeProposal, told: WriteUpInput) -> WriteUpInput | None:
    """What is told with the offers that are taken up; None where nothing more is."""
    lessons = told.lessons
    for offer in proposal.offers if not lessons else ():
        asking.tell(f"{offer.text[:1].upper()}{offer.text[1:]}.")
        if asking.one("Make this change too", ("yes", "no")) == "yes":
            lessons = lessons.and_also(offer.lessons)
    return replace(told, lessons=lessons) if lessons is not told.lessons else None


def _cause_named(
    store: Store, library: Library, case: str, told: WriteUpInput, asking: Prompter
) -> WriteUpInput:
    """What was wrong with a unit whose case does not say so."""
    from faulttree.authoring.cause import new_id, same_title

    found = store.find(case)
    if found.result in ("fixed", "found") or told.cause.fault:
        return told
    tree = library.load(found.tree)
    asking.tell(f"Case {found.number}, {found.title}: the fault is not known yet.", "title")
    known = [fault for fault in tree.faults if fault in tree.loose]
    title = told.cause.title or asking.text("What was the fault", known, needed=True)
    same = same_title(tree, title)
    if same is not None:
        cause = replace(told.cause, fault=same)
    else:
        taken = {*tree.steps, *tree.faults, *tree.stops}
        cause = replace(told.cause, title=title, fault=new_id(title, taken))
    seen = told.seen or asking.text("What proved the repair (empty: not repaired yet)")
    return replace(told, cause=cause, seen=seen)


def _asked(asking: Prompter, solved: Solved, library: Library, told: WriteUpInput) -> WriteUpInput:
    """What the tree must know of a cause that it could not find."""
    tree = solved.now
    end = solved.then.end
    where = f"ended at `{end.id or end.reason}`" if end is not None else "did not end"
    asking.tell(f"The tree {where}; the cause was {solved.fault}.", "title")
    cause = told.cause
    if solved.fault not in tree.faults:
        cause = _cause_asked(asking, tree.named_modules, cause)
    test = _test_asked(asking, solved, library, told.test)
    search = told.search_minutes
    if search is None:
        search = asking.minutes("How many minutes did the search outside the tree take")
    return replace(told, cause=cause, test=test, search_minutes=search)


def _cause_asked(asking: Prompter, modules: tuple[str, ...], cause: Cause) -> Cause:
    title = cause.title or asking.text("The fault, in a few words", needed=True)
    remedy = cause.remedy or asking.text("How to repair it", needed=True)
    part = cause.part or asking.text("Which part")
    module = cause.module or asking.id("In which module", modules)
    return replace(cause, title=title, remedy=remedy, part=part, module=module)


def _test_asked(asking: Prompter, solved: Solved, library: Library, test: Test) -> Test:
    tree = solved.now
    if not test.told:
        test = _kind_asked(asking, library, test)
    if test.use:
        return _procedure_asked(asking, solved, library, test)
    if test.ask:
        test = _answers_asked(asking, test)
    elif not test.limits:
        test = _limits_asked(asking, test)
    if test.minutes is None:
        test = replace(test, minutes=asking.minutes(MINUTES))
    if not test.live:
        test = _power_asked(asking, test)
    for name, (question, known) in _lists(tree, library).items():
        if not getattr(test, name) and known:
            test = replace(test, **{name: asking.names(question, known)})  # type: ignore[arg-type]
    return test


MINUTES = "Minutes that the test takes"


def _lists(tree: Tree, library: Library) -> Mapping[str, tuple[str, tuple[str, ...]]]:
    """Field of a test → the question for its names, and the names there are."""
    return {
        "needs": ("Test equipment", tuple(library.instruments)),
        "access": ("Access states the unit must be in", tuple(tree.access)),
        "cautions": ("Cautions", tuple(library.cautions)),
    }


def _power_asked(asking: Prompter, test: Test) -> Test:
    live = asking.one("Is the unit powered during the test", ("no", "yes")) == "yes"
    return replace(test, live=live)


def _answers_asked(asking: Prompter, test: Test) -> Test:
    """The two answers to the question of a test, which must differ."""
    shows = test.shows or asking.text("The answer that the fault gives", needed=True)
    fine = test.fine
    while not fine or fine == shows:
        fine = asking.text("The answer that a good unit gives", needed=True)
        if fine == shows:
            asking.tell("The two answers must differ.")
    return replace(test, shows=shows, fine=fine)


def _kind_asked(asking: Prompter, library: Library, test: Test) -> Test:
    kind = asking.one(
        "What showed the fault: a question, a reading or a shared procedure",
        ("question", "reading", "procedure"),
    )
    if kind == "question":
        return replace(
            test, ask=asking.text("The question, as the next technician reads it", needed=True)
        )
    if kind == "reading":
        return replace(test, measure=asking.text("What was measured", needed=True))
    known = library.procedures()
    while True:
        name = asking.text("Which procedure (? lists them)", known, needed=True)
        if name in known:
            return replace(test, use=name)
        asking.tell(", ".join(known) if name == "?" else f"There is no procedure `{name}`.")


def _procedure_asked(asking: Prompter, solved: Solved, library: Library, test: Test) -> Test:
    """What a shared procedure must be given, and how the fault left it."""
    from faulttree.authoring.shared_procedure import exits_of, takes_of

    given = dict(test.given)
    for name, unit in takes_of(library, test.use).items():
        if name != "part" and not given.get(name):
            of_unit = f", in {unit}" if unit and unit != "text" else ""
            given[name] = asking.text(f"What is its {name}{of_unit}", needed=True)
    exits = exits_of(library, test.use)
    shows = test.shows or asking.one("Which exit did the procedure take", exits)
    access = test.access or asking.names(
        "Access states the unit must be in", tuple(solved.now.access)
    )
    return replace(test, given=given, shows=shows, access=access)


def _limits_asked(asking: Prompter, test: Test) -> Test:
    """Reading and limits, asked again until the reading lies outside the limits."""
    while True:
        reading = test.reading or asking.text("What the meter showed", needed=True)
        limits = asking.limits()
        source = asking.text("Where these limits come from")
        asked = replace(test, reading=reading, limits={**limits, "source": source})
        if not source:
            asked = replace(test, reading=reading, limits=limits)
        try:
            _ = asked.bad
        except FaulttreeError as error:
            asking.refuse(error)
            test = replace(test, reading="")
        else:
            return asked


def _changed(
    asking: Prompter, solved: Solved, library: Library, told: WriteUpInput, error: FaulttreeError
) -> WriteUpInput:
    """Another try after one answer did not fit; only that one is asked again.

    Raises:
        FaulttreeError: the one given, where nothing is to be changed.
    """
    asking.refuse(error)
    what = asking.one("Which answer do you want to change", ("test", "cause", "place", "none"))
    if what == "none":
        raise error
    if what == "place":
        return replace(told, at=None)
    if what == "cause":
        part = asking.one(WHICH, ("title", "remedy", "part", "module"))
        old = replace(told.cause, **{part: ""})  # type: ignore[arg-type]
        return replace(told, cause=_cause_asked(asking, solved.now.named_modules, old))
    return replace(told, test=_part_changed(asking, solved, library, told.test))


WHICH = "Which part of it"

PARTS = {
    "ask": ("words", "answers", "minutes", "live", "needs", "access", "cautions", "kind"),
    "measure": ("words", "reading", "limits", "minutes", "live", "needs", "access", "cautions",
                "kind"),
    "use": ("values", "access", "kind"),
}  # fmt: skip
"""Kind of a test → its answers that can be changed one by one; ``kind`` asks all of them again."""


def _part_changed(asking: Prompter, solved: Solved, library: Library, test: Test) -> Test:
    """The test with one of its answers asked again."""
    if not test.told:
        return _test_asked(asking, solved, library, test)
    part, lists = asking.one(WHICH, PARTS[test.kind]), _lists(solved.now, library)
    if part in lists:
        return replace(test, **{part: asking.names(*lists[part])})  # type: ignore[arg-type]
    if part == "words":
        words = asking.text("The question, or what was measured", needed=True)
        new = {"ask": words} if test.ask else {"measure": words}
        return replace(test, step="", **new)  # type: ignore[arg-type]
    if part == "reading":
        return replace(test, reading=asking.text("What the meter showed", needed=True), shows="")
    if part == "limits":
        return _limits_asked(asking, replace(test, limits={}, shows=""))
    if part == "answers":
        return _answers_asked(asking, replace(test, shows="", fine=""))
    if part == "minutes":
        return replace(test, minutes=asking.minutes(MINUTES))
    if part == "live":
        return _power_asked(asking, test)
    if part == "values":
        return _procedure_asked(asking, solved, library, replace(test, given={}, shows=""))
    return _test_asked(asking, solved, library, type(test)())


def _accepted(
    asking: Prompter, solved: Solved, library: Library, told: WriteUpInput, error: Any
) -> WriteUpInput:
    """Another try after the rules found something: another caution, another answer, or despite it.

    Raises:
        Unfit: the one given, where nothing is to be changed.
    """
    for finding in error.findings:
        asking.tell(
            f"{finding.level}: {finding.message} [{finding.rule}] {finding.remedy}", "warning"
        )
    if all(finding.level != "error" for finding in error.findings):
        if asking.one("Write it despite the warning", ("yes", "no")) == "no":
            raise error
        return replace(told, even_so=True)
    more = asking.names("Which caution applies to this step", tuple(library.cautions))
    if not more:
        return _changed(asking, solved, library, told, error)
    test = replace(told.test, cautions=tuple(dict.fromkeys((*told.test.cautions, *more))))
    return replace(told, test=test)


# -- what is shown ----------------------------------------------------------------------------


def _settled(
    proposal: TreeProposal, library: Library, asking: Prompter | None, *, edit: bool, yes: bool
) -> TreeProposal | None:
    """The proposal as it was agreed to; None where it was not."""
    if asking is None and not yes:
        return None
    place = asking if asking is not None else Prompter(console(plain=True, to_people=True))
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


def _edited(asking: Prompter, library: Library, proposal: TreeProposal) -> TreeProposal:
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
            remedy="Nothing was written. Do the write-up again.",
        )
    return proposal.edited(text)


def show(asking: Prompter, proposal: TreeProposal) -> None:
    """What is proposed and why, for people."""
    if proposal.changes:
        show_diff(asking.place, proposal.diff)
    for text, style in lines_of(proposal):
        asking.tell(text, style)


def lines_of(proposal: TreeProposal) -> list[tuple[str, str]]:
    """The proposal in sentences, each with its style."""
    case = proposal.solved.case
    heads = {
        "found": f"The tree found {proposal.fault}: case {case.number} is already counted.",
        "added": f"{proposal.fault} gets a step: {proposal.step}.",
        "misled": f"A branch led case {case.number} away from {proposal.fault}.",
    }
    lines = [(heads[proposal.kind], "title")]
    if proposal.why:
        lines.append((proposal.why, ""))
    lines += [
        (f"Not possible {where}: {why.rstrip('.')}.", "dim") for where, why in proposal.refused
    ]
    if proposal.expected is not None:
        before, after = proposal.expected
        lines.append(
            (f"Expected time over all faults: {before:.3g} min before, {after:.3g} min now.", "")
        )
    if proposal.walk is not None:
        lines.append((walk_text(proposal), "good"))
    lines += [(f"Changes for another case: {one}.", "warning") for one in proposal.moved]
    lines += [
        (f"Changes for another reading: {one}. What was recorded stays.", "warning")
        for one in proposal.rejudged
    ]
    lines += [
        (f"Accepted warning: {one.message} [{one.rule}]", "warning") for one in proposal.findings
    ]
    lines += [(f"Also possible: {one.text} ({one.option})", "") for one in proposal.offers]
    return lines


def walk_text(proposal: TreeProposal) -> str:
    """Both figures of the case's own way."""
    assert proposal.walk is not None
    first, again = proposal.walk
    text = f"This unit: {first:.3g} min then, {again:.3g} min now"
    if not proposal.told_minutes and proposal.kind == "added":
        text += " (the search outside the tree is counted as the test alone; see --search-minutes)"
    return f"{text}."
