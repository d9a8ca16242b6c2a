"""What a remark says: warnings, exclusions, languages, any text at all."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faulttree.errors import FaulttreeError
from faulttree.tips.extract import Extracted, extract
from faulttree.tips.remarks import RemarksError, remarks_in
from faulttree.tips.thesaurus import make_thesaurus, thesaurus_of
from faulttree.tree import shipped_library
from faulttree.tree.schema import is_valid

LIBRARY = shipped_library()


def read(text: str) -> Extracted:
    return extract(text, thesaurus_of(LIBRARY))


@pytest.mark.parametrize(
    ("text", "unsafe"),
    [
        ("Bridge the thermal cut-out and run it.", True),
        ("Never bridge the thermal cut-out.", False),
        ("Somebody said to bridge the fuse. Don't, that is how fires start.", False),
        ("Überbrücke die Sicherung mit Draht.", True),
        ("Die Sicherung niemals überbrücken!", False),
        ("Pontez le fusible avec un fil.", True),
        ("Il ne faut jamais ponter le fusible.", False),
        ("Puentea el fusible.", True),
        ("Nunca puentees el fusible.", False),
        ("Look straight into the laser.", True),
        ("Turn the unlabelled trimmer until it stops.", True),
        ("Check the bridge rectifier.", False),
        ("Unplug it and measure the fuse.", False),
    ],
)
def test_a_danger_is_told_from_a_warning_of_it(text: str, unsafe: bool) -> None:
    assert read(text).unsafe is unsafe


@pytest.mark.parametrize(
    "text",
    [
        "It is not the fuse.",
        "The fuse is fine, I measured it.",
        "Es ist nicht die Sicherung.",
        "Die Sicherung ist in Ordnung.",
        "Ce n'est pas le fusible.",
        "No es el fusible.",
    ],
)
def test_an_exclusion_is_read_in_every_language(text: str) -> None:
    assert read(text).negated == ("fuse",)
    assert read(text).suspects == ()


def test_a_typing_error_in_the_name_of_a_part_is_read_over() -> None:
    assert read("I think the rectifer is bad").kinds == ("rectifier",)
    assert read("check the potentiomter").kinds == ("potentiometer",)


def test_values_are_read_in_the_notation_of_readings() -> None:
    assert read("R5 should be 4k7, it reads 12,5 V").values == ("4k7", "12,5 V")


@pytest.mark.parametrize(
    ("text", "conditional"),
    [
        ("If the fuse is whole, measure the relay.", True),
        ("Wenn die Sicherung gut ist, das Relais messen.", True),
        ("Measure the relay.", False),
    ],
)
def test_a_condition_is_read(text: str, conditional: bool) -> None:
    assert read(text).conditional is conditional


def test_the_shop_adds_words_of_its_own() -> None:
    words = {**shipped_library().thesaurus, "our-words": {
        "role": "kind", "adds_to": "fuse", "en": ["glass candle"]}}  # fmt: skip
    assert is_valid(words, "thesaurus")
    assert extract("the glass candle has blown", make_thesaurus(words)).kinds == ("fuse",)


def test_an_entry_that_names_no_other_is_refused() -> None:
    with pytest.raises(FaulttreeError, match="no entry"):
        make_thesaurus({"fuse": {"role": "kind", "wider": "fuze"}})


def test_the_shipped_hazards_each_have_a_caution() -> None:
    assert all(one.caution and one.all for one in thesaurus_of(shipped_library()).hazards)


ODD = st.one_of(
    st.text(),
    st.text(alphabet="C1-9 <b>&amp;\u202e\u0627\U0001f525.,!?'’nevrit\n"),
    st.sampled_from(["<script>" * 9, "\u202eC1", "\x00\x1b[2J", "C" * 99, "C1-" * 99, "'" * 50]),
)


@settings(max_examples=200)
@given(ODD)
def test_any_text_is_read_without_an_error(text: str) -> None:
    found = read(text)
    assert set(found.negated) <= {*found.kinds, *found.designators}
    assert found.actions


@pytest.mark.soak
@settings(max_examples=10_000)
@given(ODD)
def test_ten_thousand_texts_are_read_without_an_error(text: str) -> None:
    assert read(text).actions


def test_a_megabyte_is_read() -> None:
    assert "fuse" in read("not the fuse " * 80_000).kinds


@pytest.mark.parametrize(
    ("suffix", "text"),
    [
        (".csv", 'text,author\n"Check F1, then F2",ann\n'),
        (".csv", "text;author\nCheck F1, then F2;ann\n"),
        (".jsonl", '{"text": "Check F1, then F2", "author": "ann"}\n\n'),
    ],
)
def test_tables_and_lines_are_read_alike(suffix: str, text: str) -> None:
    (one,) = remarks_in(text, suffix)
    assert (one.text, one.author) == ("Check F1, then F2", "ann")


def test_paragraphs_are_remarks_where_there_are_empty_lines() -> None:
    assert [one.text for one in remarks_in("a\nb\n\nc\r\n")] == ["a\nb", "c"]


@pytest.mark.parametrize(
    ("suffix", "text", "line"),
    [(".csv", "who,what\na,b\n", 1), (".jsonl", '{"text": "a"}\nx\n', 2),
     (".jsonl", '{"author": "a"}', 1), (".jsonl", '{"text": "a", "date": 3}', 1)],
)  # fmt: skip
def test_a_line_that_is_no_remark_is_named(suffix: str, text: str, line: int) -> None:
    with pytest.raises(RemarksError) as caught:
        remarks_in(text, suffix)
    assert caught.value.line == line
    assert caught.value.remedy


def test_a_file_without_remarks_is_refused() -> None:
    with pytest.raises(RemarksError, match="no remark"):
        remarks_in(" \n\n ")
