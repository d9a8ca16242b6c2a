"""The schemas: sound, explained, and refusing in plain words at the right place."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import jsonschema_rs
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from faulttree.tree import Finding, Library, shipped_library
from faulttree.tree.schema import folder, is_valid, refusals, schema

SCHEMAS = sorted(folder().glob("*.schema.json"))
NAMES = [path.name.removesuffix(".schema.json") for path in SCHEMAS]
OWN = ("tree", "procedure", "cautions", "instruments", "families", "answers")


def test_every_kind_of_file_has_its_schema() -> None:
    assert set(OWN) <= set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_schema_is_a_schema_and_says_which(name: str) -> None:
    body = json.loads((folder() / f"{name}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(body)
    assert body["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert body["$id"] == f"{name}.schema.json"
    assert body["title"]
    assert body["description"]


def keys_of(node: Any, way: str = "") -> Iterator[tuple[str, Any]]:
    """Every key that a schema describes, with what it says of it."""
    if isinstance(node, dict):
        for word, inner in node.items():
            if word in ("properties", "$defs", "patternProperties"):
                # Here the keys are names of the file, not words of the schema.
                for key, value in inner.items():
                    if word == "properties" and value is not False:
                        yield f"{way}/{key}", value
                    yield from keys_of(value, f"{way}/{word}/{key}")
            elif word not in ("examples", "enum", "const"):
                yield from keys_of(inner, f"{way}/{word}")
    elif isinstance(node, list):
        for position, inner in enumerate(node):
            yield from keys_of(inner, f"{way}/{position}")


@pytest.mark.parametrize("name", OWN)
def test_every_key_is_described_so_that_an_editor_can_explain_it(name: str) -> None:
    whole = schema(name)
    for way, value in keys_of(whole):
        reference = value.get("$ref", "").rpartition("/")[2]
        described = value.get("description") or whole["$defs"].get(reference, {}).get("description")
        assert described, way
        assert described.endswith((".", ")")), way


def test_every_parameter_of_a_rating_is_a_key_that_editors_explain() -> None:
    from faulttree.reading import RATINGS

    keys = schema("tree")["$defs"]["limits"]["properties"]
    for rating in RATINGS.values():
        assert rating.component in keys["component"]["examples"]
        assert rating.quantity in keys["quantity"]["examples"]
        assert {parameter.name for parameter in rating.parameters} <= set(keys)


def definitions(body: Any) -> Iterator[tuple[Any, Any]]:
    """Every part of a schema that gives examples, with each of them."""
    if isinstance(body, dict):
        for shown in body.get("examples", ()) if isinstance(body.get("examples"), list) else ():
            yield body, shown
        for word, inner in body.items():
            if word != "examples":
                yield from definitions(inner)
    elif isinstance(body, list):
        for inner in body:
            yield from definitions(inner)


@pytest.mark.parametrize("name", OWN)
def test_every_example_is_right_by_its_own_schema(name: str) -> None:
    whole = schema(name)
    count = 0
    for part, shown in definitions(whole):
        own = {"$defs": whole["$defs"], **part}
        jsonschema_rs.validate(own, shown)
        count += 1
    assert count > 3
    assert whole["examples"]


SHIPPED = shipped_library()
FILES = [
    *((path, "tree") for path in SHIPPED.tree_files()),
    *((path, "procedure") for path in sorted(SHIPPED.root.glob("shared/procedures/*.yaml"))),
    *((SHIPPED.root / "shared" / f"{name}.yaml", name) for name in OWN[2:5]),
]


@pytest.mark.parametrize(("path", "kind"), FILES, ids=lambda item: Path(item).stem)
def test_the_shipped_library_is_right_by_its_schemas(path: Path, kind: str) -> None:
    examined = SHIPPED.examine(path)
    assert examined.kind == kind
    assert [problem for problem in examined.findings if problem.level == "error"] == []


def test_the_answers_of_the_documentation_are_right() -> None:
    text = """
