"""The reader: plain data with places, within bounds, whatever the file holds."""

from __future__ import annotations

import re
import subprocess
import sys
import tracemalloc
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import example, given
from hypothesis import strategies as st

from faulttree.errors import TreeError
from faulttree.tree import read_document, shape_of
from faulttree.tree.document import parse
from faulttree.tree.nodes import MAX_DEPTH, MAX_NODES
from faulttree.tree.scalars import scalar
from faulttree.tree.source import MAX_BYTES, decode
from tests.work import calls

TREE = shape_of("tree")

# -- scalars ---------------------------------------------------------------------------

# YAML 1.2.2, section 10.3.2, tag resolution of the core schema, as regular expressions.
CORE_NULL = re.compile(r"null|Null|NULL|~|")
CORE_BOOL = re.compile(r"true|True|TRUE|false|False|FALSE")
CORE_INT = re.compile(r"[-+]?[0-9]+")
CORE_OCTAL = re.compile(r"0o[0-7]+")
CORE_HEX = re.compile(r"0x[0-9a-fA-F]+")
CORE_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # YAML 1.2.2, example 10.9, core tag resolution (memory).
        ("null", None), ("", None), ("~", None),
        ("true", True), ("True", True), ("false", False), ("FALSE", False),
        ("0", 0), ("0o7", 7), ("0x3A", 58), ("-19", -19),
        ("0.", 0.0), ("-0.0", 0.0), (".5", 0.5), ("+12e03", 12000.0), ("-2E+05", -200000.0),
    ],
)  # fmt: skip
def test_scalars_are_read_as_the_core_schema_says(text: str, value: object) -> None:
    assert scalar(text) == value
    assert type(scalar(text)) is type(value)


@pytest.mark.parametrize(
    "text",
    [
        # What YAML 1.1 reads as a truth value, a base-60 number, a date, an octal or a merge.
        "yes", "no", "on", "off", "y", "n", "Yes", "OFF", "1:30", "190:20:30", "2026-02-11",
        "2001-12-14t21:59:43.10-05:00", "1_000", "0b1010", "=", "<<",
        # What a shop writes.
        "007", "0042.5", "-01", "4k7", "34 V", "10 %", "1,5", "1.2.3", "+", "-", ".", "1e", "e5",
        # No plain data, or no exact decimal: kept as written, for the schema to refuse.
        ".inf", "-.Inf", ".NAN", "1e999", "0.12345678901234567890123", "9" * 41,
    ],
)  # fmt: skip
def test_words_stay_words(text: str) -> None:
    assert scalar(text) == text


@given(st.text(alphabet="0123456789+-._eExoabAFntrulNTRUL~: ", max_size=12))
def test_no_word_becomes_what_the_core_schema_does_not_say(text: str) -> None:
    value = scalar(text)
    if isinstance(value, bool):
        assert CORE_BOOL.fullmatch(text)
    elif value is None:
        assert CORE_NULL.fullmatch(text)
    elif isinstance(value, int):
        assert any(form.fullmatch(text) for form in (CORE_INT, CORE_OCTAL, CORE_HEX))
    elif isinstance(value, float):
        assert CORE_FLOAT.fullmatch(text)
    else:
        assert value == text


@given(st.decimals(allow_nan=False, allow_infinity=False, places=6, min_value=-1e6, max_value=1e6))
def test_decimals_reach_the_reader_of_limits_exactly(number: Any) -> None:
    text = format(number, "f")
    value = read_document(f"steps: {{s: {{limits: {{min: {text}}}}}}}", shape=TREE).data
    read = value["steps"]["s"]["limits"]["min"]
    assert type(number)(str(read)) == number


