"""One HTML file that holds all it needs: fetches nothing, works from disk, prints on A4."""

from __future__ import annotations

from collections.abc import Sequence

from faulttree.diagram.escape import xml
from faulttree.diagram.palette import DARK, LIGHT, ThemeName

__all__ = ["page_of", "style"]

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def style(theme: ThemeName, more: str = "") -> str:
    """The style sheet that all pages share."""
    base = DARK if theme == "dark" else LIGHT
    rules = (
        f":root{{color-scheme:{'light dark' if theme == 'auto' else theme}}}"
        f"body{{margin:0;background:{base.paper};color:{base.ink};"
        "font-family:'DejaVu Sans',Verdana,Arial,sans-serif}"
        f"{more}"
    )
    if theme == "auto":
        dark = f"body{{background:{DARK.paper};color:{DARK.ink}}}"
        rules += f"@media screen and (prefers-color-scheme:dark){{{dark}}}"
    return rules


def page_of(title: str, language: str, css: str, body: Sequence[str]) -> str:
    """The document around a body. ``title`` is escaped here, the body must be already."""
    return "\n".join(
        [
            "<!DOCTYPE html>",
            f'<html lang="{language}">',
            "<head>",
            '<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{xml(title)}</title>",
            f"<style>{css}</style>",
            "</head>",
            "<body>",
            *body,
            "</body>",
            "</html>",
            "",
        ]
    )


PICTURE = (
    "@page{size:A4;margin:0}"
    "section{break-after:page;max-width:1100px;margin:0 auto}section:last-child{break-after:auto}"
    "section>svg{display:block;width:100%;height:auto}"
    "section.whole{max-width:none}section.whole>svg{width:auto;max-width:none}"
    "@media print{section{max-width:none}section>svg{width:100%!important;max-height:100vh}}"
)
