"""Rules about fault tables (CSV): whether one can be reckoned with."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from faulttree.errors import FaulttreeError
from faulttree.rules.finding import Finding
from faulttree.rules.register import declare

declare(
    "broken-table",
    "table",
    "error",
    "A fault table that cannot be read gives no plan: a row or column is missing, a weight or "
    "cost is no number, a name stands twice.",
    "fault,weight,lamp\ndry-capacitor,many,dark",
)


def findings_of(text: str, path: Path | None, name: str) -> Iterator[Finding]:
    """Everything found in one fault table."""
    from faulttree.odds import table_from_csv

    try:
        table_from_csv(text, path)
    except FaulttreeError as error:
        lines = text.splitlines()
        line = error.line or 1
        source = lines[line - 1][:240] if line <= len(lines) else ""
        yield Finding(
            "broken-table", "error", error.message, name, line, error.column or 1,
            error.mend or "", "", source,
        )  # fmt: skip
