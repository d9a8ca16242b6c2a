"""Rename a step, fault or stop, with all references to it.

References are found by the object that they resolve to, not by their spelling: a path of uses
may name a step of a procedure. Texts for people are not changed. The file keeps the former
name (``renamed``), so that recorded cases still count.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from faulttree.authoring.edited_check import check_whole
from faulttree.authoring.files import ID, LibraryFile, files_of, same_cause
from faulttree.errors import TreeError
from faulttree.tree import Library
from faulttree.tree.edit import ChangeSet, Editor
from faulttree.tree.ids import RESERVED

Keys = tuple[str | int, ...]


@dataclass(frozen=True)
class Renaming(ChangeSet):
    """The changes of a renaming; nothing is written yet.

    Attributes:
        kind: ``step``, ``fault`` or ``stop``.
        places: how many places change in each file, the definition included.
    """

    LEFT_OUT = frozenset(("changes", "places"))

    kind: str
    old: str
    new: str
    places: Mapping[str, int]

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        files = [{"path": path, "places": count} for path, count in self.places.items()]
        return {**super().as_dict(), "files": files}


def rename(library: Library, where: str, old: str, new: str) -> Renaming:
    """Rename a step, fault or stop, with every reference to it.

    A fault is the same cause in every tree that gives it the same module (in those of one
    family, where it has none), so it is renamed in all of them.

    Args:
        library: whose files.
        where: id of the tree, or name of the procedure, that has it.
        old: its current name.
        new: its new name.

    Raises:
        TreeError: there is no such name, the new one is taken or not a valid id, or the new
            texts break a rule.
    """
    files = {one.name: one for one in files_of(library)}
    home = files.get(where)
    if home is None:
        path = library.path_of(where)  # raises with the similar names
        if library.layer_of(where) is not library:
            remedy = "Copy the file into your own library, or name that library with --library."
            raise TreeError("This tree is in a lower library.", path=path, remedy=remedy)
        raise TreeError(f"There is no procedure `{where}` in {library.root}.", remedy="Look at it.")
    group = next((g for g in ("steps", "faults", "stops") if old in home.held(g)), None)
    if group is None:
        remedy = "Name one of its steps, faults or stops."
        raise TreeError(f"`{where}` has no `{old}`.", path=home.path, remedy=remedy)
    homes = [home.name, *(same_cause(files, home, old) if group == "faults" else ())]
    for name in homes:
        _free(files[name], new)
    edited = {name: _edited(files, files[name], homes, group, old, new) for name in files}
    changes = tuple(editor.change() for editor, _ in edited.values() if editor.touched)
    check_whole(library, changes, lambda at: _with(at, old, new))
    places = {
        str(files[name].path.relative_to(library.root)): count
        for name, (editor, count) in edited.items()
        if editor.touched
    }
    return Renaming(group[:-1], old, new, places, changes=changes)


def _free(home: LibraryFile, new: str) -> None:
    """Refuse a name that is not a valid id, or that is or was in use."""
    if not ID.fullmatch(new) or new in RESERVED or len(new) > 80:
        remedy = "Ids are kebab-case: small letters, digits and single hyphens."
        raise TreeError(f"`{new}` is not a valid id.", path=home.path, remedy=remedy)
    exits = home.data.get("exits")
    taken = [*home.held("steps"), *home.held("faults"), *home.held("stops")]
    taken += exits if isinstance(exits, list) else []
    if new in taken:
        remedy = "Choose another name."
        raise TreeError(f"`{new}` is already in use.", path=home.path, remedy=remedy)


# -- references ------------------------------------------------------------------------


def _edited(
    files: Mapping[str, LibraryFile],
    file: LibraryFile,
    homes: list[str],
    group: str,
    old: str,
    new: str,
) -> tuple[Editor, int]:
    """Edit one file; return the change and the number of places that change."""
    editor = file.editor()
    own = file.name in homes
    count = 0
    if own:
        editor.rename_key((group, old), new)
        count += 1 + _remember(editor, file, old, new)

    def path(text: Any) -> str | None:
        return _path(files, file, homes, text, old, new)

    for keys, text, is_key in _references(file):
        target = _target(file, text, own, old, new) if _is_target(keys) else path(text)
        if group != "steps" and not (own and text == old):
            target = None
        if target is None or target == text:
            continue
        if is_key:
            editor.rename_key(keys, target)
        else:
            editor.set(keys, target)
        count += 1
    return editor, count


def _remember(editor: Editor, file: LibraryFile, old: str, new: str) -> int:
    """Keep the former name; earlier names are mapped to the new one directly."""
    known = file.held("renamed")
    if "renamed" not in file.data:
        editor.add((), "renamed", {old: new})
        return 0
    for former, name in known.items():
        if former == new:
            # It gets an earlier name back: the name it had until now becomes the former one.
            editor.rename_key(("renamed", former), old)
            editor.set(("renamed", former), new)
        elif name == old:
            editor.set(("renamed", former), new)
    if new not in known:
        editor.add(("renamed",), old, new)
    return 0


def _is_target(keys: Keys) -> bool:
    """Whether a reference is a name in the same file and cannot be a path."""
    return keys[0] == "start" or keys[-1] == "then" or "answers" in keys[2:3] or (
        keys[0] == "steps" and keys[2] in ("results", "exits")
    )  # fmt: skip


def _target(file: LibraryFile, text: Any, own: bool, old: str, new: str) -> str | None:
    return new if own and text == old else None


def _references(file: LibraryFile) -> Iterator[tuple[Keys, Any, bool]]:
    """Every place with a reference: its keys, its text, and whether it is a key."""
    data = file.data
    if "start" in data:
        yield ("start",), data["start"], False
    for name, step in file.held("steps").items():
        if isinstance(step, Mapping):
            yield from _of_step(("steps", name), step)
    for name, fault in file.held("faults").items():
        if isinstance(fault, Mapping):
            yield from _of_fault(("faults", name), fault)
    accepted = data.get("accepted")
    for number, entry in enumerate(accepted if isinstance(accepted, list) else ()):
        if isinstance(entry, Mapping) and "at" in entry:
            yield ("accepted", number, "at"), entry["at"], False


def _of_step(keys: Keys, step: Mapping[str, Any]) -> Iterator[tuple[Keys, Any, bool]]:
    for group in ("answers", "results", "exits"):
        targets = step.get(group)
        for outcome, target in targets.items() if isinstance(targets, Mapping) else ():
            yield (*keys, group, outcome), target, False
    if "then" in step:
        yield (*keys, "then"), step["then"], False
    after = step.get("after")
    for number, name in enumerate(after if isinstance(after, list) else ()):
        yield (*keys, "after", number), name, False
    yield from _of_formulas((*keys, "limits"), step.get("limits"))


def _of_formulas(keys: Keys, value: Any) -> Iterator[tuple[Keys, Any, bool]]:
    if isinstance(value, Mapping):
        sources = value.get("from") if "formula" in value else None
        for name, step in sources.items() if isinstance(sources, Mapping) else ():
            yield (*keys, "from", name), step, False
        for key, item in value.items():
            yield from _of_formulas((*keys, key), item)
    elif isinstance(value, list):
        for number, item in enumerate(value):
            yield from _of_formulas((*keys, number), item)


def _of_fault(keys: Keys, fault: Mapping[str, Any]) -> Iterator[tuple[Keys, Any, bool]]:
    confirm, signs = fault.get("confirm"), fault.get("signs")
    if isinstance(confirm, Mapping) and "step" in confirm:
        yield (*keys, "confirm", "step"), confirm["step"], False
    for name in signs if isinstance(signs, Mapping) else ():
        yield (*keys, "signs", name), name, True


def _path(
    files: Mapping[str, LibraryFile],
    file: LibraryFile,
    homes: list[str],
    text: Any,
    old: str,
    new: str,
) -> str | None:
    """A path of uses with the name replaced; None if the path does not resolve to it."""
    if not isinstance(text, str):
        return None
    parts, out = text.split("."), list[str]()
    here: LibraryFile | None = file
    if parts[0] == "closing" and len(parts) > 2:
        here, out, parts = files.get(parts[1]), parts[:2], parts[2:]
    for part in parts:
        if here is None:
            out.append(part)
            continue
        out.append(new if here.name in homes and part == old else part)
        step = here.held("steps").get(part)
        used = step.get("use") if isinstance(step, Mapping) else None
        here = files.get(used) if isinstance(used, str) else None
    return ".".join(out)


def _with(at: str, old: str, new: str) -> str:
    return ".".join(new if part == old else part for part in at.split("."))
