"""Make a new tree from a few answers, a fault table, or a case without a tree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faulttree.authoring.cause import Cause, Test, new_id, step_of
from faulttree.authoring.edited_check import EditedCheck, Unfit
from faulttree.errors import TreeError
from faulttree.rules.report import finding_dict
from faulttree.tree import Library, shipped_library
from faulttree.tree.edit import FileChange, block, write_all
from faulttree.tree.library import ID

if TYPE_CHECKING:
    from faulttree.tree.finding import Finding


SCHEMA = "# yaml-language-server: $schema=../../schemas/tree.schema.json"
BEYOND = "hand-over"
LAID_OUT = ("steps", "faults")
"""Parts of a tree whose entries are written with one key a line."""


@dataclass(frozen=True, slots=True)
class Start:
    """The general data of a new tree: id, title, symptoms and so on."""

    id: str
    title: str
    symptoms: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()

    @property
    def family(self) -> str:
        """The family, taken from the id."""
        return self.id.partition("/")[0]

    def head(self) -> dict[str, Any]:
        """The keys before the steps.

        Raises:
            TreeError: the id is not valid, or the title is missing.
        """
        family, slash, complaint = self.id.partition("/")
        if not slash or not ID.fullmatch(family) or not ID.fullmatch(complaint):
            remedy = "Write family/complaint in kebab-case, as in glue-gun/stays-cold."
            raise TreeError(f"`{self.id}` is not a valid id of a tree.", remedy=remedy)
        if not self.title.strip():
            raise TreeError("The tree has no title.", remedy="Give --title.")
        said = {"title": self.title, "family": family, "symptoms": list(self.symptoms),
                "cautions": list(self.cautions)}  # fmt: skip
        return {key: value for key, value in said.items() if value}


@dataclass(frozen=True, slots=True)
class KnownTest:
    """A possible fault and the test that shows it."""

    cause: Cause
    test: Test


@dataclass(frozen=True)
class NewTree:
    """A new tree; nothing is written yet.

    Attributes:
        findings: warnings about it; a tree with errors is not made.
    """

    id: str
    change: FileChange = field(repr=False)
    findings: tuple[Finding, ...] = ()
    expected_minutes: float | None = None

    def write(self) -> None:
        """Write the file.

        Raises:
            TreeError: a file of this name was written meanwhile.
            OSError: it cannot be written.
        """
        write_all([self.change])

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "tree": self.id,
            "path": str(self.change.path),
            "text": self.change.text,
            "expected_minutes": self.expected_minutes,
            "findings": [finding_dict(one) for one in self.findings],
        }


def begin(
    root: Path, start: Start, data: Mapping[str, Any], *, minutes: float | None = None
) -> NewTree:
    """Make a tree as a new file of a library and check it with every rule.

    Args:
        root: the library's folder; it need not exist yet.
        start: the id and general data of the tree.
        data: the tree document.
        minutes: expected minutes, if they were computed.

    Raises:
        TreeError: the tree already exists, or the new one has an error.
    """
    family, _, complaint = start.id.partition("/")
    path = root / "trees" / family / f"{complaint}.yaml"
    if path.exists():
        remedy = "Choose another complaint, or edit that one."
        raise TreeError(f"The tree `{start.id}` already exists.", path=path, remedy=remedy)
    text = tree_text(data)
    fit = (root / "trees").is_dir() or (root / "shared").is_dir()
    change = FileChange(path, None, text)
    found = EditedCheck(Library(root) if fit else shipped_library()).new(change)
    wrong = tuple(one for one in found if one.level == "error")
    if wrong:
        message = f"The new tree would break a rule: {wrong[0].message} [{wrong[0].rule}]"
        raise Unfit(message, wrong, path=path, line=wrong[0].line, remedy=wrong[0].remedy)
    return NewTree(start.id, change, found, minutes)


def tree_text(data: Mapping[str, Any]) -> str:
    """A tree document as a file in the usual form."""
    lines = [SCHEMA]
    for key, value in data.items():
        if key in ("steps", "faults", "stops"):
            lines.append("")
        if key in LAID_OUT and value:
            lines.append(f"{key}:")
            for number, (name, entry) in enumerate(value.items()):
                if number and key == "steps":
                    lines.append("")
                lines += block(str(name), entry, 2, 2)
        else:
            nested = isinstance(value, Mapping) and bool(value)
            lines += block(key, value, 0, 2, top=nested)
    return "\n".join(lines) + "\n"


# -- from answers ----------------------------------------------------------------------


def from_known(start: Start, known: Sequence[KnownTest]) -> dict[str, Any]:
    """A tree that tests one fault after another, by falling ratio of weight to minutes.

    Each test finds or clears one fault, and the last fault is tested too. Under these
    conditions this order has the least expected time (Smith 1956, weighted completion time).

    Raises:
        TreeError: there is no fault, or a needed value is missing.
    """
    if not known:
        raise TreeError("A tree needs a fault.", remedy="Name something that can be wrong.")
    ordered = sorted(known, key=lambda one: -_weight(one) / max(_minutes(one), 1e-9))
    taken = {BEYOND}
    steps: list[tuple[str, KnownTest, str]] = []
    faults: dict[str, Any] = {}
    for one in ordered:
        fault = one.cause.fault or new_id(one.cause.title, taken)
        taken.add(fault)
        step = one.test.step or new_id(one.test.called, taken)
        taken.add(step)
        proof = {"step": step, "gives": one.test.good}
        faults[fault] = {**one.cause.as_data(), "confirm": proof, "weight": _weight(one)}
        steps.append((step, one, fault))
    onward = [*(step for step, _, _ in steps[1:]), BEYOND]
    return _document(
        start,
        {step: step_of(one.test, fault, to)
         for (step, one, fault), to in zip(steps, onward, strict=True)},
        faults,
    )  # fmt: skip


def _document(start: Start, steps: dict[str, Any], faults: dict[str, Any]) -> dict[str, Any]:
    modules = list(dict.fromkeys(one["module"] for one in faults.values() if "module" in one))
    head = start.head()
    if modules:
        head["modules"] = modules
    data = {
        **head,
        "start": next(iter(steps)),
        "steps": steps,
        "faults": faults,
        "stops": {BEYOND: {"title": "Beyond this tree", "reason": "out-of-scope"}},
    }
    return {**data, "closing": list(start.closing)} if start.closing else data


def _weight(one: KnownTest) -> float:
    return 1.0 if one.cause.weight is None else one.cause.weight


def _minutes(one: KnownTest) -> float:
    return 1.0 if one.test.minutes is None else one.test.minutes


# -- from a fault table ----------------------------------------------------------------


def from_table(
    start: Start, text: str, path: Path, *, seconds: float | None = None
) -> tuple[dict[str, Any], float]:
    """Plan the cheapest order of a fault table in CSV; return the tree and expected minutes.

    Args:
        start: id and general data of the tree.
        text: the table.
        path: names the table in error messages.
        seconds: limit of the planning time; by default the amount of work is the limit.

    Raises:
        TableError: the table cannot be read.
        TreeError: the id is not valid, or the title is missing.
    """
    from faulttree.odds import plan, table_from_csv

    made = plan(table_from_csv(text, path=path), seconds=seconds)
    kept = {key: value for key, value in made.tree.items() if key not in ("title", "family")}
    data = {**start.head(), **kept}
    if start.closing:
        data["closing"] = list(start.closing)
    return data, made.expected_minutes
