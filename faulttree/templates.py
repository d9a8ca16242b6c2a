"""HTML pages from Jinja2 templates; each template is in the package that uses it.

Every value is first made printable and then escaped: a text from a file or a person is never
markup, and it cannot control a terminal or mislead a reader.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from faulttree.texts import printable

__all__ = ["render"]


def render(name: str, **values: Any) -> str:
    """Render a template with these values.

    Args:
        name: path of the template in this package, with ``/``.
        values: the variables of the template; texts are escaped, ``Markup`` is not.

    Raises:
        jinja2.TemplateError: the template uses a variable that is not given.

    Example:
        >>> "<title>a &lt; b</title>" in render("page.html.jinja", title="a < b")
        True
    """
    return environment().get_template(name).render(values)


@cache
def environment() -> Environment:
    """The Jinja2 environment: loader, escaping and filters of all templates."""
    return Environment(
        loader=PackageLoader("faulttree", ""),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def shown(value: object) -> object:
    """A value as a page shows it; a number and its percent sign stay on one line."""
    return value if isinstance(value, Markup) else printable(value).replace(" %", "\u00a0%")
