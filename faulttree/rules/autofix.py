"""What has one safe mend is mended in the file, and nothing else of it changes.

A mend is a splice of the text at the finding's place, so that comments, order and quotes stay.
That nothing else changed is then proved: ruamel.yaml reads the text before and after, and the
two may differ in the one word only. Targets are never mended: a guess there would send a
technician another way.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import Path

from faulttree.rules.finding import Finding
from faulttree.tree.edit import FileChange, spelt, write_all

__all__ = ["Fix", "mend_files", "mends_of", "spliced"]

NAMES = frozenset(("unknown-key", "unknown-caution", "unknown-instrument", "module-spelt-twice"))
"""Rules whose mend is another spelling of one word that means nothing as it stands."""

CHARACTERS = frozenset(("hidden-character",))
"""Rules whose mend is to take one character out."""

ALIKE = 0.8
"""Least likeness (difflib's ratio, 0 to 1) of a misspelt word and what it is taken for; the
same letters in another order count as alike too."""

ONE_NAME = re.compile(r"^(?:Did you mean|Write) `([^`]+)`[?.]$")
WORD = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class Fix:
    """One splice: at a place of a file, this text for that."""

    path: Path
    line: int
    column: int
    old: str
    new: str
    rule: str

    @property
    def text(self) -> str:
        """What is done, for people."""
        place = f"{self.path}:{self.line}:{self.column}"
        if self.new:
            return f"{place}: `{self.old}` is now `{self.new}` [{self.rule}]"
        return f"{place}: U+{ord(self.old):04X} is taken out [{self.rule}]"


def mends_of(findings: Iterable[Finding]) -> Iterator[Fix]:
    """The findings that have one safe mend."""
    for finding in findings:
        mend = _mend(finding)
        if mend is not None:
            yield mend


def _mend(finding: Finding) -> Fix | None:
    path, rest = Path(finding.path), finding.source[finding.column - 1 :]
    if not finding.path or finding.path.startswith("<"):
        return None
    if finding.rule in CHARACTERS:
        named = re.search(r"U\+([0-9A-F]{4,6})", finding.message)
        if named is None or not rest.startswith(chr(int(named[1], 16))):
            return None
        return Fix(path, finding.line, finding.column, rest[0], "", finding.rule)
    told, written = ONE_NAME.match(finding.mend), WORD.match(rest.lstrip("\"'"))
    if finding.rule not in NAMES or told is None or written is None:
        return None
    column = finding.column + len(rest) - len(rest.lstrip("\"'"))
    likeness = SequenceMatcher(None, written[0], told[1]).ratio()
    turned = sorted(written[0]) == sorted(told[1])
    if written[0] == told[1] or not (turned or likeness >= ALIKE):
        return None
    return Fix(path, finding.line, column, written[0], told[1], finding.rule)


def mend_files(findings: Iterable[Finding]) -> list[Fix]:
    """Mend what has one safe mend, file by file.

    Returns:
        What was done. A file in which a splice would change anything else is left as it is.

    Raises:
        TreeError: where a file is changed meanwhile.
        OSError: where a file cannot be written.
    """
    by_file: dict[Path, list[Fix]] = {}
    for mend in mends_of(findings):
        by_file.setdefault(mend.path, []).append(mend)
    done: list[Fix] = []
    for path, mends in by_file.items():
        raw = path.read_bytes()
        text = raw.decode("utf-8")
        kept: list[Fix] = []
        # From the end of the file upwards, so that places stay where they are.
        for mend in sorted(mends, key=lambda m: (m.line, m.column), reverse=True):
            changed = spliced(text, mend)
            if changed is not None:
                text = changed
                kept.append(mend)
        if kept:
            write_all([FileChange(path, raw, text.removeprefix("\ufeff"))])
            done += reversed(kept)
    return done


def spliced(text: str, mend: Fix) -> str | None:
    """The text with one mend, or None where more than that would change."""
    from faulttree.tree.source import LINE_END

    begin = 0
    for _ in range(mend.line - 1):
        end = LINE_END.search(text, begin)
        if end is None:
            return None
        begin = end.end()
    at = begin + mend.column - 1 + (1 if text.startswith("\ufeff") and mend.line == 1 else 0)
    if not text.startswith(mend.old, at):
        return None
    changed = text[:at] + mend.new + text[at + len(mend.old) :]
    if mend.rule in CHARACTERS:
        return changed
    return changed if _differ_once(text, changed, mend.old, mend.new) else None


def _differ_once(before: str, after: str, old: str, new: str) -> bool:
    """Whether two texts say the same but for one word, in the same order."""
    one, two = spelt(before), spelt(after)
    if one is None or two is None or len(one) != len(two):
        return False
    differing = [pair for pair in zip(one, two, strict=True) if pair[0] != pair[1]]
    return differing in ([(old, new)], [(f"{old}:", f"{new}:")])
