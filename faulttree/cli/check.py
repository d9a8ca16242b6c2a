"""``faulttree check``: find everything in a tree that could mislead."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faulttree.cli.options import library_option, open_library, say, say_json

if TYPE_CHECKING:
    from faulttree.rules.finding import Level, Report

FORMATS = ("text", "json", "sarif", "github")


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
@click.option("--no-cache", is_flag=True, help="Look at every file anew.")
@click.option(
    "--jobs", type=click.IntRange(1, 256), default=None, help="Processes.  [default: all cores]"
)
@library_option
def command(
    paths: tuple[str, ...],
    fail_on: Level,
    form: str | None,
    as_json: bool,
    no_cache: bool,
    jobs: int | None,
    library: str | None,
) -> int:
    """Find everything in trees, procedures and fault tables that could mislead.

    PATH is a file, a folder, the id of a tree, or - for standard input; without one the
    whole library is checked. Exits with 0 where all is clean, 1 where something is found,
    2 where a path cannot be opened.
    """
    from faulttree.rules import check_paths

    report = check_paths(
        paths,
        open_library(library),
        stdin=lambda: sys.stdin.buffer.read(),
        jobs=jobs or os.cpu_count() or 1,
        cache=None if no_cache else cache_folder(),
        fixed_library=bool(library or os.environ.get("FAULTTREE_LIBRARY")),
    )
    show(report, "json" if as_json else form or "text")
    return 1 if report.fails(fail_on) else 0


def cache_folder() -> Path:
    """Where results are kept between runs."""
    from platformdirs import user_cache_path

    return user_cache_path("faulttree", appauthor=False)


def show(report: Report, form: str) -> None:
    """Print a report in one of the forms."""
    if form == "json":
        say_json(report.as_dict())
    elif form == "sarif":
        from faulttree.rules.sarif import as_sarif

        say_json(as_sarif(report))
    elif form == "github":
        from faulttree.rules.wording import as_github

        if report.findings:
            say(as_github(report.findings))
    else:
        from faulttree.rules.wording import as_text

        colour = wants_colour()
        click.echo(as_text(report, colour=colour), color=colour)


def wants_colour() -> bool:
    """Colour where a person looks on and has not asked for none (no-color.org)."""
    return (
        sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    )
