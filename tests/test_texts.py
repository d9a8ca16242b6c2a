"""Nothing in a text from a file or a person is obeyed by a terminal."""

from __future__ import annotations

import json
import unicodedata
from collections import Counter

from hypothesis import example, given
from hypothesis import strategies as st
from rich.cells import cell_len

from faulttree.texts import escaped, harmless, is_harmful, one_line, pick, table, wrapped


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


@given(st.text(max_size=200), st.integers(20, 120))
def test_wrapped_lines_fit_and_keep_every_word(text: str, width: int) -> None:
    lines = wrapped(text, width, "- ", "  ")
    assert all(len(line) <= max(width, 18) for line in lines)
    assert "".join("".join(line[2:] for line in lines).split()) == "".join(one_line(text).split())


def test_names_are_not_broken_at_their_hyphens() -> None:
    lines = wrapped("the step is called bleed-the-reservoir here", 24)
    assert any("bleed-the-reservoir" in line for line in lines)


@given(
    st.lists(st.tuples(*[st.text("ab <U>-%é漢", min_size=1, max_size=12)] * 3), min_size=1),
    st.integers(40, 200),
)
def test_a_table_keeps_every_cell_and_fits(rows: list[tuple[str, str, str]], width: int) -> None:
    lines = table(rows, width)
    assert all(cell_len(line) <= width for line in lines)
    shown = Counter("".join("".join(lines).split()))
    assert shown == Counter(
        "".join(one_line(cell) for row in rows for cell in row).replace(" ", "")
    )


def test_a_name_is_picked_by_itself_its_number_or_its_first_letters() -> None:
    names = ["waiting", "written-off", "returned", "3"]
    assert pick("WAITING", names) == "waiting"
    assert pick("2", names) == "written-off"
    assert pick("ret", names) == "returned"
    assert pick("3", names) == "3"
    assert pick("2", names, numbered=False) is None
    for unclear in ("w", "", "0", "5", "returned!"):
        assert pick(unclear, names) is None


@given(st.lists(st.text("abc12 -", min_size=1), min_size=1, unique_by=lambda n: one_line(n)))
def test_every_name_can_be_picked_as_it_is_written(names: list[str]) -> None:
    for name in names:
        assert pick(name, names, numbered=False) == name


@given(st.text())
@example("C1\u202e7k4")
@example("\x9b31m\x7f\ud800\U000f0000")
def test_an_escaped_document_shows_no_harmful_character_and_is_equal_as_data(text: str) -> None:
    document = escaped(json.dumps([text], ensure_ascii=False))
    assert not any(is_harmful(char) for char in document)
    assert json.loads(document) == [text]
