"""Draw a tree or a library as a picture, in any of the forms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from faulttree.diagram.chart import Chart, chart_of, fold_to
from faulttree.diagram.page import Page, one_page
from faulttree.diagram.palette import ThemeName
from faulttree.errors import FaulttreeError

if TYPE_CHECKING:
    from faulttree.diagram.overlay import Counts
    from faulttree.diagram.svg import Paper
    from faulttree.tree.model import Tree
    from faulttree.walk.state import State


Kind = Literal["svg", "png", "pdf", "html", "dot", "mermaid", "sheet"]
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
FEW_BOXES = 30
"""Above these a tree and a library are split over pages unless somebody says otherwise."""


def kind_of(path: str | Path) -> str:
    """The kind of picture that a file's ending asks for.

    Raises:
        FaulttreeError: no picture is known by that ending.
    """
    path = Path(path)
    kind = ENDINGS.get(path.suffix.lower())
    if kind is None:
        raise FaulttreeError(
            f"'{path.name}' does not end like a picture",
            remedy=f"End it in {', '.join(ENDINGS)}, or say --as KIND.",
        )
    return kind


def picture(
    tree: Tree,
    *,
    unfold: bool = False,
    depth: int | None = None,
    paged: bool | None = None,
    theme: ThemeName = "auto",
    case: State | None = None,
    counts: Counts | None = None,
    old: Tree | None = None,
    note: str = "",
) -> Picture:
    """Draw a tree, or what was walked or changed upon it.

    Args:
        tree: what to draw.
        unfold: draw the steps of shared procedures instead of one box for each.
        depth: fold whatever lies more than this many steps from the start.
        paged: split over A4 pages with numbered connectors; None leaves it to the form
            and the size.
        theme: ``auto`` follows the reader's screen.
        case: a walk of this very tree, to be laid over it.
        counts: how often each arrow was walked, to shade it by.
        old: the tree as it was, to mark what changed.
        note: a line for the head of the picture, such as the name of the case.

    Raises:
        FaulttreeError: later, where a form needs an engine or converter that is missing.
    """
    from faulttree.diagram import overlay

    chart = overlay.compared(old, tree, unfold=unfold) if old else chart_of(tree, unfold=unfold)
    if counts is not None:
        chart = overlay.with_counts(chart, tree, counts, unfold=unfold)
    if case is not None:
        chart = overlay.with_case(chart, tree, case, unfold=unfold, title=note)
    if depth is not None:
        chart = fold_to(chart, depth)
    return Picture(chart, paged=paged, theme=theme, tree=tree)


def overview(
    trees: Iterable[Tree],
    families: Mapping[str, Any],
    title: str = "Library",
    *,
    paged: bool | None = None,
    theme: ThemeName = "auto",
) -> Picture:
    """Draw a whole library: families, their trees, and the modules these can clear.

    Args:
        trees: every tree of the library.
        families: its table of families, as plain data.
        title: names it.
        paged: None splits a library of more than a few trees, each family in one piece.
        theme: as for :func:`picture`.
    """
    from faulttree.diagram.overview import overview_chart

    chart = overview_chart(trees, families, title)
    return Picture(chart, paged=paged, theme=theme, across=True)


@dataclass(frozen=True, repr=False)
class Picture:
    """A chart that can be had in several forms. Nothing is laid out before it is needed."""

    chart: Chart
    paged: bool | None = None
    theme: ThemeName = "auto"
    tree: Tree | None = None
    across: bool = False

    def __repr__(self) -> str:
        return f"<Picture {self.chart.title}: {len(self.chart.boxes)} boxes>"

    def _repr_svg_(self) -> str:
        """What a notebook shows."""
        return self.svg()

    def svg(self) -> str:
        """SVG 1.1, all pages below each other."""
        from faulttree.diagram.svg import write_pages

        return write_pages(self._drawn(on_paper=False), self.theme)

    def html(self) -> str:
        """One HTML file: on sheets of A4 unless the whole on one was asked for."""
        from markupsafe import Markup

        from faulttree.diagram.html_page import themed_page
        from faulttree.diagram.svg import write_page

        drawn = self._drawn(on_paper=True)
        # The writer of SVG escapes whatever a tree says.
        drawings = [Markup(write_page(page, paper, self.theme)) for page, paper in drawn]  # noqa: S704
        return themed_page(
            "diagram/picture.html.jinja",
            self.theme,
            title=self.chart.title,
            drawings=drawings,
            whole=self.paged is False,
        )

    def png(self) -> list[bytes]:
        """A PNG for each page, at 144 dots per inch.

        Raises:
            FaulttreeError: the converter is not installed, or there are no fonts.
        """
        from faulttree.diagram.convert import png
        from faulttree.diagram.svg import write_page

        drawn = self._drawn(on_paper=False)
        return [
            png(write_page(page, paper, self._fixed), (paper.width, paper.height))
            for page, paper in drawn
        ]

    def pdf(self) -> bytes:
        """A PDF, on sheets of A4 unless the whole on one was asked for.

        Raises:
            FaulttreeError: the converter is not installed.
        """
        from faulttree.diagram.convert import pdf
        from faulttree.diagram.svg import write_page

        drawn = self._drawn(on_paper=True)
        return pdf(
            [write_page(page, paper, self._fixed) for page, paper in drawn],
            [(paper.width, paper.height) for _, paper in drawn],
            self.chart.title,
        )

    def dot(self) -> str:
        """The chart in the DOT language, for Graphviz; no layout is needed for it."""
        from faulttree.diagram.notation import as_dot

        return as_dot(self.chart)

    def mermaid(self) -> str:
        """The chart as Mermaid text, for pages that draw it themselves."""
        from faulttree.diagram.notation import as_mermaid

        return as_mermaid(self.chart)

    def sheet(self, *, pdf: bool = False) -> bytes:
        """The tree as a walk sheet to print and fill in: HTML, or PDF.

        Raises:
            FaulttreeError: this is no picture of a tree, or PDF needs a converter that is
                not installed.
        """
        from faulttree.diagram.walk_sheet import sheet_html, sheet_pdf

        if self.tree is None:
            raise FaulttreeError("a walk sheet is made of one tree", remedy="Name the tree.")
        return sheet_pdf(self.tree) if pdf else sheet_html(self.tree).encode()

    def files(self, kind: str) -> list[bytes]:
        """What a kind of picture comes to, as the files that hold it: PNG has one a page."""
        if kind == "png":
            return self.png()
        if kind == "pdf":
            return [self.pdf()]
        if kind == "sheet":
            return [self.sheet()]
        texts = {"svg": self.svg, "dot": self.dot, "mermaid": self.mermaid, "html": self.html}
        return [texts[kind]().encode()]

    @property
    def _fixed(self) -> ThemeName:
        """Dots and paper have one theme: light where it is left open."""
        return "dark" if self.theme == "dark" else "light"

    def _drawn(self, *, on_paper: bool) -> list[tuple[Page, Paper]]:
        paged = self.paged
        if paged is None:
            many = FEW_BOXES if self.tree is None else MANY_BOXES
            paged = on_paper or len(self.chart.boxes) > many
        return self._sheets if paged else [self._whole]

    @cached_property
    def _whole(self) -> tuple[Page, Paper]:
        from faulttree.diagram.svg import paper_for

        page = one_page(self.chart, across=self.across)
        return page, paper_for(page)

    @cached_property
    def _sheets(self) -> list[tuple[Page, Paper]]:
        from faulttree.diagram.paging import split
        from faulttree.diagram.svg import sheet_room, sheets_for

        # The connector's place in the legend takes room too.
        chart = replace(self.chart, legend=("connector",))
        return sheets_for(split(chart, sheet_room(chart), across=self.across))
