"""``faulttree cases …``: the record of cases."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from faulttree.cases.listing import BECAME, HEAD, closing_words, listed
from faulttree.cli.cases_common import common, table, width
from faulttree.cli.cases_files import erase, export, import_cases, output_file, verify
from faulttree.cli.cases_photos import photos
from faulttree.cli.options import now, say, say_json
from faulttree.cli.places import RecordOptions, open_library, read_bench_file
from faulttree.errors import RecordError
from faulttree.texts import counted
from faulttree.walk.events import RESULTS

if TYPE_CHECKING:
    from faulttree.cases import Case, Store
    from faulttree.reading.instruments import Shop


SHOWN = 50


@click.group(epilog="Example: faulttree cases list --result unsolved")
def command() -> None:
    """List, show, reopen, close, export and import the cases of the record."""


@command.command(
    "list",
    short_help="List cases, newest first.",
    epilog="Example: faulttree cases list --family bench-supply hum",
)
@click.argument("words", nargs=-1)
@click.option("--family", help="Kind of unit.")
@click.option("--model", help="Model of the unit.")
@click.option("--serial", help="Serial or tag of the unit.")
@click.option("--tag", help="The same: serial or tag.")
@click.option("--module", help="A module inside the unit.")
@click.option("--tree", help="Tree the case was walked on, as family/complaint.")
@click.option("--state", type=click.Choice(["open", "closed"]), help="Open or closed.")
@click.option("--open", "state", flag_value="open", help="Only cases still open.")
@click.option("--result", type=click.Choice(RESULTS), help="How the case ended.")
@click.option("--fault", help="Fault that was found.")
@click.option("--became", type=click.Choice(tuple(BECAME)), help="Where the unit went.")
@click.option("--kept", help="A module kept from the unit.")
@click.option("--who", help="Who opened the case.")
@click.option("--since", metavar="DATE", help="Opened on this day or later.")
@click.option("--until", metavar="DATE", help="Opened on this day or earlier.")
@click.option("--came-back", is_flag=True, default=None, help="Repairs that did not last.")
@click.option("--limit", type=click.IntRange(0), help="Maximum number; 0 for all.")
@click.option("--oldest-first", is_flag=True, help="Oldest first.")
@common
def list_cases(
    words: tuple[str, ...], limit: int | None, options: RecordOptions, **wanted: Any
) -> None:
    """List cases, newest first, by any of these and by WORDS said anywhere in them."""
    from faulttree.cases.closing_result import with_closing
    from faulttree.cases.other_cases import OtherCases

    shown = limit if limit is not None or options.as_json else SHOWN
    with options.store(read_only=True) as store:
        many = shown + 1 if shown and not options.as_json else shown or None
        listing = store.list(words=" ".join(words), limit=many, **wanted)
        found = list(with_closing(store, listing))
        titles = {} if options.as_json else OtherCases(store).fault_titles(listing)
    if options.as_json:
        say_json({"cases": [case.as_dict() | {"closing": closing} for case, closing in found]})
        return
    if not found:
        say("No case like that in the record.", to_people=True)
        return
    cut = found[:shown] if shown else found
    for line in table(
        [HEAD, *(listed(case, closing, titles.get(case.id, "")) for case, closing in cut)]
    ):
        say(line)
    if len(cut) < len(found):
        say(f"There are more: these are {len(cut)}; --limit 0 shows all.", to_people=True)


@command.command(
    "show",
    short_help="Show a case as a report its owner can read.",
    epilog="Example: faulttree cases show 14 --as html -o case-14.html",
)
@click.argument("case")
@click.option(
    "--as",
    "form",
    type=click.Choice(["text", "markdown", "html"]),
    default="text",
    help="Form of the report. [default: text]",
)
@click.option("-o", "--output", type=click.Path(dir_okay=False), help="File to write.")
@common
def show(case: str, form: str, output: str | None, options: RecordOptions) -> None:
    """Show CASE (number, id, tag or serial) as a report its owner could be handed."""
    from faulttree.cases.report.render import FORMS

    gear = read_bench_file(None, open_library(options.library))
    with options.store(read_only=True) as store:
        document = told(
            store, store.find(case), gear.shop if gear else None, with_walk=options.as_json
        )
        if form == "html" and not options.as_json:
            show_pictures(store, document)
    if options.as_json:
        say_json(document)
        return
    text = FORMS[form](document, width() if sys.stdout.isatty() and not output else 80)
    if output:
        with output_file(output) as file:
            file.write(text.encode(errors="replace"))
    else:
        say(text.rstrip("\n"))


def show_pictures(store: Store, document: dict[str, Any]) -> None:
    """Put the photos of a report into it."""
    from faulttree.cases.photos.case_photos import data_url

    for photo in document["photos"]:
        data = store.photo(photo["sha256"]) if "width" in photo else None
        if data is not None:
            photo["picture"] = data_url(data)


def told(store: Store, case: Case, shop: Shop | None, *, with_walk: bool) -> dict[str, Any]:
    """The report of a case; with the walk's own document where its tree can still be read."""
    from faulttree.cases.historical_tree import tree_of
    from faulttree.cases.report.document import report

    events = store.events(case.id)
    tree = tree_of(store, case.tree_hash)
    document = report(case, events, tree, shop=shop)
    if not with_walk:
        return document
    document["events"] = [event.to_dict() for event in events]
    if tree is None:
        return document
    from faulttree.walk.document import document as walk_document
    from faulttree.walk.fold import fold

    walk = walk_document(fold(tree, events), case.id)
    kept = {key: value for key, value in walk.items() if key not in document or key == "path"}
    return document | kept


