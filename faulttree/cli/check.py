"""``faulttree check``: find everything in a tree that could mislead."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faulttree.cli.options import library_option, say, say_json
from faulttree.cli.places import open_library

if TYPE_CHECKING:
    from faulttree.rules import Level, Report
    from faulttree.tree import Finding, Library

FORMATS = ("text", "json", "sarif", "github")
PAUSE = 0.4
"""Seconds between two looks at the files while watching."""


@click.command(
    epilog="Example: faulttree check trees/bench-supply/no-output.yaml --fail-on warning"
)
@click.argument("paths", nargs=-1, metavar="[PATH]...")
@click.option(
    "--fail-on",
    type=click.Choice(["error", "warning", "note"]),
    default="error",
    show_default=True,
    help="Exit with 1 where anything is found at this level or above.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    default=None,
    help="How to print what is found.  [default: text]",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option("--fix", is_flag=True, help="Correct what has one safe correction; comments stay.")
@click.option(
    "--known",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    default=None,
    help="A list of findings that are known and do not count; it may only shrink.",
)
@click.option("--watch", is_flag=True, help="Check again at every save; show what changed.")
@click.option("--no-cache", is_flag=True, help="Check every file again; use no kept results.")
@click.option(
    "--jobs",
    type=click.IntRange(1, 256),
    default=None,
    help="How many processes.  [default: all cores]",
)
@library_option
def command(
    paths: tuple[str, ...],
    fail_on: Level,
    form: str | None,
    as_json: bool,
    fix: bool,
    known: Path | None,
    watch: bool,
    no_cache: bool,
    jobs: int | None,
    library: tuple[str, ...],
) -> int:
    """Find everything in trees, procedures and fault tables that could mislead.

    PATH is a file, a folder, the id of a tree, or - for standard input; without one the
    whole library is checked. Exits with 0 where all is clean, 1 where something is found,
    2 where a path cannot be opened. A line of the list that --known names is `PATH RULE KEYS`,
    as in `trees/lamp/dark.yaml symptom-not-seen symptoms.0`.
    """
    from faulttree.rules.output.changes import stamp

    shape = "json" if as_json else form or "text"
    if watch and ("-" in paths or shape != "text"):
        raise click.UsageError("--watch shows text, and cannot follow standard input.")

    def look() -> Report:
        return run(paths, open_library(library), bool(library), no_cache, jobs, known)

    def files() -> list[Path]:
        return files_of(paths, open_library(library))

    # Taken before the files are read: what is saved meanwhile is seen as a change.
    seen = stamp(files()) if watch else frozenset()
    report = look()
    if fix:
        report = corrected(report, look)
    show(report, shape)
    if watch:
        report = follow(report, look, files, seen)
    return 1 if report.fails(fail_on) else 0


def run(
    paths: tuple[str, ...],
    library: Library,
    named: bool,
    no_cache: bool,
    jobs: int | None,
    known: Path | None,
) -> Report:
    """One check of all that the paths mean."""
    from faulttree.rules import check_paths

    report = check_paths(
        paths,
        library,
        stdin=lambda: sys.stdin.buffer.read(),
        jobs=jobs or os.cpu_count() or 1,
        cache=None if no_cache else cache_folder(),
        fixed_library=named or bool(os.environ.get("FAULTTREE_LIBRARY")),
    )
    if known is None:
        return report
    from faulttree.rules.known import without_known

    return without_known(report, known)


def cache_folder() -> Path:
    """Where results are kept between runs."""
    from platformdirs import user_cache_path

    return user_cache_path("faulttree", appauthor=False)


# -- forms -----------------------------------------------------------------------------


def show(report: Report, form: str) -> None:
    """Print a report in one of the forms."""
    if form == "json":
        say_json(report.as_dict())
    elif form == "sarif":
        from faulttree.rules.output.sarif import as_sarif

        say_json(as_sarif(report))
    elif form == "github":
        from faulttree.rules.output.text import as_github

        if report.findings:
            say(as_github(report.findings))
    else:
        from faulttree.rules.output.text import as_text

        colour = wants_colour()
        click.echo(as_text(report, colour=colour), color=colour)


def wants_colour() -> bool:
    """Colour where a person looks on and has not asked for none (no-color.org)."""
    return (
        sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    )


# -- correcting and watching ------------------------------------------------------------


def corrected(report: Report, look: Callable[[], Report]) -> Report:
    """Correct what can be corrected safely, say what, and check again."""
    from faulttree.rules.autofix import fix_files

    count = 0
    # More than once: some rules are run only when the form of a file is right.
    while done := fix_files(report.findings):
        for one in done:
            place = f"{one.path}:{one.line}:{one.column}"
            say(f"{place}: {edit_text(one)} [{one.rule}]", to_people=True)
        count += len(done)
        report = look()
    say(f"{count} corrected", to_people=True)
    return report


def edit_text(finding: Finding) -> str:
    """What an edit changed, in words."""
    old, new = (finding.edit.old, finding.edit.new) if finding.edit else ("", "")
    return f"`{old}` is now `{new}`" if new else f"U+{ord(old):04X} was removed"


def files_of(paths: tuple[str, ...], library: Library) -> list[Path]:
    """The files whose saving matters: those checked, and all that they share."""
    from faulttree.rules.targets import targets_of

    files = [target.path for target in targets_of(paths, library) if target.path is not None]
    shared = library.root / "shared"
    return [*files, *shared.glob("*.yaml"), *shared.glob("procedures/*.yaml")]


def follow(
    report: Report,
    look: Callable[[], Report],
    files: Callable[[], list[Path]],
    seen: frozenset[tuple[str, int, int]],
) -> Report:
    """Check again whenever a file is saved, until interrupted; the last report.

    ``seen`` is the stamp of the files from before ``report`` was made.
    """
    import time

    from faulttree.errors import FaulttreeError
    from faulttree.rules.output.changes import changes, stamp
    from faulttree.rules.output.text import as_text

    say("watching; Ctrl-C ends", to_people=True)
    try:
        while True:
            time.sleep(PAUSE)
            try:
                now = stamp(files())
                if now == seen:
                    continue
                seen, before, report = now, report, look()
            except (FaulttreeError, OSError):
                # A file that is just being saved may be gone for a moment.
                continue
            new, gone = changes(before, report)
            for finding in gone:
                say(f"corrected: {finding.path}: {finding.message} [{finding.rule}]")
            click.echo(as_text(replace(report, findings=new), colour=wants_colour()))
            sys.stdout.flush()
    except KeyboardInterrupt:
        return report
