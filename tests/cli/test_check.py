# ruff: noqa: E501
"""``faulttree check``: paths, forms, statuses, and what no file may do to it."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from faulttree import cli as program
from faulttree.rules import Report, check_paths
from faulttree.rules.autofix import edited, fix_files
from faulttree.rules.output.changes import changes
from faulttree.tree import Edit, Finding, Library, Where
from tests.rules import samples as trees
from tests.rules.samples import PROCEDURE, a_library
from tests.work import HANG, calls

OLDER = "accepted: [{rule: safety-only-in-words, reason: an older tree}]\n"
"""These trees use no keys of safety, which is no matter of the tests here."""
TREE, USING = trees.TREE + OLDER, trees.USING + OLDER

BROKEN = TREE.replace("    then: esr", "    then: discharge")
NOTED = TREE.replace(", source: measured here}", "}", 1)


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
    monkeypatch.delenv("FAULTTREE_LIBRARY", raising=False)


def run(*arguments: str, stdin: bytes = b"", status: int | None = None) -> str:
    """Standard output of one command line, run as the program runs it."""
    result = CliRunner().invoke(
        program.cli, ["check", *arguments], input=stdin, standalone_mode=False
    )
    code = result.return_value
    if result.exception is not None:
        with CliRunner().isolation():
            code = program.run(["check", *arguments])
    if status is not None:
        assert code == status, result.output
    return result.stdout


def check(*arguments: str, stdin: bytes = b"", status: int | None = None) -> dict[str, Any]:
    """The JSON document of one run."""
    document: dict[str, Any] = json.loads(
        run(*arguments, "--format", "json", stdin=stdin, status=status)
    )
    return document


# -- statuses and paths ----------------------------------------------------------------


def test_clean_is_0_findings_are_1_and_what_cannot_be_opened_is_2(tmp_path: Path) -> None:
    library = a_library(tmp_path, TREE)
    tree = str(library.path_of("bench-supply/no-output"))
    assert check(tree, status=0)["findings"] == []
    Path(tree).write_text(BROKEN, encoding="utf-8")
    document = check(tree, status=1)
    assert document["errors"] >= 1
    assert {"rule", "level", "message", "path", "line", "column"} <= set(document["findings"][0])
    run(str(tmp_path / "none.yaml"), status=2)
    run("--library", str(tmp_path / "none"), status=2)
    run("bench-supply/no-such", "--library", str(tmp_path), status=2)


@pytest.mark.parametrize(
    ("fail_on", "status"), [("error", 0), ("warning", 0), ("note", 1), (None, 0)]
)
def test_fail_on_says_what_fails(tmp_path: Path, fail_on: str | None, status: int) -> None:
    a_library(tmp_path, NOTED)
    options = ["--fail-on", fail_on] if fail_on else []
    document = check("bench-supply/no-output", "--library", str(tmp_path), *options, status=status)
    assert (document["errors"], document["warnings"], document["notes"]) == (0, 0, 1)


def test_a_broken_file_is_a_finding(tmp_path: Path) -> None:
    path = a_library(tmp_path, "title: [").path_of("bench-supply/no-output")
    (finding,) = check(str(path), status=1)["findings"]
    assert (finding["rule"], finding["level"]) == ("unreadable", "error")
    assert finding["path"] == str(path)


def test_a_pipe_in_a_library_is_a_finding_and_ends_no_look_at_the_others(tmp_path: Path) -> None:
    library = a_library(tmp_path, BROKEN)
    os.mkfifo(library.root / "trees" / "bench-supply" / "odd.yaml")
    found = check("--library", str(tmp_path), str(tmp_path), status=1)["findings"]
    assert "odd.yaml" in {Path(one["path"]).name for one in found}
    assert "no-output.yaml" in {Path(one["path"]).name for one in found}


def test_paths_are_files_folders_ids_and_standard_input(tmp_path: Path) -> None:
    a_library(tmp_path, BROKEN, shared__procedures__lamp_test=PROCEDURE)
    here = ["--library", str(tmp_path)]
    by_id = check("bench-supply/no-output", *here, status=1)
    by_file = check(str(tmp_path / "trees/bench-supply/no-output.yaml"), *here, status=1)
    by_folder = check(str(tmp_path / "trees"), *here, status=1)
    piped = check("-", *here, stdin=BROKEN.encode(), status=1)
    assert by_id == by_file == by_folder
    assert piped["trees"] == 1
    assert [(f["line"], f["column"]) for f in piped["findings"]] == [
        (f["line"], f["column"]) for f in by_id["findings"]
    ]
    whole = check(*here, status=1)
    assert (whole["trees"], whole["procedures"]) == (1, 1)
    assert check(str(tmp_path), status=1) == whole
    assert check("-", stdin=PROCEDURE.encode(), status=0)["procedures"] == 1


def test_a_file_of_another_library_is_judged_by_its_own(tmp_path: Path) -> None:
    a_library(tmp_path, USING, shared__procedures__lamp_test=PROCEDURE)
    check(str(tmp_path / "trees/bench-supply/no-output.yaml"), status=0)


def test_shared_files_are_told_by_place_or_by_what_they_say(tmp_path: Path) -> None:
    cautions = "hot:\n  signal: HOT\n  text: It burns.\n"
    a_library(tmp_path, shared__cautions=cautions)
    document = check(str(tmp_path / "shared/cautions.yaml"), status=1)
    assert [(f["line"], f["rule"]) for f in document["findings"]] == [(2, "bad-value")]
    assert check("-", stdin=cautions.encode(), status=1)["findings"][0]["line"] == 2
    assert check("-", stdin=b"dmm:\n  title: Meter\n  brings: [noise]\n", status=1)["errors"] == 1
    assert check("-", stdin=b"lamp:\n  title: Lamp\n  mains: false\n", status=0)["errors"] == 0


def test_a_broken_shared_file_is_a_finding_and_no_crash(tmp_path: Path) -> None:
    a_library(tmp_path, shared__cautions="mains: {signal: [}")
    found = check("--library", str(tmp_path), status=1)["findings"]
    assert ("cautions.yaml", "unreadable") in {(Path(f["path"]).name, f["rule"]) for f in found}


def test_fault_tables_are_checked(tmp_path: Path) -> None:
    table = tmp_path / "plan.csv"
    table.write_text("fault,weight,lamp,hum\ndry,2,dark,loud\nopen,1,dark,loud\nlost,1,lit,loud\n")
    found = check(str(table), status=0)["findings"]
    assert [(f["rule"], f["line"], f["column"]) for f in found] == [
        ("test-tells-nothing", 1, 19),
        ("alike-in-table", 2, 1),
    ]
    table.write_text("fault,weight,lamp\ndry,many,dark\n")
    (finding,) = check(str(table), status=1)["findings"]
    assert (finding["rule"], finding["line"], finding["column"]) == ("broken-table", 2, 5)
    assert check("-", stdin=b"fault,weight,lamp\ndry,1,dark\n", status=0)["tables"] == 1


def test_procedures_that_use_each_other_in_a_ring(tmp_path: Path) -> None:
    def using(name: str, other: str) -> str:
        return (
            f"procedure: {name}\ntitle: {name}\nexits: [end]\nstart: one\n"
            f"steps:\n  one:\n    use: {other}\n    exits: {{end: end}}\n"
        )

    a_library(
        tmp_path, shared__procedures__a=using("a", "b"), shared__procedures__b=using("b", "a")
    )
    found = check("--library", str(tmp_path), status=1)["findings"]
    rings = [f for f in found if f["rule"] == "procedure-ring"]
    assert rings
    assert all(f["line"] == 7 for f in rings)
    assert "a → b → a" in " ".join(f["message"] for f in rings)


# -- forms -----------------------------------------------------------------------------


def test_people_see_line_caret_reason_and_mend(tmp_path: Path) -> None:
    a_library(tmp_path, BROKEN)
    text = run("--library", str(tmp_path), "bench-supply/no-output", status=1)
    lines = text.splitlines()
    at = next(n for n, line in enumerate(lines) if "[ring-of-steps]" in line)
    assert lines[at].split(": ")[1] == "error"
    assert lines[at + 1] == "  33 |     then: discharge"
    assert lines[at + 2] == "     |           ^"
    assert lines[at + 3].startswith("  remedy: ")
    assert lines[at + 4].startswith("  why:  ")
    assert "\x1b" not in text
    assert lines[-1].endswith("notes")


def test_colour_is_for_terminals_and_never_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from faulttree.rules.output.text import as_text

    report = check_paths([], a_library(tmp_path, BROKEN))
    coloured = as_text(report, colour=True)
    assert "\x1b[1;31merror\x1b[0m" in coloured
    import re

    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == as_text(report)


def test_json_is_one_document_and_nothing_else(tmp_path: Path) -> None:
    a_library(tmp_path, BROKEN)
    document = json.loads(run("--json", "--library", str(tmp_path), status=1))
    assert set(document) >= {"findings", "trees", "errors", "warnings", "notes"}
    levels = [finding["level"] for finding in document["findings"]]
    assert document["errors"] == levels.count("error")
    assert all(finding["reason"] for finding in document["findings"])


# The parts of the SARIF 2.1.0 schema (OASIS standard, sarif-schema-2.1.0.json) for the
# objects that are written here, from memory: required keys, types, enumerations and
# "additionalProperties": false. No package of the project carries the whole schema.
MESSAGE = {
    "type": "object",
    "additionalProperties": False,
    "required": ["text"],
    "properties": {"text": {"type": "string", "minLength": 1}},
}
LEVEL = {"enum": ["none", "note", "warning", "error"]}
COUNT = {"type": "integer", "minimum": 1}
SARIF = {
    "type": "object",
    "additionalProperties": False,
    "required": ["version", "runs"],
    "properties": {
        "$schema": {"type": "string", "format": "uri"},
        "version": {"const": "2.1.0"},
        "runs": {"type": "array", "minItems": 0, "items": {
            "type": "object",
            "additionalProperties": False,
            "required": ["tool"],
            "properties": {
                "tool": {"type": "object", "additionalProperties": False, "required": ["driver"], "properties": {
                    "driver": {"type": "object", "additionalProperties": False, "required": ["name"], "properties": {
                        "name": {"type": "string"},
                        "semanticVersion": {"type": "string", "pattern": r"^\d+\.\d+\.\d+"},
                        "rules": {"type": "array", "uniqueItems": True, "items": {
                            "type": "object",
                            "additionalProperties": False,
                            "required": ["id"],
                            "properties": {
                                "id": {"type": "string"},
                                "shortDescription": MESSAGE,
                                "fullDescription": MESSAGE,
                                "defaultConfiguration": {"type": "object", "additionalProperties": False, "properties": {"level": LEVEL}},
                                "properties": {"type": "object"},
                            },
                        }},
                    }},
                }},
                "columnKind": {"enum": ["utf16CodeUnits", "unicodeCodePoints"]},
                "results": {"type": "array", "items": {
                    "type": "object",
                    "additionalProperties": False,
                    "required": ["message"],
                    "properties": {
                        "ruleId": {"type": "string"},
                        "ruleIndex": {"type": "integer", "minimum": -1},
                        "level": LEVEL,
                        "message": MESSAGE,
                        "locations": {"type": "array", "items": {
                            "type": "object",
                            "additionalProperties": False,
                            "properties": {"physicalLocation": {
                                "type": "object",
                                "additionalProperties": False,
                                "properties": {
                                    "artifactLocation": {"type": "object", "additionalProperties": False, "properties": {"uri": {"type": "string", "format": "uri-reference", "pattern": r"^[A-Za-z0-9%:/._~!$&'()*+,;=@-]*$"}}},
                                    "region": {"type": "object", "additionalProperties": False, "properties": {
                                        "startLine": COUNT,
                                        "startColumn": COUNT,
                                        "snippet": {"type": "object", "additionalProperties": False, "properties": {"text": {"type": "string"}}},
                                    }},
                                },
                            }},
                        }},
                    },
                }},
            },
        }},
    },
}  # fmt: skip


def test_sarif_is_valid_and_says_the_same(tmp_path: Path) -> None:
    from jsonschema import Draft202012Validator

    folder = tmp_path / "with spaces & ümläut"
    folder.mkdir()
    a_library(folder, BROKEN.replace(", source: measured here}", "}", 1))
    sarif = json.loads(run("--format", "sarif", "--library", str(folder), status=1))
    Draft202012Validator(SARIF).validate(sarif)
    (only,) = sarif["runs"]
    rules = only["tool"]["driver"]["rules"]
    plain = check("--library", str(folder), status=1)["findings"]
    assert len(plain) == len(only["results"]) > 1
    for result, finding in zip(only["results"], plain, strict=True):
        assert result["ruleId"] == finding["rule"] == rules[result["ruleIndex"]]["id"]
        assert result["level"] == finding["level"]
        region = result["locations"][0]["physicalLocation"]["region"]
        assert (region["startLine"], region["startColumn"]) == (finding["line"], finding["column"])


def test_github_annotations_are_one_line_each(tmp_path: Path) -> None:
    a_library(tmp_path, NOTED)
    (line,) = run("--format", "github", "--library", str(tmp_path), status=0).splitlines()
    assert line.startswith("::notice file=")
    assert "line=25,col=13,title=limit-without-source::" in line


def test_nothing_is_printed_for_a_pipe_that_obeys(tmp_path: Path) -> None:
    evil = TREE.replace("high: wrong-tap}", '"\\e]0;owned\\a": wrong-tap, high: "\\u202eno"}')
    a_library(tmp_path, evil)
    for form in ("text", "github"):
        text = run("--format", form, "--library", str(tmp_path), status=1)
        assert not {"\x1b", "\x07", "\u202e"} & set(text)


# -- what is kept between runs ---------------------------------------------------------


def test_an_unchanged_library_is_answered_from_what_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    library, cache = a_library(tmp_path / "lib", NOTED), tmp_path / "cache"
    first = check_paths([], library, cache=cache)
    from faulttree.rules import check_file

    def refused(*_: object) -> None:
        raise AssertionError("looked again")

    monkeypatch.setattr(check_file, "check_target", refused)
    assert check_paths([], Library(tmp_path / "lib"), cache=cache) == first
    monkeypatch.undo()
    a_library(tmp_path / "lib", TREE)
    assert check_paths([], Library(tmp_path / "lib"), cache=cache).findings == ()
    a_library(tmp_path / "lib", NOTED)
    assert check_paths([], Library(tmp_path / "lib"), cache=cache) == first


def test_a_changed_shared_file_is_noticed(tmp_path: Path) -> None:
    library, cache = (
        a_library(tmp_path / "lib", USING, shared__procedures__lamp_test=PROCEDURE),
        tmp_path / "c",
    )
    assert check_paths([], library, cache=cache).findings == ()
    broken = PROCEDURE.replace("stays-dark: dark}", "stays-dark: look}")
    a_library(tmp_path / "lib", USING, shared__procedures__lamp_test=broken)
    after = check_paths([], Library(tmp_path / "lib"), cache=cache)
    assert "ring-of-steps" in {f.rule for f in after.findings}
    assert after == check_paths([], Library(tmp_path / "lib"))


@pytest.mark.parametrize("content", [b"", b"no database", b"SQLite format 3\0" + b"\xff" * 4096])
def test_a_broken_cache_only_costs_time(tmp_path: Path, content: bytes) -> None:
    library, cache = a_library(tmp_path / "lib", NOTED), tmp_path / "cache"
    cache.mkdir()
    (cache / "check.sqlite3").write_bytes(content)
    for _ in range(2):
        assert len(check_paths([], library, cache=cache).findings) == 1
    (tmp_path / "file").write_text("")
    assert len(check_paths([], library, cache=tmp_path / "file" / "cache").findings) == 1


def test_many_processes_find_what_one_finds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from faulttree.rules import runner

    monkeypatch.setattr(runner, "WORTH_A_PROCESS", 4)
    names = [f"no-output-{number}" for number in range(12)]
    library = a_library(tmp_path, **{f"trees__bench_supply__{name}": BROKEN for name in names})
    assert check_paths([], library, jobs=2) == check_paths([], library, jobs=1)


# -- fixing ----------------------------------------------------------------------------

WRONG = (
    TREE.replace("    how: Unplug first.", "    hwo: Unplug first.   # a comment that stays")
    .replace("[live-working]\n    needs: [multimeter]", "[live-wroking]\n    needs: ['multimetre']")
    .replace("remedy: Replace it.", "remedy: Replace\u202e it.")
)


def test_fix_mends_what_is_safe_and_nothing_else(tmp_path: Path) -> None:
    path = a_library(tmp_path, WRONG).path_of("bench-supply/no-output")
    path.chmod(0o640)
    run(str(path), "--fix", "--library", str(tmp_path))
    run(str(path), "--fix", "--library", str(tmp_path), status=0)
    assert path.read_text(encoding="utf-8") == (
        WRONG.replace("hwo:", "how:")
        .replace("live-wroking", "live-working")
        .replace("'multimetre'", "'multimeter'")
        .replace("\u202e", "")
    )
    assert path.stat().st_mode & 0o777 == 0o640
    assert [p.name for p in path.parent.iterdir()] == ["no-output.yaml"]


def test_fix_never_guesses_where_a_walk_goes(tmp_path: Path) -> None:
    wrong = TREE.replace("high: wrong-tap}", "high: wrong-tab}")
    path = a_library(tmp_path, wrong).path_of("bench-supply/no-output")
    run(str(path), "--fix", "--library", str(tmp_path), status=1)
    assert path.read_text(encoding="utf-8") == wrong


def test_an_edit_that_would_change_more_is_refused() -> None:
    def with_edit(text: str, line: int, column: int) -> str | None:
        where, edit = Where("tree", ()), Edit("hwo", "how")
        return edited(text, Finding(where, "", edit=edit, line=line, column=column))

    assert with_edit("a: &x {hwo: 1}\nb: *x\n", 1, 8) is None, "the alias would change too"
    assert with_edit("a: {hwo: 1}\n", 1, 5) == "a: {how: 1}\n"
    assert with_edit("a: {hwo: 1}\n", 9, 5) is None
    assert edited("a: 1", Finding(Where("tree", ()), "")) is None
    assert fix_files([]) == []


# -- watching --------------------------------------------------------------------------


def test_only_what_changed_is_shown(tmp_path: Path) -> None:
    library = a_library(tmp_path, NOTED)
    before = check_paths([], library)
    a_library(tmp_path, f"# moved by a line\n{NOTED}")
    assert changes(before, check_paths([], Library(tmp_path))) == ((), ())
    a_library(tmp_path, BROKEN)
    new, gone = changes(before, check_paths([], Library(tmp_path)))
    assert "ring-of-steps" in {finding.rule for finding in new}
    assert [finding.rule for finding in gone] == ["limit-without-source"]
    assert changes(Report(), Report()) == ((), ())


@pytest.fixture
def interruptible() -> Iterator[None]:
    """Let a program started here be interrupted, also where a background shell ignores that."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("interruptible")
