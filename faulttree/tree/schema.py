"""The schemas of the library's files: what a file may say, and plain words where it does not.

A compiled validator decides. Only where it refuses does `jsonschema` look for the reasons,
which this module words for people. Both are imported when they are first needed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any, Literal, get_args

from faulttree.tree.finding import Edit, Finding, near, spelling
from faulttree.tree.ids import RESERVED
from faulttree.tree.model import Where
from faulttree.tree.text_places import Shape, shape_from

FileKind = Literal[
    "tree",
    "procedure",
    "cautions",
    "instruments",
    "families",
    "properties",
    "words",
    "thesaurus",
    "library",
    "answers",
    "bench",
]

KINDS: tuple[FileKind, ...] = get_args(FileKind)

SHARED = "tree.schema.json"
STEP_KINDS = ("ask", "measure", "do", "use")
Keys = tuple[str | int, ...]
Refusal = Any
"""A ``jsonschema.ValidationError``; its stubs leave every attribute possibly unset."""


def folder() -> Path:
    """Where the schemas are: inside the installed package, or in the project."""
    package = Path(__file__).resolve().parents[1]
    installed = package / "_shipped" / "schemas"
    return installed if installed.is_dir() else package.parent / "schemas"


@cache
def schema(kind: FileKind) -> Mapping[str, Any]:
    """One schema, complete in itself: what it takes from the tree's schema is put in."""
    text = (folder() / f"{kind}.schema.json").read_text(encoding="utf-8")
    if kind == "tree":
        return dict(json.loads(text))
    loaded: dict[str, Any] = json.loads(text.replace(f'"{SHARED}#/', '"#/'))
    return {**loaded, "$defs": {**schema("tree")["$defs"], **loaded.get("$defs", {})}}


@cache
def shape_of(kind: FileKind) -> Shape:
    """Where a file of this kind means texts."""
    return shape_from(schema(kind))


@cache
def _decider(kind: FileKind) -> Any:
    import jsonschema_rs

    return jsonschema_rs.Draft202012Validator(dict(schema(kind)))


def is_valid(data: Any, kind: FileKind) -> bool:
    """Whether plain data is what a file of this kind may say."""
    return bool(_decider(kind).is_valid(data))


def refusals(data: Any, kind: FileKind, name: str = "") -> list[Finding]:
    """What the schema of a file refuses in plain data, the first hundred of it.

    Args:
        data: the plain data.
        kind: the kind of file.
        name: the document's name in the places of the findings.

    Example:
        >>> [finding.message for finding in refusals({"hot": {}}, "cautions")]
        ['`hot` has no `signal`.', '`hot` has no `text`.']
    """
    if is_valid(data, kind):
        return []
    from jsonschema import Draft202012Validator

    part = _refused_part(data, kind)
    found: dict[tuple[str, Keys, str], Finding] = {}
    for error in Draft202012Validator(schema(kind)).iter_errors(part):
        for one in _worded(error, data):
            found.setdefault((one.rule, one.where.keys, one.message), one)
    # jsonschema goes through keys in any order.
    ordered = sorted(
        found.values(), key=lambda one: (_order(part, one.where.keys), one.rule, one.message)
    )
    listed = ordered[:MAX_FINDINGS] or [
        _found("bad-value", f"This is no {kind} file.", "Compare it with the documentation.", ())
    ]
    return [replace(one, where=Where(name, one.where.keys)) for one in listed]


def _found(
    rule: str,
    message: str,
    remedy: str,
    keys: Keys,
    of_key: bool = False,
    edit: Edit | None = None,
) -> Finding:
    return Finding(Where("", keys), message, remedy, of_key, rule, edit=edit)


def _order(data: Any, keys: Keys) -> tuple[int, ...]:
    """Where keys lead to, as positions: to sort by the file's own order."""
    way: list[int] = []
    for key in keys:
        if isinstance(data, Mapping):
            way.append(next((i for i, name in enumerate(data) if name == key), len(data)))
            data = data.get(key)
        elif isinstance(data, list) and isinstance(key, int):
            way.append(key)
            data = data[key] if key < len(data) else None
    return tuple(way)


MAX_FINDINGS = 100