unit: {family: bench-supply, model: two-channel, serial: tag 14}
complaint: no output
answers:
  - look.lead: sound
  - look.housing: sound
  - look.earth: below
  - selector: agree
  - before-power.class: class-1
  - before-power.earth: 0.12 ohm
  - before-power.insulation-1: 20 Mohm
  - before-power.pins: 26 ohm
  - before-power.lamp: settles
  - settings: all-right
  - terminals: 0 V
  - fuse: intact
  - plug-pins: 26 ohm
  - output-short: 800 ohm
  - reservoir: 21.4 V
  - discharge: done
  - reservoir-esr: {reading: 1.3 ohm, instrument: esr-1}
  - ripple: {skip: no lead}
  - back: 1
  - note: TEXT
  - value: {readings: [21.4 V, 21.6 V], sure: true, in_circuit: false}
  - repair: {fault: dry-reservoir, confirm: 33.8 V}
outcome: {result: fixed, fault: dry-reservoir}
confirm: 33.8 V
"""
    assert refusals(yaml.safe_load(text), "answers") == []
    wrong = yaml.safe_load("answers: [{fuse: intact, lamp: dark}]\noutcome: {result: mended}\n")
    assert [(found.rule, found.where.keys) for found in refusals(wrong, "answers")] == [
        ("bad-value", ("answers", 0)),
        ("bad-value", ("outcome", "result")),
    ]


# -- refusals --------------------------------------------------------------------------

HEAD = "title: Lamp\nfamily: work-lamp\nstart: lead\nsteps:\n"
STEP = "  lead: {ask: Does it light?, answers: {dark: out}}\n"
ENDS = (
    "faults:\n  broken: {title: Lead broken, remedy: Replace it}\n"
    "stops:\n  out: {title: Beyond, reason: out-of-scope}\n"
)
MEASURE = "  lead: {measure: Voltage, limits: %s, results: {inside: out}}\n"
CASES = {
    # name: (text with « before the place, rule, message, mend)
    "two kinds": (
        HEAD + "  «lead: {ask: x, do: y, answers: {a: out}, then: out}\n" + ENDS,
        "step-kind",
        "A step has exactly one of `ask`, `measure`, `do`, `use`; this one has `ask` and `do`.",
        "Split it into two steps.",
    ),
    "no kind": (
        HEAD + "  «lead: {answers: {a: out}}\n" + ENDS,
        "step-kind",
        "A step has exactly one of `ask`, `measure`, `do`, `use`; this one has none of them.",
        "Add the one that says what the step wants.",
    ),
    "key of another kind": (
        HEAD + "  lead: {ask: x, answers: {a: out}, «limits: {min: 3 V}}\n" + ENDS,
        "step-kind",
        "`limits` does not belong to a step of the kind `ask`.",
        "A step with `ask` takes `answers`.",
    ),
    "ask without answers": (
        HEAD + "  «lead: {ask: x}\n" + ENDS,
        "missing-key",
        "`lead` has no `answers`.",
        "Add `answers`: For each answer to `ask`, where to go next.",
    ),
    "measure without limits": (
        HEAD + "  lead: «{measure: x, results: {low: out}}\n" + ENDS,
        "step-kind",
        "A `measure` step needs `limits` with `results`, or `unit` with `then`.",
        "Give `limits` and `results` to judge",
    ),
    "two forms of limits": (
        HEAD + MEASURE % "«{min: 1 V, nominal: 3 V, tolerance: 1 %}" + ENDS,
        "limits-form",
        "Limits take one of four forms, and only one.",
        "Give `nominal` and `tolerance`, or `min`",
    ),
    "misspelt limit": (
        HEAD + MEASURE % "{«minn: 1 V, max: 3 V}" + ENDS,
        "unknown-key",
        "The key `minn` means nothing here.",
        "Did you mean `min`?",
    ),
    "misspelt top key": (
        "«titel: Lamp\n" + HEAD + STEP + ENDS,
        "unknown-key",
        "The key `titel` means nothing here.",
        "Did you mean `title`?",
    ),
    "misspelt key of a fault": (
        HEAD + STEP + ENDS.replace("remedy: Replace it", "remedy: Replace it, «wieght: 3"),
        "unknown-key",
        "The key `wieght` means nothing here.",
        "Did you mean `weight`?",
    ),
    "missing remedy": (
        HEAD + STEP + ENDS.replace("  broken", "  «broken").replace(", remedy: Replace it", ""),
        "missing-key",
        "`broken` has no `remedy`.",
        "Add `remedy`: What repairs it.",
    ),
    "minutes with a unit": (
        HEAD + "  lead: {ask: x, minutes: «2 min, answers: {a: out}}\n" + ENDS,
        "bad-value",
        "`minutes` must be a number, and is a text (`2 min`).",
        "Write plain digits, without a unit.",
    ),
    "minutes below nothing": (
        HEAD + "  lead: {ask: x, minutes: «-2, answers: {a: out}}\n" + ENDS,
        "bad-value",
        "`-2` must be at least 0.",
        "Look at the figure.",
    ),
    "word of YAML 1.1 as truth": (
        HEAD + "  lead: {ask: x, live: «yes, answers: {a: out}}\n" + ENDS,
        "bad-value",
        "`live` must be true or false, and is a text (`yes`).",
        "Write true or false.",
    ),
    "one word where a list is meant": (
        HEAD + "  lead: {ask: x, needs: «multimeter, answers: {a: out}}\n" + ENDS,
        "bad-value",
        "`needs` must be a list, and is a text (`multimeter`).",
        "Write a list: [one, another].",
    ),
    "repeated item": (
        HEAD + "  lead: {ask: x, needs: [multimeter, «multimeter], answers: {a: out}}\n" + ENDS,
        "bad-value",
        "`multimeter` stands twice in this list.",
        "Keep one of them.",
    ),
    "unknown reason": (
        HEAD + STEP + ENDS.replace("out-of-scope", "«out of scope"),
        "bad-value",
        "`out of scope` is none of the words known here.",
        "Did you mean `out-of-scope`?",
    ),
    "empty title": (
        HEAD.replace("title: Lamp", "«title:") + STEP + ENDS,
        "empty-text",
        "`title` says nothing.",
        "Give it, or take the key out.",
    ),
    "empty question": (
        HEAD + "  lead: {ask: «'', answers: {dark: out}}\n" + ENDS,
        "empty-text",
        "The text is empty.",
        "Say it, or take the key out.",
    ),
    "no answers at all": (
        HEAD + "  lead: {ask: x, answers: «{}}\n" + ENDS,
        "bad-value",
        "At least 1 entry is needed here.",
        "Add what is missing",
    ),
    "id with capitals": (
        HEAD + STEP + "  «Lead_2: {do: x, then: out}\n" + ENDS,
        "bad-id",
        "`Lead_2` is no name that can be used here.",
        "Use small letters, digits and single hyphens",
    ),
    "reserved id": (
        HEAD + STEP + "  «skip: {do: x, then: out}\n" + ENDS,
        "bad-id",
        "`skip` is no name that can be used here.",
        "Choose another word; a walk needs this one for itself.",
    ),
    "path as a procedure's name": (
        HEAD + "  lead: {use: «../../secret, exits: {good: out}}\n" + ENDS,
        "bad-id",
        "`../../secret` is no name that can be used here.",
        "Use small letters",
    ),
    "list for a tolerance too long": (
        HEAD + MEASURE % "{nominal: 3 V, tolerance: «[1 V, 2 V, 3 V]}" + ENDS,
        "bad-value",
        "At most 2 may stand here.",
        "Take out what is too many.",
    ),
    "symptom without text": (
        HEAD + STEP + ENDS + "symptoms: [no light, «{conditions: [warm]}]\n",
        "missing-key",
        "This entry has no `text`.",
        "Add `text`: What an owner says.",
    ),
    "no mapping": (
        "«- a\n",
        "bad-value",
        "This must be a mapping, and is a list.",
        "Write `key: value` pairs.",
    ),
    "step that is a word": (
        HEAD + STEP + "  lamp: «hello\n" + ENDS,
        "bad-value",
        "`lamp` must be a mapping, and is a text (`hello`).",
        "Write `key: value` pairs.",
    ),
}


def marked(text: str) -> tuple[str, int, int]:
    """The text without its mark, and the line and column that the mark stood at."""
    before = text[: text.index("«")]
    return text.replace("«", ""), before.count("\n") + 1, len(before) - before.rfind("\n")


def examined(text: str) -> tuple[Finding, ...]:
    return SHIPPED.examine_text(text, Path("trees/work-lamp/dark.yaml")).findings


@pytest.mark.parametrize("name", CASES)
def test_a_refusal_is_one_clear_message_at_its_place(name: str) -> None:
    text, rule, message, remedy = CASES[name]
    text, line, column = marked(text)
    (problem,) = examined(text)
    assert (problem.rule, problem.message) == (rule, message)
    assert problem.remedy.startswith(remedy)
    assert (problem.line, problem.column) == (line, column)
    assert problem.level == "error"


def test_a_right_tree_has_nothing_to_mend() -> None:
    assert examined(HEAD + STEP + ENDS) == ()


def test_nothing_of_the_validators_own_speech_gets_through() -> None:
    noise = re.compile(r"oneOf|anyOf|schema|\$ref|is not valid under|property|False|None|\{'")
    for text, *_ in CASES.values():
        for problem in examined(text.replace("«", "")):
            assert not noise.search(problem.message + problem.remedy)


WORDS = ["steps", "ask", "use", "measure", "limits", "min", "answers", "a", "skip", "title", "B"]
WORDS += ["start", "faults", "exits", "takes", "symptoms", "closing", "lamp", "signal", "unit"]
LEAVES = (
    st.none() | st.booleans() | st.integers(-9, 9) | st.sampled_from(["", "a", "A b", "WARNING"])
)
JSON = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(WORDS), inner, max_size=5)
    ),
    max_leaves=25,
)


@given(JSON, st.sampled_from(OWN))
def test_the_fast_validator_and_the_one_that_explains_agree(data: Any, kind: Any) -> None:
    slow = jsonschema.Draft202012Validator(schema(kind)).is_valid(data)
    assert is_valid(data, kind) == slow
    found = refusals(data, kind)
    assert bool(found) != slow
    for one in found:
        assert one.rule
        assert one.message
        assert one.remedy


def test_one_wrong_entry_among_thousands_is_found_and_in_time() -> None:
    steps = "".join(f"  s{i}: {{ask: x, answers: {{a: out}}}}\n" for i in range(3000))
    text = HEAD + STEP + steps + "  last: {ask: x, «answer: {a: out}}\n" + ENDS
    text, line, column = marked(text)
    found = [(p.rule, p.line, p.column) for p in examined(text)]
    assert ("unknown-key", line, column) in found
    assert len(found) == 2


def test_a_file_of_nothing_but_mistakes_is_told_in_part() -> None:
    steps = "".join(f"  s{i}: {{aks: x, answers: {{a: uot}}}}\n" for i in range(3000))
    found = examined(HEAD + STEP + steps + ENDS)
    assert [problem.rule for problem in found].count("more-problems") == 1
    assert len(found) == 101
    # The first of them, in the file's order, whatever order a validator goes in.
    assert {problem.line for problem in found if problem.rule == "step-kind"} == set(range(6, 56))
    assert found == examined(HEAD + STEP + steps + ENDS)


def test_editors_find_the_schema_by_the_comment_of_a_tree() -> None:
    for path in SHIPPED.tree_files():
        first = path.read_text(encoding="utf-8").splitlines()[0]
        named = re.fullmatch(r"# yaml-language-server: \$schema=(\S+)", first)
        if named:
            assert (path.parent / named[1]).resolve() == folder() / "tree.schema.json"


def test_references_between_schemas_stay_among_them() -> None:
    for path in SCHEMAS:
        for reference in re.findall(r'"\$ref": "([^"]+)"', path.read_text(encoding="utf-8")):
            file, _, inner = reference.partition("#/$defs/")
            target = path if not file else folder() / file
            assert inner in json.loads(target.read_text(encoding="utf-8"))["$defs"], reference


def test_the_deciding_validator_reads_the_dialect() -> None:
    assert jsonschema_rs.meta.is_valid(dict(schema("tree")))


def test_a_library_needs_no_schema_file_of_its_own(tmp_path: Path) -> None:
    folder_ = tmp_path / "trees" / "work-lamp"
    folder_.mkdir(parents=True)
    (folder_ / "dark.yaml").write_text(HEAD + STEP + ENDS, encoding="utf-8")
    assert Library(tmp_path).load("work-lamp/dark").title == "Lamp"
