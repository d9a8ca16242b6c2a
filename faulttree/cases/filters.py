"""Which cases are meant: filters of a list, and words that name one case."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, TypedDict

from sqlalchemy import (
    ColumnElement,
    Connection,
    TextClause,
    and_,
    exists,
    false,
    func,
    or_,
    select,
    union_all,
)

from faulttree.cases.case import moment
from faulttree.cases.rows import words_in
from faulttree.cases.tables import CAME_BACK, CASES, TREES, WORDS
from faulttree.errors import RecordError

Condition = ColumnElement[bool] | TextClause
LAST = "\U0010ffff"
"""Sorts after every character a word can have."""


def is_(column: str) -> Callable[[str], Condition]:
    """Exactly this; a list means any of them."""
    looked = CASES.c[column]

    def condition(value: str | Sequence[str]) -> Condition:
        return looked == value if isinstance(value, str) else looked.in_(list(value))

    return condition


def holds(column: str) -> Callable[[str], Condition]:
    """The list in this column holds the word."""
    return lambda value: CASES.c[column].contains(f",{value},", autoescape=True)


RARE = 2000
"""Cases with a word, below which looking them up beats going through cases newest first."""

WORDS_ALIKE = 40
"""Words with one beginning that are looked up singly."""


def saying(connection: Connection, text: str, *, found: bool = False) -> list[Condition]:
    """Every one of these words begins a word of the case.

    With ``found`` the words of the fault found count too: its title, part, module and remedy, in
    the text of the tree that the case was walked on.

    A rare word is looked up. A common one is looked for in each case from the newest on,
    which ends as soon as a page is full.
    """
    words = sorted(words_in(text))
    if not words:
        return [false()]
    looked = [(alike(connection, word), word) for word in words]
    conditions = [said(connection, full, word) for full, word in looked]
    if not found:
        return conditions
    faults = [naming(connection, word) for word in words]
    return [or_(told, *more) for told, more in zip(conditions, faults, strict=True)]


def naming(connection: Connection, word: str) -> list[Condition]:
    """The cases whose fault has a word that begins so in its title, part, module or remedy."""
    wanted = select(TREES.c.hash, TREES.c.text).where(
        func.lower(TREES.c.text).contains(word, autoescape=True)
    )
    found: list[Condition] = []
    for tree_hash, text in connection.execute(wanted):
        faults = [fault for fault, said in fault_words(text) if begins(word, said)]
        if faults:
            found.append(and_(CASES.c.fault.in_(faults), CASES.c.tree_hash == tree_hash))
    return found


def begins(word: str, words: Iterable[str]) -> bool:
    """Whether one of the words begins so."""
    return any(one.startswith(word) for one in words)


def fault_words(text: str) -> Iterator[tuple[str, set[str]]]:
    """Each fault of a stored tree with its words; a text that cannot be read has none."""
    try:
        faults = json.loads(text)["tree"]["faults"]
        for name, fault in faults.items():
            told = (str(fault.get(key) or "") for key in ("title", "part", "module", "remedy"))
            yield name, words_in(" ".join(told))
    except (ValueError, KeyError, TypeError, AttributeError):
        return


def alike(connection: Connection, word: str) -> list[str] | None:
    """The words of the record that begin so; None where there are many."""
    found: list[str] = []
    last = word
    while len(found) < WORDS_ALIKE:
        after = WORDS.c.word >= last if not found else WORDS.c.word > last
        wanted = select(WORDS.c.word).where(after, WORDS.c.word < word + LAST)
        last = connection.execute(wanted.order_by(WORDS.c.word).limit(1)).scalar() or ""
        if not last:
            return found
        found.append(last)
    return None


def said(connection: Connection, full: Sequence[str] | None, word: str) -> Condition:
    """One word as a condition, in the way that is quick for it."""
    if full is not None and not full:
        return false()
    such = (
        WORDS.c.word.in_(full)
        if full is not None
        else and_(WORDS.c.word >= word, WORDS.c.word < word + LAST)
    )
    some = select(WORDS.c.number).where(such).limit(RARE).subquery()
    many = connection.execute(select(func.count()).select_from(some)).scalar_one()
    if full is None or many < RARE:
        return CASES.c.number.in_(select(WORDS.c.number).where(such))
    return exists().where(such, WORDS.c.number == CASES.c.number)


def named(value: str, *more: Condition) -> Condition:
    """The unit goes by this serial or tag; each looked up by its own index."""
    ways = [CASES.c.serial == value, CASES.c.tag == value, *more]
    return CASES.c.number.in_(union_all(*(select(CASES.c.number).where(way) for way in ways)))


def since(value: str) -> Condition:
    """Opened at this time or later."""
    return CASES.c.opened >= utc(value)


def until(value: str) -> Condition:
    """Opened before this time, or on this very day."""
    end = utc(value)
    return CASES.c.opened <= (f"{end[:10]}T99" if len(value) <= len("2026-02-11") else end)


def utc(value: str) -> str:
    """A time as the record writes it, so that it compares as text."""
    import datetime as dt

    return moment(value).astimezone(dt.UTC).isoformat().replace("+00:00", "Z")


FILTERS: Mapping[str, Callable[[Any], Condition]] = {
    **{
        name: is_(name)
        for name in ("tree", "family", "model", "state", "result", "fault", "became", "who")
    },
    "linked": is_("linked"),
    "serial": named,
    "tag": named,
    "module": holds("modules"),
    "kept": holds("kept"),
    "since": since,
    "until": until,
    "came_back": lambda yes: CAME_BACK if yes else CASES.c.came_back == "",
    "tree_hash": is_("tree_hash"),
}
"""Name of a filter → what it means; ``words``, beginnings of words said anywhere in the case,
is one more, see :func:`saying`."""


class ReviewFilters(TypedDict, total=False):
    """The filters by name; None or an empty text means any case.

    Where several texts may be given, a case with any of them is meant. ``since`` and ``until``
    are dates or moments (ISO 8601); ``came_back`` means cases of units that came back or did not.
    """

    tree: str | Sequence[str] | None
    family: str | Sequence[str] | None
    model: str | Sequence[str] | None
    state: str | Sequence[str] | None
    result: str | Sequence[str] | None
    fault: str | Sequence[str] | None
    became: str | Sequence[str] | None
    who: str | Sequence[str] | None
    linked: str | Sequence[str] | None
    tree_hash: str | Sequence[str] | None
    serial: str | None
    tag: str | None
    kept: str | None
    since: str | None
    until: str | None
    came_back: bool | None
    words: str | Sequence[str] | None


class CaseFilters(ReviewFilters, total=False):
    """The filters of a list of cases; a review has its own meaning of ``module``."""

    module: str | None


def conditions(connection: Connection, wanted: Mapping[str, Any]) -> list[Condition]:
    """The filters as conditions; those of None or an empty text mean nothing.

    Raises:
        RecordError: a filter that is not known.
    """
    unknown = sorted(set(wanted) - {*FILTERS, "words"})
    if unknown:
        known = ", ".join(sorted([*FILTERS, "words"]))
        raise RecordError(f"no such filter: {', '.join(unknown)}", remedy=f"There are {known}.")
    given = {name: value for name, value in wanted.items() if value not in (None, "", ())}
    words = given.pop("words", "")
    text = words if isinstance(words, str) else " ".join(words)
    found = [FILTERS[name](value) for name, value in given.items()]
    return found + (saying(connection, text, found=True) if text else [])


def numbered(words: str) -> tuple[int | None, bool]:
    """The number that words name a case by, and whether they can mean nothing else (#14)."""
    text = words.strip()
    number = text.removeprefix("#").removeprefix("case ").strip()
    if not number.isdecimal() or len(number) > 9:
        return None, False
    return int(number), number != text


def matching(connection: Connection, words: str) -> Iterator[list[Condition]]:
    """What words that name one case can mean besides its number, the surest first."""
    text = words.strip()
    if not text:
        return
    number, _ = numbered(text)
    yield [named(text, *([] if number is None else [CASES.c.serial == f"tag {number}"]))]
    if len(text) >= 8 and set(text) <= set("0123456789abcdef-"):
        yield [CASES.c.id >= text, CASES.c.id < text + LAST]
    if words_in(text):
        said = saying(connection, text)
        plain = text.casefold()
        bare = plain.removeprefix("tag ").strip()
        yield [
            *said,
            or_(
                func.lower(CASES.c.serial).in_([plain, bare, f"tag {bare}"]),
                func.lower(CASES.c.tag).in_([plain, bare]),
            ),
        ]
        if number is None:
            yield said
