"""Nothing in a text from a file or a person is obeyed by a terminal."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from faulttree.texts import harmless, is_harmful, one_line


def test_what_a_terminal_would_obey_is_shown_instead() -> None:
    assert harmless("a\x1b[2Jb\x07") == "a<U+001B>[2Jb<U+0007>"
    assert harmless("\x9b31m") == "<U+009B>31m"
    assert harmless("a\rb") == "a<U+000D>b"


def test_what_makes_a_text_read_as_another_is_shown() -> None:
    assert harmless("C1\u202e7k4") == "C1<U+202E>7k4"
    assert harmless("in\u200bside") == "in<U+200B>side"
    assert harmless("\u2028") == "<U+2028>"


def test_what_people_write_stays_as_it_is() -> None:
    for text in ("4700 µF, 50 V ± 20 %", "Größe – 5 Ω", "修理", "नमस्ते", "line\n\tnext", "🔧", "é"):
        assert harmless(text) == text


@given(st.text())
def test_a_harmless_text_holds_nothing_harmful_and_stays_so(text: str) -> None:
    safe = harmless(text)
    assert not any(is_harmful(char) for char in safe)
    assert harmless(safe) == safe
    assert all(unicodedata.category(char) != "Cc" or char in "\n\t" for char in safe)


@given(st.text())
def test_one_line_is_one_line(text: str) -> None:
    assert len(one_line(text).splitlines()) <= 1