def _refused_part(data: Any, kind: FileKind) -> Any:
    """The data without the entries that are right, and with the first hundred of the others.

    Wording a refusal is slow, deciding is not.
    """
    if not isinstance(data, Mapping):
        return data
    wrong: dict[Any, set[Any]] = {}
    for error in _decider(kind).iter_errors(data):
        path = list(error.instance_path)
        if path:
            # A name that does not fit is reported at its mapping, with the name as instance.
            inner = path[1] if len(path) > 1 else error.instance
            wrong.setdefault(path[0], set()).add(inner if isinstance(inner, (str, int)) else None)
        elif isinstance(error.instance, str):
            wrong.setdefault(error.instance, set())
    known = schema(kind).get("properties", {})
    others = [key for key in data if key not in known and key not in wrong]
    left_out = set(others[MAX_FINDINGS:])
    return {
        key: _cut(_first(value, wrong.get(key, set())))
        for key, value in data.items()
        if key not in left_out
    }


def _first(value: Any, wrong: set[Any]) -> Any:
    """The first wrong entries of a large mapping; anything else as it is."""
    if not isinstance(value, Mapping) or len(value) <= MAX_FINDINGS:
        return value
    return dict(islice(((n, item) for n, item in value.items() if n in wrong), MAX_FINDINGS))


LONGEST_LIST = 1000
"""Items of a list, as the schemas have it."""


