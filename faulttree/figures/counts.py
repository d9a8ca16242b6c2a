"""Count the record with a few queries, whatever its size.

Most counts come from the tables that are derived from the events (``cases`` and ``steps``);
:mod:`faulttree.cases.repair.verify` can build these again. Only the reasons of giving up and
the failed repairs are read from the events themselves.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    ColumnElement,
    Connection,
    Label,
    Text,
    and_,
    cast,
    distinct,
    func,
    or_,
    select,
)

from faulttree.cases.filters import conditions
from faulttree.cases.historical_tree import tree_of
from faulttree.cases.phases import phase_columns
from faulttree.cases.tables import CASES, EVENTS, STEPS

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.tree.model import Tree


Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CaseCounts:
    """Number of cases with the same text of a tree, result and month."""

    tree: str
    tree_hash: str
    state: str
    result: str
    fault: str
    came_back: bool
    month: str
    count: int
    first: str
    last: str


@dataclass(frozen=True, slots=True)
class ClosedCase:
    """One closed case: how long it took and what came of it.

    Attributes:
        repairs: how many were tried.
        finding, repair, closing: minutes, as in :class:`faulttree.cases.phases.Phases`.
    """

    number: int
    tree_hash: str
    result: str
    fault: str
    became: str
    who: str
    opened: str
    closed: str
    came_back: str
    model: str
    tag: str
    repairs: int
    finding: float
    repair: float
    closing: float


@dataclass(frozen=True, slots=True)
class AnswerCounts:
    """Number of answers to one step with the same outcome and ending of the case.

    Attributes:
        standing: False if the technician went back over them.
        later: given after a repair was tried.
        answers: how many there are, in ``cases`` different cases.
        minutes: of those that were timed.
        values: how many readings there are; ``total`` and ``squares`` are their sum and sum of
            squares in the base unit.
    """

    tree_hash: str
    result: str
    fault: str
    step: str
    outcome: str
    standing: bool
    skipped: bool
    later: bool
    answers: int
    cases: int
    minutes: Floats
    values: int
    total: float
    squares: float
    unit: str


@dataclass(frozen=True, slots=True)
class EndCounts:
    """A case that was given up, suspects left untested, or a repair that did not hold."""

    number: int
    tree_hash: str
    result: str
    fault: str
    event: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Tallies:
    """All counts, not yet sorted by tree."""

    cases: tuple[CaseCounts, ...]
    closed: tuple[ClosedCase, ...]
    answers: tuple[AnswerCounts, ...]
    ended: tuple[EndCounts, ...]
    benches: tuple[str, ...]


def tally(store: Store, part: Sequence[ColumnElement[bool]] = (), **wanted: Any) -> Tallies:
    """Count the record, or the part of it that filters name.

    Args:
        store: the record.
        part: conditions on its cases besides the filters.
        **wanted: filters, see :func:`faulttree.cases.filters.conditions`.

    Raises:
        RecordError: a filter that is not known, or the record cannot be read.
    """

    def work(connection: Connection) -> Tallies:
        where = [*part, *conditions(connection, wanted)]
        return Tallies(
            tuple(_cases(connection, where)),
            tuple(_closed(connection, where)),
            tuple(_answers(connection, where)),
            tuple(_ended(connection, where)),
            tuple(_benches(connection, where)),
        )

    return store.read(work)


def _cases(connection: Connection, where: Sequence[Any]) -> Iterator[CaseCounts]:
    keys = (
        *(CASES.c.tree, CASES.c.tree_hash, CASES.c.state, CASES.c.result, CASES.c.fault),
        (CASES.c.came_back != "").label("again"),
        func.substr(CASES.c.opened, 1, 7).label("month"),
    )
    asked = select(
        *keys,
        func.count().label("count"),
        func.min(CASES.c.opened).label("first"),
        func.max(CASES.c.opened).label("last"),
    )
    for row in connection.execute(asked.where(*where).group_by(*_names(keys))):
        found = dict(row._mapping)
        back = bool(found.pop("again"))
        yield CaseCounts(**found, came_back=back)


def _closed(connection: Connection, where: Sequence[Any]) -> Iterator[ClosedCase]:
    names = (
        *("tree_hash", "result", "fault", "became", "who", "opened", "closed", "came_back"),
        *("model", "tag"),
    )
    asked = (
        select(
            CASES.c.number,
            *(CASES.c[name] for name in names),
            func.coalesce(func.max(STEPS.c.round), 0),
            *phase_columns(),
        )
        .select_from(CASES.outerjoin(STEPS, STEPS.c.number == CASES.c.number))
        .where(CASES.c.state == "closed", *where)
        .group_by(CASES.c.number)
    )
    for row in connection.execute(asked):
        yield ClosedCase(*row)  # type: ignore[call-arg]  # one column a field


def _answers(connection: Connection, where: Sequence[Any]) -> Iterator[AnswerCounts]:
    keys = (
        *(CASES.c.tree_hash, CASES.c.result, CASES.c.fault, STEPS.c.step, STEPS.c.outcome),
        *(STEPS.c.standing, STEPS.c.skipped, (STEPS.c.round > 0).label("later")),
    )
    value = STEPS.c.value
    asked = (
        select(
            *keys,
            func.count().label("answers"),
            func.count(distinct(STEPS.c.number)).label("cases"),
            _listed(STEPS.c.minutes).label("minutes"),
            func.count(value).label("values"),
            func.coalesce(func.sum(value), 0.0).label("total"),
            func.coalesce(func.sum(value * value), 0.0).label("squares"),
            func.max(STEPS.c.unit).label("unit"),
        )
        .select_from(STEPS.join(CASES, CASES.c.number == STEPS.c.number))
        .where(*where)
        .group_by(*_names(keys))
    )
    for row in connection.execute(asked):
        found = dict(row._mapping)
        flags = {name: bool(found.pop(name)) for name in ("standing", "skipped", "later")}
        yield AnswerCounts(**found | flags | {"minutes": _floats(found["minutes"])})


def _names(keys: Sequence[Any]) -> list[Any]:
    """Keys to group by; a computed key by its label, because a server binds its values twice."""
    return [key.name if isinstance(key, Label) else key for key in keys]


def _listed(minutes: Any) -> Any:
    """All values of a group in one text, to get the medians of many groups in one query."""
    return func.aggregate_strings(cast(minutes, Text), ",")


def _ended(connection: Connection, where: Sequence[Any]) -> Iterator[EndCounts]:
    # The kind stands first in every event the record holds, so a beginning finds it.
    kinds = ("stopped", "declined", "not-confirmed")
    begins = or_(*(EVENTS.c.event.startswith(f'{{"kind":"{kind}"') for kind in kinds))
    asked = (
        select(CASES.c.number, CASES.c.tree_hash, CASES.c.result, CASES.c.fault, EVENTS.c.event)
        .select_from(EVENTS.join(CASES, CASES.c.number == EVENTS.c.number))
        .where(begins, *where)
        .order_by(EVENTS.c.number, EVENTS.c.sequence)
    )
    for number, tree_hash, result, fault, text in connection.execute(asked):
        try:
            event = json.loads(text)
        except ValueError:
            continue
        yield EndCounts(number, tree_hash, result, fault, event)


def _benches(connection: Connection, where: Sequence[Any]) -> Iterable[str]:
    asked = select(CASES.c.who).distinct().where(*where).order_by(CASES.c.who)
    return [str(who) for who in connection.execute(asked).scalars() if who]


def _floats(text: str | None) -> Floats:
    return np.array(text.split(",") if text else [], dtype=float)


Condition = ColumnElement[bool]

UNNAMED = CASES.c.modules == ""


def built_in(store: Store, module: str, trees: Iterable[Tree]) -> Condition:
    """The condition for cases of units with a module.

    A unit that names no modules counts if its tree has a fault of the module.

    Args:
        store: the record; it also holds trees that are no longer in the library.
        module: the module's name.
        trees: those of the library.

    Raises:
        RecordError: the record cannot be read.
    """
    known = sorted(tree.id for tree in _all(store, trees) if module in tree.named_modules)
    named = CASES.c.modules.contains(f",{module},", autoescape=True)
    return or_(named, and_(UNNAMED, CASES.c.tree.in_(known)))


def unsaid(store: Store, where: Condition, filters: dict[str, Any]) -> int:
    """The number of these cases whose units do not name their modules.

    Raises:
        RecordError: a filter that is not known, or the record cannot be read.
    """

    def work(connection: Connection) -> int:
        asked = select(func.count()).select_from(CASES)
        asked = asked.where(UNNAMED, where, *conditions(connection, filters))
        return int(connection.execute(asked).scalar_one())

    return store.read(work)


def _all(store: Store, trees: Iterable[Tree]) -> Iterator[Tree]:
    """The trees of the library, and the last text of trees that only the record has."""
    here = set()
    for tree in trees:
        here.add(tree.id)
        yield tree

    def work(connection: Connection) -> list[tuple[str, str]]:
        last = func.max(CASES.c.opened)
        asked = select(CASES.c.tree, CASES.c.tree_hash).group_by(CASES.c.tree, CASES.c.tree_hash)
        return [(name, text) for name, text in connection.execute(asked.order_by(last.desc()))]

    for name, text in store.read(work):
        old = None if name in here else tree_of(store, text)
        if old is not None:
            here.add(name)
            yield old