def test_a_word_stays_as_written_where_a_word_is_meant() -> None:
    text = """
title: 2024
family: 007
modules: [10, 1e3]
symptoms: [1:30, {text: 0x10, conditions: [true]}]
steps:
  on:
    ask: 1.50
    minutes: 1.50
    live: true
    answers: {yes: 10, no: null, 1.0: ~, 2026-02-11: off}
faults:
  f: {title: true, remedy: 3, part: 07, weight: 4, evidence: [{kind: reported, date: 2026-02-11}]}
ratings: {rail: {unit: V, models: {3: 34}}}
"""
    data = read_document(text, shape=TREE).data
    assert data["title"] == "2024"
    assert data["family"] == "007"
    assert data["modules"] == ["10", "1e3"]
    assert data["symptoms"] == ["1:30", {"text": "0x10", "conditions": ["true"]}]
    step = data["steps"]["on"]
    assert step["ask"] == "1.50"
    assert step["minutes"] == 1.5
    assert step["live"] is True
    assert step["answers"] == {"yes": "10", "no": "null", "1.0": "~", "2026-02-11": "off"}
    fault = data["faults"]["f"]
    assert (fault["title"], fault["remedy"], fault["part"]) == ("true", "3", "07")
    assert fault["weight"] == 4
    assert fault["evidence"][0]["date"] == "2026-02-11"
    assert data["ratings"]["rail"]["models"] == {"3": "34"}


def test_an_empty_value_is_nothing_even_where_a_word_is_meant() -> None:
    assert read_document("title:\nfamily: ''\n", shape=TREE).data == {"title": None, "family": ""}


def test_keys_are_their_source_text() -> None:
    assert read_document("{on: 1, 10: 2, 1.0: 3, ~: 4, 'x': 5, ? true : 6}").data == {
        "on": 1, "10": 2, "1.0": 3, "~": 4, "x": 5, "true": 6,
    }  # fmt: skip


def test_names_in_braces_need_no_quotes_where_a_text_may_stand() -> None:
    text = "steps: {s: {limits: {max: {largest}, unit: {unit}, nominal: {formula: u}}}}"
    limits = read_document(text, shape=shape_of("procedure")).data["steps"]["s"]["limits"]
    assert limits == {"max": "{largest}", "unit": "{unit}", "nominal": {"formula": "u"}}


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("!!str 10", "10"),
        ("! 10", "10"),
        ("!!int 10", 10),
        ("!!float 10", 10),
        ("!!null ''", None),
        ("! '10'", "10"),
    ],
)
def test_tags_of_the_core_schema_are_heard_where_they_fit(text: str, value: object) -> None:
    document = parse(f"a: {text}")
    assert document.data == {"a": value}
    assert not document.findings


# -- places ----------------------------------------------------------------------------

WORDS = st.text(alphabet="abcdefghij", min_size=1, max_size=6)
NESTED = st.recursive(
    WORDS,
    lambda inner: (
        st.lists(inner, min_size=1, max_size=4)
        | st.dictionaries(WORDS, inner, min_size=1, max_size=4)
    ),
    max_leaves=20,
)


def paths(data: Any, keys: tuple[str | int, ...] = ()) -> list[tuple[tuple[str | int, ...], Any]]:
    if isinstance(data, dict):
        inner = [path for key, item in data.items() for path in paths(item, (*keys, key))]
    elif isinstance(data, list):
        inner = [path for i, item in enumerate(data) for path in paths(item, (*keys, i))]
    else:
        inner = []
    return [(keys, data), *inner]


@given(st.dictionaries(WORDS, NESTED, min_size=1), st.sampled_from([None, True, False]))
def test_every_value_and_key_knows_its_line_and_column(data: Any, flow: bool | None) -> None:
    text = yaml.safe_dump(data, default_flow_style=flow, width=40)
    document = read_document(text)
    assert document.data == data
    lines = text.splitlines()
    for keys, value in paths(data):
        line, column = document.place(keys)
        here = lines[line - 1][column - 1 :]
        if isinstance(value, str):
            assert here.startswith(value)
        if keys and isinstance(keys[-1], str):
            line, column = document.place(keys, of_key=True)
            assert lines[line - 1][column - 1 :].startswith(keys[-1])