def _cut(value: Any) -> Any:
    """The same with lists cut just beyond the length that is refused anyway."""
    if isinstance(value, Mapping):
        return {key: _cut(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_cut(item) for item in value[: LONGEST_LIST + 1]]
    return value


def _worded(error: Refusal, data: Any) -> Iterator[Finding]:
    keys: Keys = tuple(error.absolute_path)
    comment = error.schema.get("$comment") if isinstance(error.schema, Mapping) else None
    form = comment in ("step-kind", *FORMS) and error.validator in ("oneOf", "anyOf", "not")
    if form and not isinstance(error.instance, Mapping):
        return
    if form and comment == "step-kind":
        yield _step_kind(error, keys)
    elif form:
        yield _found(*FORMS[str(comment)], keys)
    elif error.validator is None:
        yield from _out_of_place(error, keys, data)
    elif error.validator in ("anyOf", "oneOf"):
        yield from _best_branch(error, keys, data)
    else:
        yield from WORDED.get(str(error.validator), _other)(error, keys)


FORMS: Mapping[str, tuple[str, str, str]] = {
    "limits-form": (
        "limits-form",
        "Limits take one of four forms, and only one.",
        "Give `nominal` and `tolerance`, or `min` and `max` (one is enough), or `component` and "
        "`quantity`, or `bands`.",
    ),
    "measure-form": (
        "step-kind",
        "A `measure` step needs `limits` with `results`, or `unit` with `then`.",
        "Give `limits` and `results` to judge the reading, `unit` and `then` only to keep it.",
    ),
}


def _step_kind(error: Refusal, keys: Keys) -> Finding:
    given = [kind for kind in STEP_KINDS if kind in error.instance]
    what = f"has {' and '.join(f'`{kind}`' for kind in given)}" if given else "has none of them"
    return _found(
        "step-kind",
        f"A step has exactly one of `ask`, `measure`, `do`, `use`; this one {what}.",
        "Split it into two steps." if given else "Add the one that says what the step wants.",
        keys,
        True,
    )


def _out_of_place(error: Refusal, keys: Keys, data: Any) -> Iterator[Finding]:
    """Keys that belong to another kind of step; their schema there is ``false``.

    For such a schema jsonschema names the step, not the key.
    """
    path = list(error.absolute_schema_path)
    rule = path[path.index("allOf") + 1]
    step = data
    for key in keys:
        step = step[key]
    if sum(kind in step for kind in STEP_KINDS) > 1:
        return
    allowed = schema("tree")["$defs"]["step"]["allOf"][rule]["then"]["properties"]
    kind = STEP_KINDS[rule]
    for key in step:
        if allowed.get(key) is False:
            message = f"`{key}` does not belong to a step of the kind `{kind}`."
            remedy = f"A step with `{kind}` takes {BELONGS[kind]}."
            yield _found("step-kind", message, remedy, (*keys, key), True)


BELONGS = {
    "ask": "`answers`",
    "measure": "`limits` and `results`, or `unit` and `then`",
    "do": "`then`",
    "use": "`exits`, `part` and `with`",
}


def _unknown_keys(error: Refusal, keys: Keys) -> Iterator[Finding]:
    known = error.schema.get("properties", {})
    unknown = (key for key in error.instance if key not in known)
    for key in islice(unknown, MAX_FINDINGS):
        yield _unknown(str(key), tuple(known), keys)


def _unknown(key: str, known: Sequence[str], keys: Keys) -> Finding:
    question, edit = spelling(key, known)
    remedy = question or f"Known here: {', '.join(sorted(known))}."
    message = f"The key `{_shown(key)}` means nothing here."
    return _found("unknown-key", message, remedy, (*keys, key), True, edit)


def _missing_keys(error: Refusal, keys: Keys) -> Iterator[Finding]:
    named = bool(keys) and isinstance(keys[-1], str)
    what = f"`{_shown(keys[-1])}`" if named else "This entry" if keys else "The file"
    for key in error.validator_value:
        if key not in error.instance:
            says = _description(error.schema, key)
            remedy = f"Add `{key}`: {says}" if says else f"Add `{key}`."
            yield _found("missing-key", f"{what} has no `{key}`.", remedy, keys, named)


def _description(at: Mapping[str, Any], key: str) -> str:
    """What a key says, by the schema it is missed from or by that of a step."""
    step = schema("tree")["$defs"]["step"]["properties"]
    for properties in (at.get("properties", {}), step):
        wanted = properties.get(key)
        while isinstance(wanted, Mapping):
            if "description" in wanted:
                return str(wanted["description"])
            name = str(wanted.get("$ref", "")).rpartition("/")[2]
            wanted = schema("tree")["$defs"].get(name)
    return ""


def _names(error: Refusal, keys: Keys) -> Iterator[Finding]:
    """A key whose name does not fit; jsonschema reports it at the mapping."""
    name = str(error.instance)
    if error.validator == "enum":
        yield _unknown(name, list(error.validator_value), keys)
    else:
        yield _bad_id(name, (*keys, name), True)


def _bad_id(name: str, keys: Keys, of_key: bool) -> Finding:
    if name in RESERVED:
        remedy = "Choose another word; a walk needs this one for itself."
    else:
        remedy = "Use small letters, digits and single hyphens: `reservoir-esr`."
    message = f"`{_shown(name)}` is no name that can be used here."
    return _found("bad-id", message, remedy, keys, of_key)


def _named_or_text(error: Refusal, keys: Keys) -> Iterator[Finding]:
    """A pattern, length or reserved word that a text does not meet."""
    if "propertyNames" in error.absolute_schema_path:
        yield _bad_id(str(error.instance), (*keys, str(error.instance)), True)
    elif not str(error.instance).strip():
        yield _found("empty-text", "The text is empty.", "Say it, or take the key out.", keys)
    elif error.validator == "maxLength":
        longest = error.validator_value
        message = f"The text is longer than {longest} characters."
        yield _found("bad-value", message, "Shorten it.", keys)
    else:
        yield _bad_id(str(error.instance), keys, False)


def _wrong_type(error: Refusal, keys: Keys) -> Iterator[Finding]:
    if error.instance is None:
        what = f"`{keys[-1]}`" if keys else "The file"
        remedy = "Give it, or take the key out."
        yield _found("empty-text", f"{what} says nothing.", remedy, keys, bool(keys))
        return
    wanted = error.validator_value
    names = [wanted] if isinstance(wanted, str) else list(wanted)
    words = [KINDS_OF_VALUE.get(name, name) for name in dict.fromkeys(names)]
    meant = " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
    is_now = KINDS_OF_VALUE[_kind_of(error.instance)]
    what = f"`{keys[-1]}`" if keys and isinstance(keys[-1], str) else "This"
    shown = "" if isinstance(error.instance, (dict, list)) else f" (`{_shown(error.instance)}`)"
    message = f"{what} must be {meant}, and is {is_now}{shown}."
    yield _found("bad-value", message, _as(names), keys)


KINDS_OF_VALUE = {
    "string": "a text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "object": "a mapping",
    "array": "a list",
    "null": "nothing",
}


def _kind_of(value: Any) -> str:
    if isinstance(value, bool):
        return "boolean"
    kinds = {str: "string", int: "number", float: "number", dict: "object", list: "array"}
    return kinds.get(type(value), "null")


def _as(names: Sequence[str]) -> str:
    shown = {
        "string": "Write a text; one that begins with { or [ in quotes.",
        "number": "Write plain digits, without a unit.",
        "integer": "Write a whole number.",
        "boolean": "Write true or false.",
        "object": "Write `key: value` pairs.",
        "array": "Write a list: [one, another].",
    }
    return shown.get(names[0], "Compare it with the documentation.")


def _one_of_words(error: Refusal, keys: Keys) -> Iterator[Finding]:
    known = [str(word) for word in error.validator_value]
    if "propertyNames" in error.absolute_schema_path:
        yield from _names(error, keys)
        return
    remedy = near(str(error.instance), known) or f"Choose one of {', '.join(known)}."
    message = f"`{_shown(error.instance)}` is none of the words known here."
    yield _found("bad-value", message, remedy, keys)


def _best_branch(error: Refusal, keys: Keys, data: Any) -> Iterator[Finding]:
    """The reasons of the alternative that the value was most likely meant to be."""
    kind = _kind_of(error.instance)
    branches: dict[Any, list[Refusal]] = {}
    for inner in error.context or ():
        branches.setdefault(inner.relative_schema_path[0], []).append(inner)
    fitting = [
        inner
        for inner in branches.values()
        if not any(one.validator == "type" and not one.relative_path for one in inner)
    ]
    if not fitting or kind == "null":
        names = [one.validator_value for inner in branches.values() for one in inner]
        flat = [n for name in names for n in ([name] if isinstance(name, str) else name)]
        error.validator_value = [name for name in flat if name in KINDS_OF_VALUE]
        yield from _wrong_type(error, keys)
        return
    for one in min(fitting, key=len):
        yield from _worded(one, data)


def _bounds(error: Refusal, keys: Keys) -> Iterator[Finding]:
    bound = error.validator_value
    word = {"minimum": "at least", "maximum": "at most", "exclusiveMinimum": "more than"}
    message = (
        f"`{_shown(error.instance)}` must be {word.get(str(error.validator), 'near')} {bound}."
    )
    yield _found("bad-value", message, "Look at the figure.", keys)


def _too_few(error: Refusal, keys: Keys) -> Iterator[Finding]:
    many = error.validator_value
    message = f"At least {many} {'entry is' if many == 1 else 'entries are'} needed here."
    yield _found("bad-value", message, "Add what is missing, or take the key out.", keys)


def _too_many(error: Refusal, keys: Keys) -> Iterator[Finding]:
    message = f"At most {error.validator_value} may stand here."
    yield _found("bad-value", message, "Take out what is too many.", keys)


def _repeated(error: Refusal, keys: Keys) -> Iterator[Finding]:
    items = [json.dumps(item, sort_keys=True) for item in error.instance]
    first = {item: i for i, item in reversed(list(enumerate(items)))}
    again = next((i for i, item in enumerate(items) if first[item] != i), len(items) - 1)
    message = f"`{_shown(error.instance[again])}` stands twice in this list."
    yield _found("bad-value", message, "Keep one of them.", (*keys, again))


def _other(error: Refusal, keys: Keys) -> Iterator[Finding]:
    message = "This is not what may stand here."
    yield _found("bad-value", message, "Compare it with the documentation.", keys)


WORDED: Mapping[str, Callable[[Refusal, Keys], Iterator[Finding]]] = {
    "additionalProperties": _unknown_keys,
    "required": _missing_keys,
    "pattern": _named_or_text,
    "minLength": _named_or_text,
    "maxLength": _named_or_text,
    "not": _named_or_text,
    "type": _wrong_type,
    "enum": _one_of_words,
    "minimum": _bounds,
    "maximum": _bounds,
    "exclusiveMinimum": _bounds,
    "minItems": _too_few,
    "minProperties": _too_few,
    "maxItems": _too_many,
    "maxProperties": _too_many,
    "uniqueItems": _repeated,
}


def _shown(value: Any) -> str:
    text = str(value).lower() if isinstance(value, bool) else str(value)[:61]
    safe = "".join(c if c.isprintable() else "\ufffd" for c in text)
    return safe if len(safe) <= 60 else f"{safe[:60]}…"
