"""Pages in the colours of the pictures: fetch nothing, work from disk, print on A4."""

from __future__ import annotations

from typing import Any

from faulttree.diagram.palette import DARK, LIGHT, OKABE_ITO, ThemeName
from faulttree.templates import render


def themed_page(template: str, theme: ThemeName = "auto", **values: Any) -> str:
    """A page whose template extends ``diagram/page.html.jinja``.

    Args:
        template: its path in the package.
        theme: light, dark, or as the reader's screen is.
        values: what else the template reads; ``title`` is needed.
    """
    colours = {"light": LIGHT, "dark": DARK, "okabe_ito": OKABE_ITO}
    return render(template, theme=theme, **colours, **values)
