"""The one door of this room: a tree becomes a picture, in whatever form is wanted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

from faulttree.diagram.chart import Chart, chart_of
from faulttree.diagram.page import Page, make_page
from faulttree.diagram.palette import ThemeName
from faulttree.errors import FaulttreeError

if TYPE_CHECKING:
    from faulttree.diagram.svg import Paper
    from faulttree.tree.model import Tree

__all__ = ["KINDS", "Kind", "Picture", "kind_of", "picture"]

Kind = Literal["svg", "png", "pdf", "dot", "mermaid", "html"]
KINDS: tuple[str, ...] = get_args(Kind)

ENDINGS: Mapping[str, str] = {
    ".svg": "svg",
    ".png": "png",
    ".pdf": "pdf",
    ".dot": "dot",
    ".gv": "dot",
    ".mmd": "mermaid",
    ".mermaid": "mermaid",
    ".html": "html",
    ".htm": "html",
}
MANY_BOXES = 150
"""Above this a chart is split over pages unless somebody says otherwise."""


def kind_of(path: Path) -> str:
    """The kind of picture that a file's ending asks for.

    Raises:
        FaulttreeError: no picture is known by that ending.
    """
    kind = ENDINGS.get(path.suffix.lower())
    if kind is None:
        raise FaulttreeError(
            f"'{path.name}' does not end like a picture",
            mend=f"End it in {', '.join(ENDINGS)}, or say --as KIND.",
        )
    return kind


def picture(
    tree: Tree,
    *,
    unfold: bool = False,
    depth: int | None = None,
    paged: bool | None = None,
    theme: ThemeName = "auto",
) -> Picture:
    """Draw a tree.

    Args:
        tree: what to draw.
        unfold: draw the steps of shared procedures instead of one box for each.
        depth: fold whatever lies more than this many steps from the start.
        paged: split over A4 pages with numbered connectors; None leaves it to the form
            and the size.
        theme: ``auto`` follows the reader's screen.

    Raises:
        FaulttreeError: later, where a form needs an engine or converter that is missing.
    """
    return Picture(chart_of(tree, unfold=unfold, depth=depth), paged=paged, theme=theme)


@dataclass(frozen=True)
class Picture:
    """A chart that can be had in several forms. Nothing is laid out before it is needed."""

    chart: Chart
    paged: bool | None = None
    theme: ThemeName = "auto"

    def svg(self) -> str:
        """SVG 1.1, all pages below each other."""
        from faulttree.diagram.svg import write_pages

        return write_pages(self._drawn(on_paper=False), self.theme)

    def _drawn(self, *, on_paper: bool) -> list[tuple[Page, Paper]]:
        paged = self.paged
        if paged is None:
            paged = on_paper or len(self.chart.boxes) > MANY_BOXES
        return self._pages if paged else [self._whole]

    @cached_property
    def _whole(self) -> tuple[Page, Paper]:
        from faulttree.diagram.svg import paper_for

        page = make_page(self.chart)
        return page, paper_for(page)

    @cached_property
    def _pages(self) -> list[tuple[Page, Paper]]:
        return [self._whole]
