"""Convert SVG to PNG and PDF with converter libraries."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import cache

from faulttree.diagram.symbols import FONT
from faulttree.errors import FaulttreeError

REMEDY = "pip install 'faulttree[pictures]', or draw SVG or HTML and print that."
DOTS = 144.0
"""Dots per inch of a PNG; a point is 1/72 inch."""
LARGEST = 12_000
"""No side of a PNG is longer, in dots."""


def png(svg: str, size: tuple[float, float]) -> bytes:
    """An SVG document of this size, in points, as a PNG.

    Raises:
        FaulttreeError: the converter is not installed, or the machine has no fonts.
    """
    try:
        import resvg_py
    except ImportError:
        raise FaulttreeError("PNG needs the converter resvg-py", remedy=REMEDY) from None
    if not _has_letters():
        raise FaulttreeError(
            "this machine has none of the fonts a picture is set in, so a PNG would hold no text",
            remedy="Install a font such as DejaVu Sans, or draw SVG or PDF.",
        )
    zoom = min(DOTS / 72, LARGEST / max(*size, 1.0))
    return bytes(resvg_py.svg_to_bytes(svg_string=svg, zoom=zoom, dpi=72))


@cache
def _has_letters() -> bool:
    """Whether text is drawn: the converter gives no error if it finds no font."""
    import resvg_py

    start = '<svg xmlns="http://www.w3.org/2000/svg" width="40" height="20">'
    said = f'{start}<text y="15" font-family="{FONT}">Ω</text></svg>'
    blank = resvg_py.svg_to_bytes(svg_string=f"{start}</svg>")
    return bytes(resvg_py.svg_to_bytes(svg_string=said)) != bytes(blank)


def pdf(svgs: Sequence[str], sizes: Sequence[tuple[float, float]], title: str) -> bytes:
    """SVG documents as the pages of one PDF, text kept as text.

    Args:
        svgs: one document a page.
        sizes: width and height of each, in points.
        title: for the reader's window.

    Raises:
        FaulttreeError: the converter is not installed, or could not read a page.
    """
    # The title is passed as data: the source below contains nothing from a tree.
    lines = ['#let about = json("about.json")', "#set document(title: about.title, date: none)"]
    files = {"about.json": json.dumps({"title": title}).encode()}
    for at, (svg, (width, height)) in enumerate(zip(svgs, sizes, strict=True)):
        files[f"page{at}.svg"] = svg.encode()
        lines.append(
            f"#page(width: {width:.2f}pt, height: {height:.2f}pt, margin: 0pt)"
            f'[#image("page{at}.svg", width: 100%)]'
        )
    return compile_pages("\n".join(lines), files)


def compile_pages(source: str, files: Mapping[str, bytes]) -> bytes:
    """Set pages as a PDF.

    Args:
        source: in the converter's language, written by this program alone.
        files: what the source reads: all that comes from trees is in these.

    Raises:
        FaulttreeError: the converter is not installed, or could not read a file.
    """
    try:
        import typst
    except ImportError:
        raise FaulttreeError("PDF needs the converter typst", remedy=REMEDY) from None
    try:
        # The library's own annotations leave out that it takes files by name.
        made = typst.compile({**files, "main.typ": source.encode()}, format="pdf")  # type: ignore[call-overload]
    except (RuntimeError, ValueError) as error:
        raise FaulttreeError(
            "the converter could not make a PDF of it",
            remedy="Draw SVG or HTML and print that.",
        ) from error
    assert isinstance(made, bytes)
    return made