@command.command(
    "reopen",
    short_help="Let a closed case take new steps.",
    epilog="Example: faulttree cases reopen 14 --reason 'a tip came'",
)
@click.argument("case")
@click.option("--reason", default="", help="Why it goes on.")
@click.option("--module", help="The module kept from the unit that is tested now.")
@common
def reopen(case: str, reason: str, module: str | None, options: RecordOptions) -> None:
    """Let a closed CASE take new steps; the unit or the module kept from it."""
    from faulttree.walk.events import Reopened

    with options.store() as store:
        found = store.find(case)
        if found.state == "open":
            raise RecordError(
                f"case {found.number} is open", remedy="Go on with `faulttree diagnose --resume`."
            )
        if module and module not in (*found.kept, *found.modules):
            kept = ", ".join(found.kept) or "none"
            raise RecordError(
                f"no module {module!r} was kept from case {found.number}",
                remedy=f"Modules kept: {kept}.",
            )
        why = f"on the module {module}: {reason}" if module else reason
        store.append(found.id, found.events, Reopened(at=now(), reason=why.rstrip(": ")))
        answer(store, found.id, options.as_json, "is open again")


def answer(store: Store, name: str, as_json: bool, done: str) -> None:
    """Say how a case stands now."""
    from faulttree.cases.closing_result import closing_of

    case = store.case(name)
    closing = closing_of(store, case)
    if as_json:
        say_json(case.as_dict() | {"closing": closing})
    else:
        words = closing_words(case, closing)
        say(f"Case {case.number} ({case.title}) {done}{words}.", to_people=True)


@command.command(
    "close",
    short_help="Close a case with its result.",
    epilog="Example: faulttree cases close 14 --result referred",
)
@click.argument("case")
@click.option("--result", type=click.Choice(RESULTS), required=True, help="How it ended.")
@click.option("--fault", default="", help="The fault, by id; needed for fixed and found.")
@click.option(
    "--became", type=click.Choice(tuple(BECAME)), default=None, help="Where the unit went."
)
@click.option("--kept", multiple=True, help="A module kept from it; may be repeated.")
@click.option("--seen", default="", help="For fixed: what was seen that shows it.")
@click.option("--declined", metavar="REASON", help="Why suspects shown are left untested.")
@click.option("--note", default="", help="A remark.")
@common
def close(case: str, declined: str | None, options: RecordOptions, **told: Any) -> int:
    """Close CASE with its result, and say what became of the unit.

    Suspects still open are shown first when a unit is given up; --declined says why they
    are left untested. The same goes for no-fault-found while a test of a likely suspect is
    open. A unit that failed a closing check, and has not passed it since, can be
    neither fixed nor returned.
    """
    from faulttree.cases.closing import Closing, close_case, open_suspects

    closing = Closing(**told | {"kept": tuple(told["kept"]), "became": told["became"] or ""})
    with options.store() as store:
        found = store.find(case)
        suspects = open_suspects(store, found, closing) if declined is None else ()
        if suspects:
            say(f"Case {found.number} still has suspects that were not tested:", to_people=True)
            for suspect in suspects:
                say(f"  - {suspect}", to_people=True)
            say("Test them, or give --declined REASON to leave them, knowingly.", to_people=True)
            return 1
        close_case(store, found, closing, now(), declined=declined)
        answer(store, found.id, options.as_json, f"is closed as {closing.result}")
    return 0


