"""Rules about fault tables (CSV): whether one can be computed with."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.tree.document import Document
from faulttree.tree.finding import Finding, Level
from faulttree.tree.model import Where

if TYPE_CHECKING:
    from faulttree.odds import FaultTable


def findings_of(text: str, path: Path | None, name: str) -> Iterator[Finding]:
    """Everything found in one fault table."""
    from faulttree.odds.table_from_csv import table_from_csv

    document = Document(None, text, name="table")

    def found(
        rule: str, level: Level, message: str, remedy: str, line: int, column: int
    ) -> Finding:
        one = Finding(WHOLE, message, remedy, False, rule, level, None, name, line, column)
        return one.located(document)

    try:
        table = table_from_csv(text, path)
    except FaulttreeError as error:
        line, column = error.line or 1, error.column or 1
        yield found("broken-table", "error", error.message, error.remedy or "", line, column)
        return
    rows = {line.partition(",")[0].strip(' "\ufeff'): n for n, line in enumerate(document.lines, 1)}
    for group in alike(table):
        listed = ", ".join(f"`{fault}`" for fault in group)
        message = f"No test tells these faults apart: {listed}."
        remedy = "Add a test, or join them to one row."
        yield found("alike-in-table", "warning", message, remedy, rows.get(group[0], 1), 1)
    for number, test in enumerate(table.tests):
        shown = {entries[number] for entries in table.entries}
        if len(table.faults) > 1 and len(shown) == 1:
            column = max(document.line(1).find(test), 0) + 1
            message = f"Every fault shows the same at `{test}`."
            remedy = "Take the column out, or say what differs."
            yield found("test-tells-nothing", "note", message, remedy, 1, column)


WHOLE = Where("table", ())


def alike(table: FaultTable) -> Iterator[list[str]]:
    """Faults that no test of a table tells apart, two or more together."""
    left = list(range(len(table.faults)))
    while left:
        first, *rest = left
        like = [
            other
            for other in rest
            if not any(
                here and there and not set(here) & set(there)
                for here, there in zip(table.entries[first], table.entries[other], strict=True)
            )
        ]
        if like:
            yield [table.faults[number] for number in (first, *like)]
        left = [number for number in rest if number not in like]