def test_watch_checks_again_at_every_save(tmp_path: Path) -> None:
    a_library(tmp_path, NOTED)
    command = [sys.executable, "-m", "faulttree", "check", "--watch", "--library", str(tmp_path)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as watching:
        try:
            assert watching.stdout is not None
            assert watching.stderr is not None
            while "1 note" not in (line := watching.stdout.readline()):
                assert line
            assert "watching" in watching.stderr.readline()
            a_library(tmp_path, TREE)
            while "corrected: " not in (line := watching.stdout.readline()):
                assert line
            watching.send_signal(signal.SIGINT)
            assert watching.wait(HANG) == 0
        finally:
            watching.kill()


# -- bad input -------------------------------------------------------------------------

DEEP = "x: " + "[" * 5000 + "]" * 5000
BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{name}: &{name} [{', '.join([f'*{before}'] * 9)}]\n"
    for before, name in zip("abcdefgh", "bcdefghi", strict=True)
)
HOSTILE = {
    "bomb": BOMB.encode(),
    "deep": DEEP.encode(),
    "deep block": "".join(f"{' ' * n}k:\n" for n in range(400)).encode(),
    "huge": b"title: " + b"x" * 5_000_000,
    "empty": b"",
    "blank": b" \n \n",
    "comment": b"# nothing\n",
    "binary": bytes(range(256)) * 8,
    "nul": TREE.replace("Unplug", "Un\0plug").encode(),
    "utf-16": TREE.encode("utf-16"),
    "utf-32": TREE.encode("utf-32"),
    "latin-1": TREE.replace("first", "fïrst").encode("latin-1"),
    "half a pair": b"title: \xed\xa0\x80\n",
    "two documents": f"{TREE}---\n{TREE}".encode(),
    "a list": b"[1, 2]\n",
    "a word": b"word\n",
    "tabs": b"title:\n\tx: 1\n",
    "python tag": b"title: !!python/object/apply:os.system [echo]\n",
    "recursive": b"steps: &a {b: *a}\n",
    "merge": b"a: &a {b: 1}\nc: {<<: *a}\n",
    "list keys": b"? [a, b]\n: c\n",
    "up the tree": TREE.replace("use: diode-test", "use: ../../../etc/passwd").encode(),
    "escape": TREE.replace("Unplug first.", '"\\e[31mred"').encode(),
    "direction": TREE.replace("Unplug", "Un\u2066plug").encode(),
    "all wrong kinds": b"title: {}\nfamily: []\nstart: 3\nsteps: x\nfaults: [1]\nstops: true\n",
    "null everywhere": b"title:\nfamily:\nstart:\nsteps: {a: }\nfaults: {b: }\nstops: {c: }\n",
    "long line": b"title: x\nsteps: {a: " + b"y" * 900_000 + b"}\n",
    "many problems": b"title: x\nsteps:\n" + b"".join(b"  s%d: {ask: x}\n" % n for n in range(5000)),
}  # fmt: skip