@command.command(
    "minutes",
    short_help="Set right how long a step really took.",
    epilog="Example: faulttree cases minutes 14 reservoir-esr 5",
)
@click.argument("case")
@click.argument("step")
@click.argument("minutes", type=click.FloatRange(0, 100_000))
@common
def set_minutes(case: str, step: str, minutes: float, options: RecordOptions) -> None:
    """Set right how many MINUTES a STEP of CASE really took."""
    from faulttree.walk.events import MinutesSet

    with options.store() as store:
        found = store.find(case)
        taken = {one.step for one in store.steps(found.id) if not one.skipped}
        if step not in taken:
            raise RecordError(
                f"case {found.number} never took the step {step!r}",
                remedy=f"It took {', '.join(sorted(taken)) or 'none yet'}.",
            )
        store.append(found.id, found.events, MinutesSet(at=now(), step=step, minutes=minutes))
        answer(store, found.id, options.as_json, f"took {minutes:g} min for {step}")


@command.command(
    "set",
    short_help="Say what the unit of a case is, also later.",
    epilog="Example: faulttree cases set 14 full-voltage '21 V'",
)
@click.argument("case")
@click.argument("name")
@click.argument("value")
@common
def set_fact(case: str, name: str, value: str, options: RecordOptions) -> None:
    """Say that NAME of the unit of CASE is VALUE.

    NAME is a property or rating of the tree, or model, tag, complaint or owner-words. Readings
    that a rating decides are judged again now; what was recorded first stays in the record.
    """
    from faulttree.cases.late_facts import set_late

    with options.store() as store:
        found = store.find(case)
        bench = read_bench_file(None, open_library(options.library))
        fact = set_late(store, found, name, value, at=now(), bench=bench)
        again = f", {counted(len(fact.decided), 'reading')} judged again" if fact.decided else ""
        told = f"{fact.name.removeprefix('unit.')} {fact.value}"
        answer(store, found.id, options.as_json, f"is {told}{again}")


@command.command(
    "parts",
    short_help="Show what open and waiting cases need.",
    epilog="Example: faulttree cases parts",
)
@common
def parts(options: RecordOptions) -> None:
    """Show the shopping list: parts that open and waiting cases need."""
    from faulttree.cases.parts_list import shopping_list

    with options.store(read_only=True) as store:
        wanted = shopping_list(store)
    if options.as_json:
        costs = [part.cost for part in wanted if part.cost is not None]
        say_json({"parts": [part.as_dict() for part in wanted], "cost": sum(costs)})
        return
    if not wanted:
        say("No open case needs a part.", to_people=True)
        return
    head = ("part", "for", "fault", "case", "cost")
    lines = [
        (part.part, part.unit, part.title, str(part.number), f"{part.cost:g}" if part.cost else "")
        for part in wanted
    ]
    for line in table([head, *lines]):
        say(line)


@command.command(
    "come-backs",
    short_help="List repairs that did not last.",
    epilog="Example: faulttree cases come-backs --days 60",
)
@click.option("--days", type=click.IntRange(0, 3650), help="Set the time for this record.")
@common
def come_backs(days: int | None, options: RecordOptions) -> None:
    """List repairs that did not last: the same unit came in again within a set time.

    --days sets that time, for every bench of this record.
    """
    from faulttree.cases.closing_result import with_closing
    from faulttree.cases.come_backs import days_of, set_days

    with options.store(read_only=days is None) as store:
        if days is not None:
            store.write(lambda connection: set_days(connection, days))
        within = store.read(days_of)
        found = store.list(came_back=True)
        closing = {case.id: result for case, result in with_closing(store, found)}
        again = {case.id: store.case(case.came_back) for case in found}
    if options.as_json:
        say_json(
            {
                "days": within,
                "cases": [case.as_dict() | {"closing": closing[case.id]} for case in found],
            }
        )
        return
    rows = [("case", "closed", "unit", "fault", "came back as", "on")]
    for case in found:
        later = again[case.id]
        unit = listed(case)[2]
        told = (unit, case.fault, str(later.number), later.opened[:10])
        rows.append((str(case.number), (case.closed or "")[:10], *told))
    for line in table(rows) if found else []:
        say(line)
    many = counted(len(found), "repair") if found else "No repair"
    say(f"{many} came back within {counted(within, 'day')}.", to_people=True)


command.add_command(export)
command.add_command(import_cases)
command.add_command(verify)
command.add_command(photos)
command.add_command(erase)
