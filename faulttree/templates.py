"""HTML pages made of Jinja2 templates; each template stands beside the room it belongs to.

Every value that a template shows is escaped, and first made printable: nothing that a file or
a person wrote is markup, and nothing in it is obeyed by a terminal or misleads a reader.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from faulttree.texts import printable

__all__ = ["render"]


def render(name: str, **values: Any) -> str:
    """The page that a template makes of these values.

    Args:
        name: path of the template in this package, with ``/``.
        values: what the template reads; plain texts are escaped, ``Markup`` is not.

    Raises:
        jinja2.TemplateError: the template reads a value that is not given.

    Example:
        >>> "<title>a &lt; b</title>" in render("page.html.jinja", title="a < b")
        True
    """
    return environment().get_template(name).render(values)


@cache
def environment() -> Environment:
    """Where templates are found, and the rules they all follow."""
    return Environment(
        loader=PackageLoader("faulttree", ""),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def shown(value: object) -> object:
    """A value as a page shows it; a number stays on one line with its percent sign."""
    return value if isinstance(value, Markup) else printable(value).replace(" %", "\u00a0%")
