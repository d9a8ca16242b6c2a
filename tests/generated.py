"""The generated parts of the docs: written by ``make docs``, compared by the tests."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from faulttree.cli import cli
from faulttree.reading import ratings_page
from faulttree.rules import rules_page
from faulttree.tree import Library, read_document, shipped_library
from faulttree.tree.schema import KINDS, schema, shape_of

DOCS = Path(__file__).parent.parent / "docs"
FILES = {
    "tree": "trees/<family>/<complaint>.yaml",
    "procedure": "shared/procedures/<name>.yaml",
    "cautions": "shared/cautions.yaml",
    "instruments": "shared/instruments.yaml",
    "families": "shared/families.yaml",
    "properties": "shared/properties.yaml",
    "words": "shared/words.yaml",
    "thesaurus": "shared/thesaurus.yaml",
    "library": "library.yaml",
    "bench": "bench.yaml",
    "answers": "the file of diagnose --answers",
}


def commands_page() -> str:
    """Every command with its options, from the code."""
    lines = ["# Commands", "", "Made from the program by `make docs`; do not edit by hand.", ""]
    lines += [
        "Options stand after the command's name. Exit status: 0 done, 1 the answer is no,",
        "2 could not run. Messages for people go to standard error.",
        "",
    ]
    for names, command in _commands(cli):
        lines += _command(names, command)
    return "\n".join(lines).rstrip() + "\n"


def _commands(group: click.Group, *names: str) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        yield (*names, name), command
        if isinstance(command, click.Group):
            yield from _commands(command, *names, name)


def _command(names: tuple[str, ...], command: click.Command) -> list[str]:
    context = click.Context(command, info_name=f"faulttree {' '.join(names)}")
    usage = " ".join(command.collect_usage_pieces(context))
    lines = [f"{'#' * (len(names) + 1)} faulttree {' '.join(names)}", ""]
    lines += [f"`faulttree {' '.join(names)} {usage}`", ""]
    lines += [_paragraphs(command.help or ""), ""]
    rows = [
        row
        for parameter in command.get_params(context)
        if isinstance(parameter, click.Option) and "--help" not in parameter.opts
        if (row := parameter.get_help_record(context)) is not None
    ]
    if rows:
        lines += ["| option | meaning |", "| --- | --- |"]
        lines += [f"| `{_cell(name)}` | {_cell(text)} |" for name, text in rows] + [""]
    for example in (command.epilog or "").split("\n"):
        if example.strip():
            said = example.strip().removeprefix("Example:").strip()
            lines += [f"    {said}", ""]
    return lines


def _paragraphs(text: str) -> str:
    parts = [" ".join(part.split()) for part in text.replace("\b", "").split("\n\n")]
    return "\n\n".join(parts)


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def format_page() -> str:
    """Every key of every file, from the schemas."""
    lines = ["# The file format", ""]
    lines += [
        "Made from `schemas/` by `make docs`; do not edit by hand. What the keys mean together",
        "is told in [Writing a tree](writing-a-tree.md).",
        "",
    ]
    for kind in KINDS:
        root = schema(kind)
        lines += [f"## {root.get('title', kind)}", "", f"`{FILES[kind]}`", ""]
        lines += [str(root.get("description", "")), ""]
        lines += ["| key | needed | what it says |", "| --- | --- | --- |"]
        lines += [_row(key, needed, node) for key, needed, node in _keys(root, kind)]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def _row(key: str, needed: bool, node: Mapping[str, Any]) -> str:
    said = str(node.get("description", ""))
    examples = node.get("examples") or []
    if examples:
        shown = json.dumps(examples[0], ensure_ascii=False)
        said += f" Example: `{_cell(shown)}`." if len(shown) < 70 else ""
    return f"| `{_cell(key)}` | {'yes' if needed else ''} | {_cell(said)} |"


def _keys(
    node: Mapping[str, Any], kind: str, prefix: str = "", seen: tuple[str, ...] = ()
) -> Iterator[tuple[str, bool, Mapping[str, Any]]]:
    """Keys of a schema with those inside them, each ``$ref`` followed once on a way."""
    for part in _parts(node, kind, seen):
        needed = set(part.get("required", ()))
        for name, child in part.get("properties", {}).items():
            told, way = _resolved(child, kind, seen)
            yield f"{prefix}{name}", name in needed, {**told, **child}
            yield from _inner(told, kind, f"{prefix}{name}", way)
        extra = part.get("additionalProperties")
        if isinstance(extra, Mapping):
            told, way = _resolved(extra, kind, seen)
            yield from _inner(told, kind, f"{prefix}<name>", way)


def _inner(
    node: Mapping[str, Any], kind: str, prefix: str, seen: tuple[str, ...]
) -> Iterator[tuple[str, bool, Mapping[str, Any]]]:
    if len(seen) > 12:
        return
    yield from _keys(node, kind, f"{prefix}.", seen)
    items = node.get("items")
    if isinstance(items, Mapping):
        told, way = _resolved(items, kind, seen)
        yield from _keys(told, kind, f"{prefix}[].", way)


def _parts(
    node: Mapping[str, Any], kind: str, seen: tuple[str, ...]
) -> Iterator[Mapping[str, Any]]:
    yield node
    for word in ("allOf", "anyOf", "oneOf"):
        for part in node.get(word, ()):
            told, _ = _resolved(part, kind, seen)
            yield from _parts(told, kind, seen)


def _resolved(
    node: Mapping[str, Any], kind: str, seen: tuple[str, ...]
) -> tuple[Mapping[str, Any], tuple[str, ...]]:
    reference = node.get("$ref")
    if not isinstance(reference, str) or reference in seen:
        return node, seen
    file, _, path = reference.partition("#/")
    root: Any = schema("tree") if file.startswith("tree") else schema(kind)  # type: ignore[arg-type]
    for step in path.split("/"):
        root = root[step]
    merged, way = _resolved({**root}, kind, (*seen, reference))
    return {**merged, **{k: v for k, v in node.items() if k != "$ref"}}, way


# -- limits ------------------------------------------------------------------------------------


def limits_page() -> str:
    """Every limit of the shipped library, with its basis and its source."""
    library = shipped_library()
    lines = ["# Limits of the shipped library", ""]
    lines += [
        "Made from the trees and procedures by `make docs`; do not edit by hand. What a basis is",
        "is told in [Safety](safety.md). `{name}` is a value that the using tree gives.",
        "",
    ]
    for title, path in _limit_files(library):
        document = read_document(path, shape=shape_of("tree"))
        rows = [_limit_row(name, step) for name, step in document.data["steps"].items()
                if "limits" in step]  # fmt: skip
        if rows:
            lines += [f"## {title}", "", "| step | limit | basis | source |", LINE, *rows, ""]
    return "\n".join(lines).rstrip() + "\n"


LINE = "| --- | --- | --- | --- |"


def _limit_files(library: Library) -> Iterator[tuple[str, Path]]:
    for name in library.procedures():
        yield f"Procedure {name}", library.root / "shared" / "procedures" / f"{name}.yaml"
    for name in library.own_trees():
        yield name, library.path_of(name)


def _limit_row(name: str, step: Mapping[str, Any]) -> str:
    limits = step["limits"]
    source = limits.get("source") or step.get("source", "")
    cells = (f"`{name}`", _limit(limits), str(limits.get("basis", "")), str(source))
    return f"| {' | '.join(_cell(cell) for cell in cells)} |"


BESIDE = ("source", "basis", "good", "requires", "unit", "holds_at")


def _limit(limits: Mapping[str, Any]) -> str:
    """What the limits say, in the order of the file; what stands beside them is left out."""
    if "bands" in limits:
        return "; ".join(_band(band) for band in limits["bands"])
    told = (f"{key} {_figure(value)}" for key, value in limits.items() if key not in BESIDE)
    return ", ".join(told)


def _band(band: Mapping[str, Any]) -> str:
    ends = (f"{word} {_figure(band[word])}" for word in ("from", "below") if word in band)
    return f"{band['name']} {' '.join(ends)}"


def _figure(value: Any) -> str:
    if isinstance(value, Mapping):
        names = ", ".join(f"{name} from `{place}`" for name, place in value["from"].items())
        return f"`{value['formula']}` ({names})"
    if isinstance(value, list):
        return " to ".join(str(one) for one in value)
    return str(value)


PAGES = {
    "commands.md": commands_page,
    "format.md": format_page,
    "limits.md": limits_page,
    "ratings.md": ratings_page,
    "rules.md": rules_page,
}


def main() -> None:
    """Write the generated pages."""
    for name, made in PAGES.items():
        (DOCS / name).write_text(made())


if __name__ == "__main__":
    main()
