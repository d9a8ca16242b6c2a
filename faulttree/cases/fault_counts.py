"""How often each fault was confirmed: one module's history serves every family it is in."""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING

from sqlalchemy import Connection, select

from faulttree.cases.tables import CONFIRMED, TREES

if TYPE_CHECKING:
    from faulttree.cases.store import Store


def confirmed(store: Store) -> dict[tuple[str, str], float]:
    """(module, or family where a fault has none; fault) → confirmed cases.

    A case counts when it was closed as fixed, which needs a confirmed repair, and the unit
    did not come back with it.

    Raises:
        RecordError: the record cannot be read.
    """

    def work(connection: Connection) -> dict[tuple[str, str], float]:
        rows = connection.execute(
            select(
                CONFIRMED.c.tree_hash, CONFIRMED.c.family, CONFIRMED.c.fault, CONFIRMED.c.cases
            ).where(CONFIRMED.c.cases > 0)
        ).all()
        hashes = {row[0] for row in rows}
        texts = connection.execute(
            select(TREES.c.hash, TREES.c.text).where(TREES.c.hash.in_(hashes))
        )
        modules = {name: _modules(text) for name, text in texts}
        counts: Counter[tuple[str, str]] = Counter()
        for tree_hash, family, fault, count in rows:
            counts[modules.get(tree_hash, {}).get(fault) or family, fault] += count
        return {identity: float(count) for identity, count in counts.items()}

    return store.read(work)


def _modules(text: str) -> dict[str, str]:
    """Fault → module in a stored tree; a text that cannot be read tells nothing."""
    try:
        faults = json.loads(text)["tree"]["faults"]
    except (ValueError, KeyError, TypeError):
        return {}
    return {name: str(fault.get("module") or "") for name, fault in faults.items()}
