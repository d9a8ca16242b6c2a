"""``faulttree review``: which branches found faults, and what to change."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.options import (
    json_option,
    library_option,
    open_library,
    open_record,
    record_option,
    say_json,
)

if TYPE_CHECKING:
    from faulttree.tree import Library
    from faulttree.tree.model import Tree

__all__ = ["command"]


@click.command(epilog="Example: faulttree review --family bench-supply")
@click.option("--tree", help="One tree, as family/complaint.")
@click.option("--family", help="Kind of unit.")
@click.option("--module", help="Trees that know a fault of this module.")
@click.option("--who", help="Cases of this bench.")
@click.option("--since", metavar="DATE", help="Cases opened on this day or later.")
@click.option("--until", metavar="DATE", help="Cases opened on this day or earlier.")
@record_option
@library_option
@json_option
def command(
    record: str | None, library: str | None, as_json: bool, module: str | None, **wanted: Any
) -> int:
    """Show which branches found faults, and what to change in the trees."""
    from faulttree.figures import review

    trees = trees_of(open_library(library))
    with open_record(record, read_only=True) as store:
        found = review(store, trees, module=module, **wanted)
    say_json(found.as_dict())
    return 0


def trees_of(library: Library) -> list[Tree]:
    """Every tree of the library that can be built."""
    examined = [library.examine(name) for name in library.trees()]
    return [one.tree for one in examined if one.tree is not None]