def test_places_count_characters_and_every_kind_of_line_end() -> None:
    document = read_document("größe: µΩ\r\nb: {c: d}\re:\n - 𝛀: f\n")
    assert document.place(("größe",)) == (1, 8)
    assert document.place(("b", "c")) == (2, 8)
    assert document.place(("e", 0, "𝛀")) == (4, 7)
    assert document.lines[1] == "b: {c: d}"


def test_a_place_that_is_not_there_is_the_nearest_that_is() -> None:
    document = read_document("a:\n  b: c\n")
    assert document.place(("a", "x")) == (1, 1)
    assert document.place(("a", "b", "x")) == (2, 3)
    assert document.place(("x",)) == (1, 1)


# -- what is refused -------------------------------------------------------------------

DEEP = "No file of a library needs that."


@pytest.mark.parametrize(
    ("text", "rule", "message", "line", "column"),
    [
        ("", "unreadable", "The file is empty.", 1, 1),
        ("# only a remark\n", "unreadable", "The file is empty.", 1, 1),
        ("a: 1\n---\nb: 2\n", "unreadable", "A second document begins here.", 2, 1),
        ("a: 1\nb:\n\tc: 2\n", "unreadable", "A character stands here that", 3, 1),
        ("a: b: c\n", "unreadable", "A colon stands where no key can be.", 1, 5),
        ("a: 'x' y\n", "unreadable", "The indentation changes, or a text", 1, 8),
        ("a: 'x\n", "unreadable", "The file ends inside a quote.", 2, 1),
        ("a: [1, 2\n", "unreadable", "This is no YAML", 2, 1),
        ("a: @b\n", "unreadable", "A character stands here that", 1, 4),
        ("a: *b\n", "unreadable", "The alias names no anchor above it.", 1, 4),
        ("a: &x 1\nb: &x 2\n", "unreadable", "The anchor is defined twice.", 2, 4),
        ("a: &x [b, *x]\n", "unreadable", "An alias stands inside what it stands for.", 1, 4),
        ("a: b\nc: \udcff\n", "unreadable", "Byte 0xFF is no UTF-8 text.", 2, 4),
        ("a: b\ud800\n", "unreadable", "U+D800 is no UTF-8 text.", 1, 5),
        ("a: b\x00c\n", "hidden-character", "Character U+0000", 1, 5),
        ("a: b\nc: \x1b[31m\n", "hidden-character", "Character U+001B", 2, 4),
        ('a: b\nc: "\\e[31m"\n', "hidden-character", "Character U+001B", 2, 4),
        ("a: b\u202ec\n", "hidden-character", "Character U+202E", 1, 5),
        ('a: "b\\u202ec"\n', "hidden-character", "Character U+202E", 1, 4),
        ("a: b\u2028c: d\n", "hidden-character", "Character U+2028", 1, 5),
        ("a: b\ufeffc\n", "hidden-character", "Character U+FEFF", 1, 5),
        ("a: 1\nb: 2\na: 3\n", "duplicate-key", "The key `a` stands twice; first at 1:1.", 3, 1),
        ("s: {x: 1, 'x': 2}\n", "duplicate-key", "The key `x` stands twice; first at 1:5.", 1, 11),
        ("a: &a {b: 1}\nc:\n  <<: *a\n", "odd-key", "`<<` is a merge key.", 3, 3),
        ("a:\n  [b, c]: d\n", "odd-key", "A key is a word, not a list or mapping.", 2, 3),
        ("a:\n  '': d\n", "odd-key", "A key is empty.", 2, 3),
        ("a: !!python/object:os.system x\n", "foreign-tag", "The tag `!!python/object:os.", 1, 4),
        ("a: !thing {b: 1}\n", "foreign-tag", "The tag `!thing` does not fit here.", 1, 4),
        ("a: !!int x\n", "foreign-tag", "The tag `!!int` does not fit here.", 1, 4),
        ("a: !!set {b}\n", "foreign-tag", "The tag `!!set` does not fit here.", 1, 4),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_told_with_its_place(
    text: str, rule: str, message: str, line: int, column: int
) -> None:
    problem = parse(text, path=Path("x.yaml")).findings[0]
    assert problem.rule == rule
    assert problem.message.startswith(message)
    assert (problem.line, problem.column) == (line, column)
    assert problem.remedy
    with pytest.raises(TreeError) as caught:
        read_document(text, path=Path("x.yaml"))
    assert caught.value.place == f"x.yaml:{line}:{column}"


def test_the_first_of_two_equal_keys_is_kept_and_the_rest_is_read() -> None:
    document = parse("a: 1\na: 2\nb: 3\n")
    assert document.data == {"a": 1, "b": 3}
    assert len(document.findings) == 1


@pytest.mark.parametrize(
    ("raw", "line", "column", "told"),
    [
        (b"a: b\nc: \xff\n", 2, 4, "Byte 0xFF is no UTF-8 text."),
        ("a: µ\n".encode("latin-1"), 1, 4, "Byte 0xB5 is no UTF-8 text."),
        ("a: b".encode("utf-16"), 1, 1, "The file is UTF-16 or UTF-32."),
        ("a: b".encode("utf-32"), 1, 1, "The file is UTF-16 or UTF-32."),
        (b"\x89PNG\r\n\x1a\n\x00\x00", 1, 1, "Byte 0x89 is no UTF-8 text."),
    ],
)
def test_other_encodings_and_binary_files_are_refused(
    tmp_path: Path, raw: bytes, line: int, column: int, told: str
) -> None:
    file = tmp_path / "x.yaml"
    file.write_bytes(raw)
    with pytest.raises(TreeError) as caught:
        read_document(file)
    assert (caught.value.line, caught.value.column) == (line, column)
    assert caught.value.message == told


def test_a_byte_order_mark_is_passed_over(tmp_path: Path) -> None:
    file = tmp_path / "x.yaml"
    file.write_bytes(b"\xef\xbb\xbfa: b\n")
    document = read_document(file)
    assert document.data == {"a": "b"}
    assert document.place(("a",), of_key=True) == (1, 1)
    assert read_document("\ufeffa: b\n").data == {"a": "b"}


def test_folders_missing_files_and_devices_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.yaml", Path("/dev/zero"), tmp_path / "a\x00b"):
        with pytest.raises(TreeError) as caught:
            read_document(path)
        assert caught.value.remedy


# -- bounds ----------------------------------------------------------------------------

LAUGHS = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{chr(98 + i)}: &{chr(98 + i)} [{f'*{chr(97 + i)},' * 9}]\n" for i in range(10)
)
BOMBS = {
    "larger": ("a: " + "b" * MAX_BYTES, "The text is larger than 1024 KiB."),
    "flow": ("[" * 100_000, f"Nested deeper than {MAX_DEPTH} levels."),
    "maps": ("{a: " * 100_000, f"Nested deeper than {MAX_DEPTH} levels."),
    "block": ("- " * 100_000, f"Nested deeper than {MAX_DEPTH} levels."),
    "keys": ("? " * 100_000, f"Nested deeper than {MAX_DEPTH} levels."),
    "indent": ("\n".join(" " * i + "a:" for i in range(1400)), f"Nested deeper than {MAX_DEPTH}"),
    "nodes": ("[" + "[]," * 300_000 + "]", f"More than {MAX_NODES} keys and values."),
    "laughs": (LAUGHS, f"Aliases make more than {MAX_NODES} keys and values of it."),
    "list": ("a: &a [x,x]\nb: [" + "*a," * 30_000 + "]", "Aliases make more than"),
    "texts": ("a: &a " + "x" * 400_000 + "\nb: [" + "*a," * 20_000 + "]", "Aliases make too long"),
    "ring": ("a: &a {b: {c: *a}}", "An alias stands inside what it stands for."),
    "rings": ("&a [*a, *a, *a]", "An alias stands inside what it stands for."),
    "twice": ("a: b\n" * 20_000, "The key `a` stands twice"),
    "escapes": ('a: "' + "\\e" * 400_000 + '"', "Character U+001B"),
    "bidi": ("a: " + "\u202e" * 300_000, "Character U+202E"),
    "quotes": ('"' * 500_000, "This is no YAML"),
    "colons": (":" * 500_000, "A colon stands where no key can be."),
    "anchors": ("&a " * 100_000, "This is no YAML"),
    "directives": ("%TAG ! tag:a\n" * 50_000, "This is no YAML"),
}


@pytest.mark.parametrize("name", BOMBS)
def test_every_bound_has_its_message_and_costs_little_work(name: str) -> None:
    text, told = BOMBS[name]
    document, work = calls(lambda: parse(text))
    # The most is 0.4 million, for a key that stands 20,000 times.
    assert work < 1_500_000
    assert document.findings[0].message.startswith(told)
    assert document.findings[0].line


def test_bombs_stay_within_300_megabytes() -> None:
    code = (
        "import resource\n"
        "from tests.tree.test_reader import BOMBS\n"
        "from faulttree.tree.document import parse\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "for text, _ in BOMBS.values(): parse(text)\n"
        "print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert int(done.stdout) < 200


ROOT = Path(__file__).resolve().parents[2]


def test_a_file_over_the_size_is_not_read_whole(tmp_path: Path) -> None:
    file = tmp_path / "x.yaml"
    with file.open("wb") as stream:
        stream.truncate(100_000_000)
    tracemalloc.start()
    try:
        with pytest.raises(TreeError, match="larger than 1024 KiB"):
            read_document(file)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 3 * 1024 * 1024


def test_what_is_just_within_the_bounds_is_read() -> None:
    deep = MAX_DEPTH - 2
    assert not parse("[" * deep + "x" + "]" * deep).findings
    assert not parse("[" + "x," * (MAX_NODES - 10) + "]").findings
    assert not parse("a: &a [x, y]\nb: [*a, *a]\n").findings


# -- anything at all -------------------------------------------------------------------

PIECES = st.sampled_from(
    [
        *"[]{}?\"'\t\r\n\\\x00\u202e\ufeff\ud800\U0001f600",
        *("a", "steps", ": ", ":", "\n  ", "- ", ", ", "&a ", "*a", "!!str ", "! ", "!x ", "? "),
        *("| \n", ">\n", "# ", "--- ", "...\n", "<<", "%YAML 1.2\n", "10", "~", "\\x1b", "007"),
    ]
)


def plain(data: Any) -> bool:
    if type(data) is dict:
        return all(type(key) is str and plain(item) for key, item in data.items())
    if type(data) is list:
        return all(plain(item) for item in data)
    return data is None or type(data) in (str, int, float, bool)


def read_or_refused(text: str) -> None:
    for shape in (TREE, shape_of("procedure")):
        document = parse(text, path=Path("x.yaml"), shape=shape)
        assert plain(document.data)
        for problem in document.findings:
            assert problem.message
            assert problem.remedy
            assert problem.line
            assert problem.column
            assert str(problem.error())
        if document.data is None:
            assert document.findings or document.root is not None


@given(st.binary(max_size=200))
@example(b"\xef\xbb\xbf")
def test_any_bytes_are_plain_data_or_one_clear_refusal(raw: bytes) -> None:
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        with pytest.raises(TreeError) as caught:
            decode(raw)
        assert caught.value.line
        assert caught.value.remedy
    else:
        read_or_refused(decode(raw))


@given(st.lists(PIECES, max_size=40).map("".join) | st.text(max_size=60))
def test_any_text_is_plain_data_or_one_clear_refusal(text: str) -> None:
    read_or_refused(text)
