"""Simulate the record of an invented shop: three benches, two years, invented units.

For the demo, the docs, the tests and the benchmarks. The same packages as in real walks make the
walks: they judge outcomes, choose the next step and confirm repairs. The name of every bench
marks the record as invented.

Known truth: each unit has one fault, drawn with the tree's weights, which drift over the time;
its outcomes follow the paths and signs of the tree. Now and then a reading is wrong, a step is
skipped or gone back on, a walk is given up, a unit comes back.
"""

from __future__ import annotations

import datetime as dt
import random
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

from faulttree.cases.complete_case import whole_of
from faulttree.cases.journal.file import JournalTree
from faulttree.cases.rows import as_json
from faulttree.figures.simulation.shop import INVENTED, Shop, shares
from faulttree.figures.simulation.units import Ground
from faulttree.figures.simulation.walks import KnownFault, SimulatedVisit, SimulatedWalk
from faulttree.walk import events as ev

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.tree.model import Tree


EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


@dataclass(frozen=True)
class SimulatedCase:
    """One invented case: its id, its tree, its events, and the truth about the unit."""

    case: str
    tree: Tree
    events: tuple[ev.Event, ...]
    truth: str


def simulate(
    trees: Sequence[Tree], shop: Shop | None = None, *, cases: int = 1000
) -> Iterator[SimulatedCase]:
    """Invented cases, oldest first, the same each time for the same shop.

    Args:
        trees: the trees of the complaints, the first ones more often.
        shop: its parameters.
        cases: number of units that come in for the first time; returning units are extra.
    """
    shop = shop or Shop()
    drawn = random.Random(shop.seed)  # noqa: S311 - invented data, no secret
    grounds = {tree.id: KnownFault(Ground(tree, shop.seed)) for tree in trees}
    names = sorted(grounds, key=lambda name: drawn.random())
    popular = [1 / (rank + 3) for rank in range(len(names))]
    begins = dt.datetime.fromisoformat(f"{shop.begins}T08:00:00+00:00")
    whole = dt.timedelta(days=30.4375 * shop.months)
    again: list[tuple[dt.datetime, SimulatedVisit]] = []
    for number in range(cases):
        at = begins + whole * (number + drawn.random()) / cases
        while again and again[0][0] <= at:
            when, visit = again.pop(0)
            yield _walk(shop, visit, when, drawn)
        known = grounds[drawn.choices(names, popular)[0]]
        part = (at - begins) / whole
        fault = _fault_of(shop, known.ground.tree, part, drawn)
        visit = SimulatedVisit(known, fault, f"tag {number + 1} {INVENTED}", _model(known, drawn))
        walk = _walk(shop, visit, at, drawn)
        yield walk
        if _fixed(walk) and drawn.random() < shop.returns:
            again.append((at + dt.timedelta(days=drawn.uniform(5, 85)), visit))
            again.sort(key=lambda pair: pair[0])
    for when, visit in again:
        if when < begins + whole:
            yield _walk(shop, visit, when, drawn)


def _fixed(walk: SimulatedCase) -> bool:
    last = walk.events[-1]
    return isinstance(last, ev.Closed) and last.result == "fixed"


def fill(
    store: Store,
    trees: Sequence[Tree],
    shop: Shop | None = None,
    *,
    cases: int = 1000,
    progress: Callable[[int], None] | None = None,
) -> int:
    """Write an invented record to a store; return the number of cases.

    Raises:
        RecordError: the record cannot be written.
    """
    return keep(store, simulate(trees, shop, cases=cases), progress=progress)


def keep(
    store: Store, walks: Iterable[SimulatedCase], *, progress: Callable[[int], None] | None = None
) -> int:
    """Write invented walks to a store; return their number.

    Raises:
        RecordError: the record cannot be written.
    """
    done, kept = 0, set[str]()
    left = iter(walks)
    while batch := list(islice(left, 500)):
        trees = {walk.tree.hash: walk.tree for walk in batch if walk.tree.hash not in kept}
        kept |= trees.keys()
        cases = [
            whole_of(
                walk.case, walk.events, [("invented", as_json(e.to_dict())) for e in walk.events]
            )
            for walk in batch
        ]
        texts = [JournalTree(name, trees[name].text) for name in sorted(trees)]
        store.merge([*texts, *cases])
        done += len(batch)
        if progress is not None:
            progress(done)
    return done


def _fault_of(shop: Shop, tree: Tree, part: float, drawn: random.Random) -> str:
    if drawn.random() < shop.unknown:
        return ""
    known = shares(shop, tree, part)
    return drawn.choices(list(known), list(known.values()))[0]


def _model(known: KnownFault, drawn: random.Random) -> str:
    models = [model for rating in known.ground.tree.ratings.values() for model in rating.models]
    return drawn.choice(sorted(set(models))) if models else ""


def _case_id(at: dt.datetime, drawn: random.Random) -> str:
    """A UUID of version 7 as :func:`faulttree.cases.new_id` makes it, from the shop's dice."""
    milliseconds = (at - EPOCH) // dt.timedelta(milliseconds=1) & (1 << 48) - 1
    value = milliseconds << 80 | 0x7 << 76 | drawn.getrandbits(12) << 64
    return str(uuid.UUID(int=value | 0b10 << 62 | drawn.getrandbits(62)))


def _walk(
    shop: Shop, visit: SimulatedVisit, at: dt.datetime, drawn: random.Random
) -> SimulatedCase:
    walking = SimulatedWalk(shop, visit, at, drawn)
    walking.go()
    case = _case_id(at, drawn)
    return SimulatedCase(case, visit.known.ground.tree, tuple(walking.events), visit.fault)
