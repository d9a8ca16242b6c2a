"""Pages: whatever a value says comes out as text, on a page that fetches and runs nothing."""

from __future__ import annotations

from html.parser import HTMLParser

import jinja2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup

from faulttree.templates import environment, render, shown
from faulttree.texts import is_harmful, printable


class Page(HTMLParser):
    """The tags of a page, and the text in its title."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.title = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        if self.tags[-1:] == ["title"]:
            self.title += data


@given(st.text(max_size=60))
def test_any_text_is_shown_and_nothing_in_it_is_markup(text: str) -> None:
    page = Page(render("page.html.jinja", title=text))
    assert page.tags == ["html", "head", "meta", "meta", "meta", "title", "style", "body"]
    assert not any(map(is_harmful, page.title))
    assert page.title.split() == printable(text).split()


def test_a_page_may_load_nothing() -> None:
    # Content Security Policy Level 3, section 6.1: default-src covers every kind of fetch.
    assert "content=\"default-src 'none'; style-src 'unsafe-inline'\"" in render(
        "page.html.jinja", title="x"
    )


def test_markup_of_the_program_stays_markup() -> None:
    assert shown(Markup("<b>")) == "<b>"
    assert environment().from_string("{{ a }}").render(a="<b>") == "&lt;b&gt;"


def test_a_value_that_is_not_given_is_an_error() -> None:
    with pytest.raises(jinja2.UndefinedError):
        render("page.html.jinja")