# One slip each against a production or rule of the YAML 1.2.2 specification, by section.
INVALID = {
    "5.1 control character": b"title: a\x01b\n",
    "5.3 reserved indicator @": b"title: @home\n",
    "5.3 reserved indicator `": b"title: `home`\n",
    "5.7 unknown escape": b'title: "a \\q b"\n',
    "5.7 short escape": b'title: "a \\x4 b"\n',
    "6.1 tab as indentation": b"steps:\n\ta: b\n",
    "6.8 unknown YAML version": b"%YAML 3.0\n---\ntitle: x\n",
    "6.8 directive without document": b"%YAML 1.2\n",
    "6.8 two YAML directives": b"%YAML 1.2\n%YAML 1.2\n---\na: b\n",
    "6.9 two anchors on a node": b"title: &a &b x\n",
    "6.9 two tags on a node": b"title: !!str !!str x\n",
    "6.9 undefined tag handle": b"title: !x!y z\n",
    "7.1 undefined alias": b"title: *nothing\n",
    "7.1 alias with content": b"a: &a x\nb: *a y\n",
    "7.1 anchored alias": b"a: &a x\nb: &b *a\n",
    "7.3 open double quote": b'title: "x\n',
    "7.3 open single quote": b"title: 'x\n",
    "7.3 text after quote": b'title: "x" y\n',
    "7.3 less indented quote": b'steps:\n  a: "x\ny"\n',
    "7.3 colon in plain": b"title: a: b\n",
    "7.4 open sequence": b"needs: [a, b\n",
    "7.4 open mapping": b"access: {a: b\n",
    "7.4 comma first": b"needs: [, a]\n",
    "7.4 two commas": b"needs: [a, , b]\n",
    "7.4 wrong close": b"needs: [a}\n",
    "7.4 key over two lines": b"? a\nb: c\nd\n",
    "8.1 bad block header": b"how: |x\n  a\n",
    "8.1 indentation 0": b"how: |0\n  a\n",
    "8.1 less indented text": b"steps:\n    how: |4\n  a\n",
    "8.2 sequence beside mapping": b"title: x\n- y\n",
    "8.2 mapping beside sequence": b"- y\ntitle: x\n",
    "8.2 deeper key": b"title: x\n  family: y\n",
    "8.2 shallower key": b"steps:\n    a: b\n  c: d\n",
    "8.2 key without colon": b"title: x\nfamily\nstart: y\n",
    "9.1 text after document end": b"title: x\n... y\n",
    "9.2 two documents": b"title: x\n---\ntitle: y\n",
    "3.2 equal keys": b"title: x\ntitle: y\n",
}


