"""``faulttree cases export``, ``import`` and ``verify``: the record as files."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from faulttree.cli.cases_common import bar, common
from faulttree.cli.options import now, say, say_json
from faulttree.cli.places import RecordOptions, open_record, say_age_of_backup
from faulttree.convert import to_data
from faulttree.errors import RecordError
from faulttree.texts import counted, harmless

if TYPE_CHECKING:
    from faulttree.cases import Case, Store
    from faulttree.cases.repair.verify import Verified
    from faulttree.cases.transfer.export import Leave


@click.command(
    "export",
    short_help="Write cases to a file.",
    epilog="Example: faulttree cases export -o cases.jsonl --without serials",
)
@click.argument("cases", nargs=-1)
@click.option(
    "--as",
    "form",
    type=click.Choice(["jsonl", "csv", "parquet"]),
    default=None,
    help="jsonl to bring into another record, csv or parquet for analysis. "
    "[default: by the ending of the output, else jsonl]",
)
@click.option("-o", "--output", type=click.Path(dir_okay=False), help="File to write.")
@click.option(
    "--without",
    "left_out",
    multiple=True,
    type=click.Choice(["names", "serials", "photos"]),
    help="Leave this out; may be given again. 'names' also leaves out all text that people "
    "wrote; each choice also leaves out the pictures.",
)
@click.option(
    "--with-photos",
    is_flag=True,
    help="Keep the pictures although names or serials are left out: check each picture first.",
)
@click.option("--family", help="Only this kind of unit.")
@click.option("--tree", help="Only cases of this tree.")
@click.option("--since", metavar="DATE", help="Opened on this day or later.")
@click.option("--until", metavar="DATE", help="Opened on this day or earlier.")
@common
def export(
    cases: tuple[str, ...],
    form: str | None,
    output: str | None,
    left_out: tuple[str, ...],
    with_photos: bool,
    options: RecordOptions,
    **wanted: Any,
) -> None:
    """Write CASES, or all of them, to a file or to standard output."""
    from faulttree.cases.transfer.export import Leave

    kind = form or {".csv": "csv", ".parquet": "parquet"}.get(Path(output or "").suffix, "jsonl")
    given = {name: name in left_out for name in ("names", "serials", "photos")}
    leave = Leave(**given, pictures=with_photos)
    if options.as_json and not output:
        raise click.UsageError("--json needs --output: both would go to standard output")
    with options.store(read_only=True) as store:
        chosen = [store.find(words) for words in cases] if cases else store.each(**wanted)
        total = len(cases) or store.count(**wanted)
        with output_file(output) as file, bar("Exporting") as show:
            many = written(store, kind, file, watched(chosen, total, show), leave)
    if options.as_json:
        say_json({"written": many, "form": kind, "output": output, "left_out": list(left_out)})
    elif output:
        what = "case" if kind == "jsonl" else "row"
        say(f"{counted(many, what)} written to {output}.", to_people=True)


def written(store: Store, kind: str, file: IO[bytes], cases: Iterable[Case], leave: Leave) -> int:
    """Write them in that form; gives how many lines or rows."""
    from faulttree.cases.journal.file import PHOTO
    from faulttree.cases.transfer.export import lines, step_rows, to_csv, to_parquet

    if kind == "parquet":
        return to_parquet(file, step_rows(store, cases, leave))
    text = io.TextIOWrapper(file, encoding="utf-8", errors="replace", newline="")
    try:
        if kind == "csv":
            return to_csv(text, step_rows(store, cases, leave))
        many = 0
        for line in lines(store, cases, leave):
            text.write(line + "\n")
            many += not line.startswith(PHOTO)
        return many
    finally:
        text.flush()
        text.detach()


@contextmanager
def output_file(output: str | None) -> Iterator[IO[bytes]]:
    """Standard output, or a file that is there only when it is whole, for its owner alone."""
    if output is None:
        yield sys.stdout.buffer
        return
    path = Path(output)
    part = path.with_name(f"{path.name}.part")
    try:
        with open(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600), "wb") as file:  # noqa: PTH123
            yield file
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def watched(cases: Iterable[Case], total: int, show: Callable[[int, int], None]) -> Iterator[Case]:
    """The cases, telling how many of them are done."""
    for done, case in enumerate(cases, 1):
        yield case
        if done % 100 == 0 or done == total:
            show(done, total)


@click.command(
    "import",
    short_help="Bring cases of another record in.",
    epilog="Example: faulttree cases import cases.jsonl",
)
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@common
def import_cases(files: tuple[str, ...], options: RecordOptions) -> int:
    """Bring cases of an export, or of a record's journal, into the record.

    Doing it again adds nothing; nothing here is overwritten. A damaged line costs that
    line. Exits 1 when a line was damaged or a case goes on differently here.
    """
    from faulttree.cases.transfer.importer import Imported, load, opened_for_reading

    done = Imported()
    with options.store() as store:
        for name in files:
            with opened_for_reading(Path(name)) as file:
                size = os.fstat(file.fileno()).st_size
                with bar(f"Importing {Path(name).name}") as show:
                    jobs = os.cpu_count() or 1
                    one = load(store, file, name, progress=towards(show, size), jobs=jobs)
            done.merged += one.merged
            done.damaged += one.damaged
    merged = done.merged
    if options.as_json:
        counts = {"cases": merged.cases, "events": merged.events, "same": merged.same}
        counts["photos"] = merged.photos
        problems = {"conflicts": merged.conflicts, "damaged": done.damaged}
        say_json(counts | {name: to_data(found) for name, found in problems.items()})
    else:
        told = f"{counted(merged.cases, 'new case')}, {counted(merged.events, 'new event')}"
        told += f", {counted(merged.photos, 'new photo')}" if merged.photos else ""
        say(f"{told}; {counted(merged.same, 'case')} already here.", to_people=True)
        for problem in (*merged.conflicts, *done.damaged):
            say(f"  {problem}", to_people=True)
    return 1 if merged.conflicts or done.damaged else 0


def towards(show: Callable[[int, int], None], total: int) -> Callable[[int], None]:
    """Tell how much is done of a total that is known."""
    return lambda done: show(done, total)


@click.command(
    "verify",
    short_help="Look whether the record is whole.",
    epilog="Example: faulttree cases verify --repair",
)
@click.option("--repair", is_flag=True, help="Put right what the events and the journal can.")
@click.option(
    "--photos", metavar="DIR", help="Folder of photos that earlier versions kept by path."
)
@common
def verify(repair: bool, photos: str | None, options: RecordOptions) -> int:
    """Look through the record, its events, trees, photos and journal.

    Exits 1 when something is wrong and was not repaired.
    """
    from faulttree.cases.backends.urls import is_sqlite

    url = options.url
    with alone_with(url) if repair else nullcontext():
        looked, brought = looked_through(url, repair=repair, photos=photos)
    if options.as_json:
        counts = {name: getattr(looked, name) for name in ("cases", "events", "trees", "photos")}
        findings = [finding.as_dict() for finding in looked.findings]
        brought_back = list(brought)
        say_json(
            {"sound": looked.sound, **counts, "findings": findings} | {"brought_back": brought_back}
        )
    else:
        for line in brought:
            say(f"{line}: brought back from the journal", to_people=True)
        for finding in looked.findings:
            mended = " (repaired)" if finding.mended else ""
            say(f"{finding.kind}: {finding.place}: {finding.message}{mended}")
        say(
            f"Looked at {counted(looked.cases, 'case')}, {counted(looked.events, 'event')}, "
            f"{counted(looked.trees, 'tree')}: {'sound' if looked.sound else 'not sound'}.",
            to_people=True,
        )
        if is_sqlite(url):
            with open_record(url, read_only=True) as store:
                say_age_of_backup(store)
    return 0 if looked.sound else 1


@click.command(
    "erase",
    short_help="Erase the photos of a case, and the words that people wrote.",
    epilog="Example: faulttree cases erase 14",
)
@click.argument("case")
@click.option("--yes", is_flag=True, help="Erase without asking.")
@common
def erase(case: str, yes: bool, options: RecordOptions) -> int:
    """Erase every word that people wrote in CASE (complaint, names, notes, parts), and its photos.

    They are erased in the record, its journal, the index of words, and the copies that can be
    reached. Readings, results, serial and tag stay. Nothing brings them back: imports,
    repairs and restores leave them out. Exits 1 when a copy could not be reached; it is named.
    """
    from faulttree.cases.repair.erase import erase_case

    url = options.url
    with alone_with(url), open_record(url, library=options.library, held=True) as store:
        found = store.find(case)
        question = (
            f"Erase words and photos of case {found.number}, {found.title}? This cannot be undone."
        )
        if not yes and not click.confirm(harmless(question), err=True):
            say("Nothing was erased.", to_people=True)
            return 1
        done = erase_case(store, found.id, now())
    if options.as_json:
        say_json(done.as_dict())
    else:
        say(f"The words of case {done.number} are erased.", to_people=True)
        for line in done.unreached:
            say(f"Not reached: {line}", to_people=True)
        say(ELSEWHERE, to_people=True)
    return 1 if done.unreached else 0


ELSEWHERE = (
    "Exports, reports, pictures, trees and copies made by other programs are not known here: look "
    "for the words there yourself."
)


@contextmanager
def alone_with(url: str) -> Iterator[None]:
    """Hold the file of a record alone: a repair may replace it. A server needs no such lock."""
    from faulttree.cases.backends.file_lock import FileLock
    from faulttree.cases.backends.urls import sqlite_path

    path = sqlite_path(url)
    lock = FileLock(path, alone=True) if path is not None and path.exists() else None
    try:
        yield
    finally:
        if lock is not None:
            lock.close()


def looked_through(
    url: str, *, repair: bool, photos: str | None
) -> tuple[Verified, tuple[str, ...]]:
    """What was found in the whole record, and what the journal gave back.

    Raises:
        RecordError: it is damaged and shall not be repaired.
    """
    from faulttree.cases.backends.urls import sqlite_path
    from faulttree.cases.repair.verify import Verified, is_damaged, salvage

    path = sqlite_path(url)
    found = Verified()
    if path is not None and is_damaged(path):
        if not repair:
            raise RecordError(
                "the record is damaged",
                path=path,
                remedy="Run `faulttree cases verify --repair`; the damaged file is kept.",
            )
        found = salvage(path)
    looked, brought = look_once(url, repair=repair, photos=photos)
    if repair and path is not None and looked.needs_rebuilding and not found.findings:
        # Once only: what is still wrong afterwards is in neither copy, and is reported.
        found = salvage(path)
        looked, brought = look_once(url, repair=repair, photos=photos)
    looked.findings = found.findings + looked.findings
    return looked, brought


def look_once(url: str, *, repair: bool, photos: str | None) -> tuple[Verified, tuple[str, ...]]:
    """What was found in a record that can be opened, and what the journal gave back."""
    from faulttree.cases.repair.verify import verify as look

    with open_record(url, read_only=not repair, held=repair) as store:
        folder = Path(photos) if photos else None
        with bar("Verifying") as show:
            return look(store, repair=repair, photos=folder, progress=show), store.brought_back
