"""Findings that are known: a list outside the files, which may only shrink.

``accepted`` in a file says that a finding may stand, and why. A list of known findings says only
that they are older than the list: new ones fail a run, and an entry that matches nothing fails it
too, so that what is corrected is also taken off the list.

A line of the list is ``PATH RULE KEYS``: the end of the file's path, the rule's id and the keys
that lead to the place, joined by dots; ``.`` for the file itself. Empty lines and lines that begin
with ``#`` count as nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path, PurePath

from faulttree.errors import TreeError
from faulttree.rules.report import Report, once
from faulttree.tree.finding import Finding
from faulttree.tree.model import Where
from faulttree.tree.source import load_text


def known_line(finding: Finding, root: Path) -> str:
    """The line of a list that stands for a finding of a library.

    Example:
        >>> where = Where("tree", ("symptoms", 0))
        >>> one = Finding(where, "", rule="symptom-not-seen", path="/lib/trees/lamp/dark.yaml")
        >>> known_line(one, Path("/lib"))
        'trees/lamp/dark.yaml symptom-not-seen symptoms.0'
    """
    path = PurePath(finding.path)
    inside = path.relative_to(root) if path.is_relative_to(root) else path
    return f"{inside.as_posix()} {finding.rule} {_keys(finding)}"


def without_known(report: Report, file: Path) -> Report:
    """The report without the findings that a list names.

    Args:
        report: what was found.
        file: the list.

    Returns:
        The report; an entry that matches nothing is a finding of its own, of the rule
        ``known-no-longer``.

    Raises:
        TreeError: the list cannot be opened, or a line of it is none.
    """
    entries = list(_read(file))
    by_rule = Counter((rule, keys) for _, _, rule, keys in entries)
    left, used = [], set[int]()
    for finding in report.findings:
        key = (finding.rule, _keys(finding))
        matching = [
            number
            for number, path, *other in (entries if key in by_rule else ())
            if tuple(other) == key and f"/{PurePath(finding.path).as_posix()}".endswith(f"/{path}")
        ]
        used.update(matching)
        if not matching:
            left.append(finding)
    left += _unused(file, [entry for entry in entries if entry[0] not in used])
    return replace(report, findings=once(left))


def _keys(finding: Finding) -> str:
    return ".".join(str(key).replace(" ", "_") for key in finding.where.keys) or "."


def _read(file: Path) -> Iterable[tuple[int, str, str, str]]:
    """Number of the line, path, rule and keys of each entry."""
    for number, line in enumerate(load_text(file).splitlines(), 1):
        words = line.split()
        if words and not line.startswith("#"):
            if len(words) != 3:
                raise TreeError(
                    "A line of known findings is `PATH RULE KEYS`.",
                    path=file,
                    line=number,
                    column=1,
                    remedy="Write the three words, or remove the line.",
                )
            yield number, words[0], words[1], words[2]


def _unused(file: Path, entries: list[tuple[int, str, str, str]]) -> Iterable[Finding]:
    for number, path, rule, keys in entries:
        yield Finding(
            Where("", ()),
            f"`{rule}` finds nothing at {keys} of {path}.",
            "Remove this line.",
            rule="known-no-longer",
            level="note",
            path=str(file),
            line=number,
            column=1,
            source=f"{path} {rule} {keys}",
        )