@pytest.mark.parametrize("name", INVALID)
def test_what_yaml_forbids_is_a_finding_with_a_place(tmp_path: Path, name: str) -> None:
    library = a_library(tmp_path, TREE)
    path = library.path_of("bench-supply/no-output")
    path.write_bytes(INVALID[name])
    found = check_paths([path], library).findings
    assert found[0].level == "error"
    assert all(1 <= f.line <= INVALID[name].count(b"\n") + 2 and f.column >= 1 for f in found)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_are_findings_without_much_work(tmp_path: Path, name: str) -> None:
    path = tmp_path / "trees" / "bench-supply" / "bad.yaml"
    path.parent.mkdir(parents=True)
    path.write_bytes(HOSTILE[name])
    report, work = calls(lambda: check_paths([path], Library(tmp_path)))
    # The most is 1.5 million, for the file with many problems.
    assert work < 4_000_000
    assert report.counts["error"] >= 1
    assert all(f.line >= 1 and f.column >= 1 and f.path for f in report.findings)
    check("-", "--library", str(tmp_path), stdin=HOSTILE[name], status=1)


PEAK = """
import sys
from faulttree.cli import run
status = run(["check", sys.argv[1], "--no-cache"])
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(peak, file=sys.stderr)
sys.exit(status)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads /proc")
def test_memory_stays_bounded(tmp_path: Path) -> None:
    path = tmp_path / "trees" / "bench-supply" / "bad.yaml"
    path.parent.mkdir(parents=True)
    for content in (BOMB.encode(), DEEP.encode(), b"title: " + b"x" * 100_000_000):
        path.write_bytes(content)
        done = subprocess.run(
            [sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True, timeout=HANG
        )
        assert done.returncode == 1
        assert int(done.stderr.split()[1]) < 300 * 1024


def test_links_out_of_the_library_are_findings(tmp_path: Path) -> None:
    library = a_library(tmp_path / "lib", TREE)
    (tmp_path / "secret.yaml").write_text(TREE)
    (tmp_path / "lib/trees/bench-supply/link.yaml").symlink_to(tmp_path / "secret.yaml")
    (tmp_path / "lib/trees/bench-supply/lost.yaml").symlink_to(tmp_path / "nowhere.yaml")
    (tmp_path / "lib/trees/bench-supply/ring.yaml").symlink_to("ring.yaml")
    found = check_paths([], library).findings
    assert [(Path(f.path).name, f.rule) for f in found] == [
        ("link.yaml", "link-out-of-library"),
        ("lost.yaml", "link-out-of-library"),
        ("ring.yaml", "link-out-of-library"),
    ]


def test_too_many_problems_and_too_large_trees_are_told(tmp_path: Path) -> None:
    wide = "procedure: {0}\ntitle: x\nexits: [end]\nstart: s0\nsteps:\n" + "".join(
        f"  s{n}: {{{{use: {{1}}, exits: {{{{end: s{n + 1}}}}}}}}}\n" for n in range(30)
    )
    last = "procedure: d\ntitle: x\nexits: [end]\nstart: a\nsteps: {a: {do: x, then: end}}\n"
    more = {
        f"shared__procedures__{name}": (wide + "  s30: {{do: x, then: end}}\n").format(name, inner)
        for name, inner in zip("abc", "bcd", strict=True)
    }
    tree = USING.replace(
        "use: lamp-test\n    part: H1\n    with: {current: 1 A}", "use: a"
    ).replace("{lit: tired-fuse, dark: open-bridge}", "{end: tired-fuse}")
    library = a_library(tmp_path, tree, shared__procedures__d=last, **more)
    path = library.path_of("bench-supply/no-output")
    report, work = calls(lambda: check_paths([path], library))
    assert "too-large" in {f.rule for f in report.findings}
    # 0.2 million: written out, it would be 30³ steps.
    assert work < 800_000


def chain(size: int, hazard: str = "1 V") -> str:
    """A tree of many steps in a row, each of which may name a fault of its own."""
    return (
        "title: x\nfamily: usb-lamp\nstart: s0\nsteps:\n"
        + "".join(
            f"  s{n}: {{measure: q, limits: {{max: {hazard}, source: x}}, "
            f"results: {{inside: s{n + 1}, high: f{n}}}}}\n"
            for n in range(size)
        )
        + f"  s{size}: {{do: x, then: e}}\nfaults:\n"
        + "".join(f"  f{n}: {{title: f{n}, remedy: x}}\n" for n in range(size))
        + "stops: {e: {title: x, reason: unsafe}}\n"
    )


@pytest.mark.parametrize("size", [500, pytest.param(1500, marks=pytest.mark.soak)])
def test_a_tree_too_large_to_weigh_is_still_checked_for_safety(size: int) -> None:
    stdin = chain(size, "230 V").encode()
    document, work = calls(lambda: check("-", stdin=stdin, status=1))
    # 1,400 for each of 1,500 steps; work that grows with their square takes far more.
    assert work < 4_000 * size
    rules = [finding["rule"] for finding in document["findings"]]
    assert rules.count("too-large-to-weigh") == 1
    assert rules.count("hazardous-voltage") == size


@pytest.mark.parametrize("size", [800, pytest.param(3000, marks=pytest.mark.soak)])
def test_of_very_many_problems_the_first_are_told(size: int) -> None:
    steps = b"".join(b"  s%d: {ask: x, answers: {a: t%d, b: u}}\n" % (n, n) for n in range(size))
    tree = b"title: x\nfamily: x\nstart: s0\nsteps:\n" + steps + b"faults: {}\nstops: {}\n"
    document, work = calls(lambda: check("-", stdin=tree, status=1))
    assert "more-problems" in [finding["rule"] for finding in document["findings"]]
    # 3.3 million for 3,000 problems.
    assert work < 3_300 * size


def damaged(raw: bytes, chance: random.Random) -> bytes:
    """A file as a bad disk, a bad merge or a bad edit leaves it."""
    lines = raw.splitlines(keepends=True)
    kind = chance.randrange(7)
    if kind == 0:
        at = chance.randrange(len(raw))
        return raw[:at] + bytes([raw[at] ^ 1 << chance.randrange(8)]) + raw[at + 1 :]
    if kind == 1:
        return raw[: chance.randrange(len(raw))]
    if kind == 2:
        del lines[chance.randrange(len(lines))]
    elif kind == 3:
        lines.insert(chance.randrange(len(lines)), chance.choice(lines))
    elif kind == 4:
        number = chance.randrange(len(lines))
        lines[number] = b" " * chance.randrange(9) + lines[number].lstrip()
    elif kind == 5:
        number = chance.randrange(len(lines))
        cut = chance.randrange(len(lines[number]) + 1)
        lines[number] = lines[number][:cut] + chance.choice(SCRAPS) + lines[number][cut:]
    else:
        at, size = chance.randrange(len(raw)), chance.randrange(1, 40)
        return raw[:at] + chance.randbytes(size) + raw[at + size :]
    return b"".join(lines)


ODD = (None, [], {}, 3, -1.5, True, "", "x", "{part}", "1 V", ["a", "b"], {"a": {"b": "c"}}, [[]])


def bent_out_of_shape(data: Any, chance: random.Random) -> bytes:
    """The file with one value, or key, of another kind than is meant."""
    bent = json.loads(json.dumps(data))
    spots: list[tuple[Any, Any]] = []
    todo = [bent]
    while todo:
        held = todo.pop()
        keys = held if isinstance(held, dict) else range(len(held))
        spots += [(held, key) for key in keys]
        todo += [held[key] for key in keys if isinstance(held[key], dict | list)]
    held, key = chance.choice(spots)
    kind = chance.randrange(3)
    if kind == 0 and isinstance(held, dict):
        held[chance.choice(("x", "ask", "use", "limits", "from", ""))] = held.pop(key)
    elif kind == 1:
        del held[key]
    else:
        held[key] = chance.choice(ODD)
    return json.dumps(bent).encode()


SCRAPS = (b"[", b"]", b"{", b"}", b": ", b"- ", b"*x", b"&x ", b"!!map ", b"'", b'"', b"|", b">", b"%", b"?", b"#", b"\t", b"\n", b"---\n", b"null", b"~", b"1e999", b"0x10", b"\xff", b"\xe2\x80\xae")  # fmt: skip


def survive(count: int, folder: Path, seed: int) -> None:
    chance = random.Random(seed)
    library = a_library(folder, USING, shared__procedures__lamp_test=PROCEDURE)
    path = library.path_of("bench-supply/no-output")
    whole, data = USING.encode(), library.examine("bench-supply/no-output").data
    for number in range(count):
        bent = number % 4 == 0
        path.write_bytes(bent_out_of_shape(data, chance) if bent else damaged(whole, chance))
        report, work = calls(lambda: check_paths([path], library))
        assert work < 4_000_000, (seed, number)
        assert all(f.message and f.line >= 1 and f.column >= 1 for f in report.findings)


@pytest.mark.timeout(1800)
@pytest.mark.parametrize("count", [50, pytest.param(10_000, marks=pytest.mark.soak)])
def test_damaged_files_give_a_message_or_are_accepted(tmp_path: Path, count: int) -> None:
    survive(count, tmp_path, count)
