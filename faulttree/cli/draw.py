"""``faulttree draw``: a tree as a picture."""

from __future__ import annotations

from pathlib import Path

import click

from faulttree.cli.options import library_option, open_library

__all__ = ["command"]


@click.command("draw", epilog="Example: faulttree draw bench-supply/no-output -o no-output.svg")
@click.argument("tree")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="File to write.")
@click.option("--unfold", is_flag=True, help="Draw the steps of shared procedures too.")
@click.option("--depth", type=click.IntRange(min=1), help="Fold what lies deeper than this.")
@library_option
def command(
    tree: str, output: Path | None, unfold: bool, depth: int | None, library: str | None
) -> None:
    """Draw a tree."""
    from faulttree.diagram import picture

    drawn = picture(open_library(library).load(tree), unfold=unfold, depth=depth).svg()
    if output is None:
        click.echo(drawn, nl=False)
    else:
        output.write_text(drawn, encoding="utf-8")
        click.echo(f"drawn: {output}", err=True)
