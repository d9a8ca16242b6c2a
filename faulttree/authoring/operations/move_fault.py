"""Move a fault to another module, in every tree that has the fault.

Module and id identify a cause in all trees, and its cases are counted by them. The file keeps
the former module (``moved_from``), so that earlier cases still count.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

from faulttree.authoring.edited_check import check_whole
from faulttree.authoring.files import ID, LibraryFile, files_of, same_cause
from faulttree.errors import TreeError
from faulttree.tree import Library
from faulttree.tree.edit import ChangeSet, Editor, FileChange
from faulttree.tree.finding import near


@dataclass(frozen=True)
class FaultMove(ChangeSet):
    """The changes that move a fault to another module; nothing is written yet.

    Attributes:
        old: its module before, or the family if it had none.
        trees: ids of the trees in which its module changes.
        joined: trees that already have this fault in the new module; both are one cause
            from now on, with one history.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"old": "from_module", "new": "to_module"}

    kind: str = field(default="fault", init=False)
    fault: str
    old: str
    new: str
    trees: tuple[str, ...]
    joined: tuple[str, ...]


def move_fault(library: Library, where: str, fault: str, module: str) -> FaultMove:
    """Move a fault to another module, in every tree in which it is the same cause.

    Args:
        library: whose trees.
        where: id of a tree that has it.
        fault: its id.
        module: its new module.

    Raises:
        TreeError: there is no such fault, it is already in the module, the module is not a
            valid id, or the new texts break a rule.
    """
    path = library.path_of(where)
    files = {one.name: one for one in files_of(library)}
    if where not in files:
        remedy = "Copy the file into your own library, or name that library with --library."
        raise TreeError("This tree is in a lower library.", path=path, remedy=remedy)
    home = files[where]
    old = home.holder(fault)
    if old is None:
        remedy = near(fault, home.held("faults")) or "Name one of its faults."
        raise TreeError(f"`{where}` has no fault `{fault}`.", path=path, remedy=remedy)
    if not ID.fullmatch(module):
        remedy = "Ids are kebab-case: small letters, digits and single hyphens."
        raise TreeError(f"`{module}` is not a valid id of a module.", path=path, remedy=remedy)
    if module == old:
        remedy = "Name another module."
        raise TreeError(f"`{fault}` belongs to `{module}` already.", path=path, remedy=remedy)
    moved = [home, *(files[name] for name in same_cause(files, home, fault))]
    joined = [one for one in files.values() if one.kind == "tree" and one.holder(fault) == module]
    before = dict.fromkeys(name for one in (*moved, *joined) for name in _former(one, fault))
    former = [name for name in before if name != module]
    former += [old] if old not in former else []
    changes = [_moved(one, fault, old, module, former) for one in moved]
    changes += [change for one in joined if (change := _remembering(one, fault, former))]
    check_whole(library, changes)
    trees, others = (tuple(one.name for one in files) for files in (moved, joined))
    return FaultMove(fault, old, module, trees, others, changes=tuple(changes))


def _former(file: LibraryFile, fault: str) -> Sequence[str]:
    found = file.held("faults")[fault].get("moved_from")
    return [str(name) for name in found] if isinstance(found, list) else []


def _moved(
    file: LibraryFile, fault: str, old: str, module: str, former: Sequence[str]
) -> FileChange:
    editor, raw = file.editor(), file.held("faults")[fault]
    editor.put(("faults", fault), "module", module, after=_before_module(raw))
    _remember(editor, file, fault, module, former)
    _list(editor, file, fault, old, module)
    return editor.change()


def _before_module(raw: Mapping[str, Any]) -> str:
    return "part" if "part" in raw else "title"


def _remembering(file: LibraryFile, fault: str, former: Sequence[str]) -> FileChange | None:
    """Add the former modules to a tree that already had the fault in the new module."""
    editor = file.editor()
    _remember(editor, file, fault, "", former)
    return editor.change() if editor.touched else None


def _remember(
    editor: Editor, file: LibraryFile, fault: str, module: str, former: Iterable[str]
) -> None:
    """Add the former module to ``moved_from``; cases of the own family count without it."""
    raw, known = file.held("faults")[fault], _former(file, fault)
    missing = [name for name in former if name not in known and name != file.data.get("family")]
    if not known:
        if missing:
            after = "module" if "module" in raw else _before_module(raw)
            editor.add(("faults", fault), "moved_from", missing, after=after)
        return
    if module in known and missing:
        # The fault returns to a former module: the other module becomes the former one.
        editor.set(("faults", fault, "moved_from", known.index(module)), missing.pop(0))
    for name in missing:
        editor.append(("faults", fault, "moved_from"), name)


def _list(editor: Editor, file: LibraryFile, fault: str, old: str, module: str) -> None:
    """Update the list of modules of the tree."""
    listed = file.data.get("modules")
    if not isinstance(listed, list) or module in listed:
        return
    others = [name for name in file.held("faults") if name != fault]
    if old in listed and all(file.holder(name) != old for name in others):
        editor.set(("modules", listed.index(old)), module)
    else:
        editor.append(("modules",), module)
