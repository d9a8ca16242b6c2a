"""Cases as benches write them; light, because programs started by the tests import it."""

from __future__ import annotations

import textwrap
from hashlib import sha256
from pathlib import Path

from faulttree.cases import open_store
from faulttree.walk.events import Answered, Opened

TREE = "bench-supply/no-output"
TEXT = '{"id":"bench-supply/no-output"}'
HASH = sha256(TEXT.encode()).hexdigest()


def at(minute: int = 0) -> str:
    return f"2026-02-{11 + minute // 1440:02d}T{minute // 60 % 24:02d}:{minute % 60:02d}:00.000Z"


def opened(serial: str = "tag 14", minute: int = 0, **more: object) -> Opened:
    unit = {"family": "bench-supply", "model": "two-channel", "serial": serial}
    values = {"tree": TREE, "tree_hash": HASH, "unit": unit, "complaint": "no output"} | more
    return Opened(at=at(minute), **values)  # type: ignore[arg-type]


def answered(step: str = "fuse", outcome: str = "intact", **more: object) -> Answered:
    return Answered(at=at(1), step=step, outcome=outcome, **more)  # type: ignore[arg-type]


def write_cases(url: str, writer: int, cases: int, acknowledged: str) -> None:
    with open_store(url) as store, Path(acknowledged).open("w") as told:
        for index in range(cases):
            name = store.open_case([opened(f"unit {writer}-{index}")])
            for sequence in (1, 2, 3):
                store.append(name, sequence, answered(outcome=f"{writer}-{index}-{sequence}"))
                told.write(f"{name} {sequence} {writer}-{index}-{sequence}\n")
                told.flush()


WALKER = textwrap.dedent(
    """
    import sys
    from hashlib import sha256
    from faulttree.cases import open_store
    from faulttree.walk.events import Answered, Opened

    at = "2026-02-11T09:00:00Z"
    tree = "{}"
    name = sha256(tree.encode()).hexdigest()
    store = open_store(sys.argv[1])
    while True:
        opened = Opened(at=at, tree="a/b", tree_hash=name, unit={"serial": "x"})
        case = store.open_case([opened], tree_text=tree)
        for sequence in range(1, 8):
            event = Answered(at=at, step=f"step-{sequence}", outcome="done", seconds=1.0)
            store.append(case, sequence, event)
            print(case, sequence, flush=True)
    """
)
