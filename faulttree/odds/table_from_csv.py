"""A fault table from CSV, as people type it or a spreadsheet saves it.

::

    fault,weight,lamp,rail,ripple
    minutes,,1,4,6
    access,,,cover-off:6,cover-off
    after,,,,rail
    dry-reservoir,4,off,low,high
    open-bridge,1,off,low|dead,
    blown-fuse,2,off,dead,

The rows ``minutes``, ``access`` and ``after`` are optional and may stand anywhere below the
header. An access state is ``name``, ``name:minutes`` or ``name:minutes:group``; several are
joined by ``|``, and its minutes are said at least once. An empty cell of a fault says
nothing; ``a|b`` means either. Semicolons or tabs may stand for the commas; with them a
decimal comma is understood. A first line ``sep=;`` names the separator.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from faulttree.odds.table import FaultTable, TableError, make_table
from faulttree.tree.model import Access

__all__ = ["table_from_csv"]

SEPARATOR = re.compile(r"sep=([,;\t])")
"""A first line that names the separator, as spreadsheets write it."""

LEAST = 1e-12
"""The least weight or minutes: sums of numbers further apart lose the smaller one."""

THOUSANDS = re.compile(r"-?[1-9]\d{0,2}([.,]\d{3})+")
"""A figure such as 1.000 or 2,500: a thousand in one country, one in another."""

SPECIAL = ("minutes", "access", "after")


def table_from_csv(text: str, path: Path | str | None = None) -> FaultTable:
    """A fault table from the text of a CSV file.

    Args:
        text: the whole file; a byte-order mark is skipped.
        path: where it came from, for messages and for the table's name.

    Raises:
        TableError: with line and column, wherever the text is no such table.
    """
    sheet = _Sheet(text.removeprefix("\ufeff"), path)
    tests = sheet.header()
    rows = _rows(sheet, tests)
    entries = {
        (fault, test): sheet.outcomes(row.cells[2 + at], row, 2 + at)
        for fault, row in rows.faults.items()
        for at, test in enumerate(tests)
    }
    outcomes: dict[str, dict[str, None]] = {test: {} for test in tests}
    for (_, test), shown in entries.items():
        outcomes[test].update(dict.fromkeys(shown))
    _two_outcomes(sheet, rows, tests, outcomes)
    access, states = _access(sheet, tests, rows.special.get("access"))
    try:
        return make_table(
            {fault: _weight(sheet, row) for fault, row in rows.faults.items()},
            # A column that says nothing of any fault still is a test, with one outcome.
            {test: tuple(shown) or ("done",) for test, shown in outcomes.items()},
            entries,
            minutes=_minutes(sheet, tests, rows.special.get("minutes")),
            access=access,
            after=_after(sheet, tests, rows.special.get("after")),
            states=states,
            name=Path(path).stem if path is not None else "fault table",
        )
    except TableError as error:
        if error.path is None:
            error.path = sheet.path
        raise


def _two_outcomes(
    sheet: _Sheet, rows: _Rows, tests: list[str], outcomes: Mapping[str, Mapping[str, None]]
) -> None:
    """Refuse a column with one outcome and blank cells: it would say nothing, without a word.

    Raises:
        TableError: at the first blank cell of such a column.
    """
    for at, test in enumerate(tests):
        blank = next((row for row in rows.faults.values() if not row.cells[2 + at]), None)
        if len(outcomes[test]) == 1 and blank is not None:
            (only,) = outcomes[test]
            raise sheet.wrong(
                f"{test!r} has the one outcome {only!r} and blank cells, so it tells nothing apart",
                blank, 2 + at,
                "A blank means that nothing is known. Write what the other faults show.",
            )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: tuple[str, ...]


@dataclass
class _Rows:
    faults: dict[str, _Row] = field(default_factory=dict)
    special: dict[str, _Row] = field(default_factory=dict)


class _Sheet:
    """The cells of a text, and the words for what is wrong with them."""

    def __init__(self, text: str, path: Path | str | None) -> None:
        self.path = Path(path) if path is not None else None
        self.lines = text.splitlines()
        first = next((line for line in self.lines if line.strip()), "")
        said = SEPARATOR.fullmatch(first.strip())
        self.comma = max(",;\t", key=first.count) if first else ","
        if said is not None:
            self.comma = said[1]
        self.rows = self._read(text)[1 if said is not None else 0 :]

    def _read(self, text: str) -> list[_Row]:
        if "\0" in text:
            at = text.index("\0")
            line = text.count("\n", 0, at) + 1
            raise TableError(
                "this is not a text file",
                path=self.path,
                line=line,
                column=at - (text.rfind("\n", 0, at) + 1) + 1,
                remedy="Save the table as CSV.",
            )
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=self.comma, strict=True)
        rows, line = [], 1
        try:
            for cells in reader:
                if any(cell.strip() for cell in cells):
                    rows.append(_Row(line, tuple(cell.strip() for cell in cells)))
                line = reader.line_num + 1
        except csv.Error as error:
            raise TableError(
                f"the quotes do not match up ({error})",
                path=self.path,
                line=line,
                column=1,
                remedy="Close every quotation mark, and double those inside a cell.",
            ) from None
        return rows

    def wrong(self, message: str, row: _Row, cell: int, remedy: str) -> TableError:
        """An error at one cell, counted from 0."""
        return TableError(
            message, path=self.path, line=row.line, column=self._column(row, cell), remedy=remedy
        )

    def _column(self, row: _Row, cell: int) -> int:
        """The character at which a cell starts in its line, from 1."""
        line = self.lines[row.line - 1] if row.line <= len(self.lines) else ""
        quoted, passed = False, 0
        for at, sign in enumerate(line):
            if passed == cell:
                return at + 1
            if sign == '"':
                quoted = not quoted
            elif sign == self.comma and not quoted:
                passed += 1
        return len(line) + 1

    def header(self) -> list[str]:
        """The names of the tests."""
        if not self.rows:
            raise TableError(
                "the table is empty",
                path=self.path,
                line=1,
                column=1,
                remedy="Start with the line: fault,weight,<test>,<test>",
            )
        head = self.rows[0]
        for at, wanted in enumerate(("fault", "weight")):
            found = head.cells[at] if at < len(head.cells) else ""
            if found.lower() != wanted:
                raise self.wrong(
                    f"the header has {found!r} where {wanted!r} belongs", head, at,
                    "Start with the line: fault,weight,<test>,<test>",
                )  # fmt: skip
        tests = list(head.cells[2:])
        while tests and not tests[-1]:
            tests.pop()
        if not tests:
            raise self.wrong("the table has no tests", head, 2, "Give each test a column.")
        for at, test in enumerate(tests):
            if not test:
                raise self.wrong("a test has no name", head, 2 + at, "Name it in the header.")
            if test in tests[:at]:
                raise self.wrong(
                    f"two tests are called {test!r}", head, 2 + at, "Give each its own name."
                )
        return tests

    def number(self, text: str, row: _Row, cell: int) -> float:
        """A plain number, with a decimal comma where the cells are not parted by commas."""
        if self.comma != "," and THOUSANDS.fullmatch(text):
            raise self.wrong(
                f"{text!r} has two readings: with thousands, or with decimals", row, cell,
                "Write it without a separator of thousands, and decimals with one digit or two.",
            )  # fmt: skip
        plain = text if self.comma == "," else text.replace(",", ".")
        try:
            value = float(plain)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise self.wrong(f"{text!r} is no number", row, cell, "Write it like 2 or 2.5.")
        if value and not LEAST <= abs(value) <= 1 / LEAST:
            raise self.wrong(
                f"{text} is too small or too large a number", row, cell,
                f"Write one between {LEAST:g} and {1 / LEAST:g}.",
            )  # fmt: skip
        return value

    def outcomes(self, text: str, row: _Row, cell: int) -> tuple[str, ...]:
        """The outcomes a cell names."""
        if not text:
            return ()
        names = tuple(part.strip() for part in text.split("|"))
        if not all(names):
            raise self.wrong(
                f"{text!r} leaves out an outcome", row, cell, "Name one on each side of |."
            )
        return tuple(dict.fromkeys(names))


def _rows(sheet: _Sheet, tests: list[str]) -> _Rows:
    rows = _Rows()
    wide = 2 + len(tests)
    for row in sheet.rows[1:]:
        extra = next((at for at, cell in enumerate(row.cells) if at >= wide and cell), None)
        if extra is not None:
            raise sheet.wrong(
                f"this row has a cell beyond the {len(tests)} tests of the header", row, extra,
                "Take it out, or name its test in the header.",
            )  # fmt: skip
        if len(row.cells) < wide:
            raise sheet.wrong(
                f"this row has {len(row.cells)} cells, the header {wide}",
                row,
                len(row.cells),
                "Leave a cell empty rather than out.",
            )
        name = row.cells[0]
        special = name.lower() in SPECIAL
        shelf, key = (rows.special, name.lower()) if special else (rows.faults, name)
        if not name:
            raise sheet.wrong("a fault has no name", row, 0, "Name it in the first cell.")
        if key in shelf:
            raise sheet.wrong(
                f"{name!r} has a row already, in line {shelf[key].line}", row, 0,
                "Keep one of the two.",
            )  # fmt: skip
        shelf[key] = row
    if not rows.faults:
        raise sheet.wrong("the table has no faults", sheet.rows[-1], 0, "Give each fault a row.")
    return rows


def _weight(sheet: _Sheet, row: _Row) -> float:
    text = row.cells[1]
    weight = sheet.number(text, row, 1) if text else 1.0
    if weight <= 0:
        raise sheet.wrong(f"a weight of {text}", row, 1, "Give a number above 0.")
    return weight


def _cells(row: _Row | None, tests: list[str]) -> Iterator[tuple[int, str, str]]:
    """(cell, test, text) of the filled cells of a special row."""
    if row is not None:
        for at, test in enumerate(tests):
            if row.cells[2 + at]:
                yield 2 + at, test, row.cells[2 + at]


def _minutes(sheet: _Sheet, tests: list[str], row: _Row | None) -> dict[str, float]:
    minutes = {}
    for cell, test, text in _cells(row, tests):
        assert row is not None
        minutes[test] = sheet.number(text, row, cell)
        if minutes[test] < 0:
            raise sheet.wrong(f"{text} minutes", row, cell, "Give 0 or more.")
    return minutes


def _access(
    sheet: _Sheet, tests: list[str], row: _Row | None
) -> tuple[dict[str, list[str]], Mapping[str, Access]]:
    access: dict[str, list[str]] = {}
    said: dict[str, tuple[float, str | None]] = {}
    met: dict[str, int] = {}
    for cell, test, text in _cells(row, tests):
        assert row is not None
        for part in sheet.outcomes(text, row, cell):
            name, *figures = (piece.strip() for piece in part.split(":"))
            if not name or len(figures) > 2:
                raise sheet.wrong(
                    f"{part!r} is no access state", row, cell, "Write state, or state:minutes."
                )
            access.setdefault(test, []).append(name)
            met.setdefault(name, cell)
            if figures:
                group = figures[1] if len(figures) > 1 else ""
                given = (sheet.number(figures[0], row, cell), group or None)
                if said.setdefault(name, given) != given or given[0] < 0:
                    raise sheet.wrong(
                        f"{part!r} does not go with what was said of {name!r} before",
                        row, cell, "Give its minutes once, 0 or more.",
                    )  # fmt: skip
    for name, cell in met.items():
        if name not in said:
            assert row is not None
            raise sheet.wrong(
                f"nothing says how long {name!r} takes", row, cell, f"Write {name}:<minutes> once."
            )
    return access, {name: Access(name, cost, group=group) for name, (cost, group) in said.items()}


def _after(sheet: _Sheet, tests: list[str], row: _Row | None) -> dict[str, tuple[str, ...]]:
    after = {}
    for cell, test, text in _cells(row, tests):
        assert row is not None
        after[test] = sheet.outcomes(text, row, cell)
        for name in after[test]:
            if name not in tests or name == test:
                raise sheet.wrong(
                    f"{test!r} cannot come after {name!r}", row, cell,
                    "Name another test of the header.",
                )  # fmt: skip
    return after
