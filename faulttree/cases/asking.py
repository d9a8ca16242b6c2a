"""Which cases are meant: filters of a list, and words that name one case."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, and_, false, func, or_, select

from faulttree.cases.case import moment
from faulttree.cases.rows import words_in
from faulttree.cases.tables import CASES, WORDS
from faulttree.errors import RecordError

__all__ = ["FILTERS", "conditions", "matching"]

Condition = ColumnElement[bool]
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


def saying(words: str | Iterable[str]) -> Condition:
    """Every one of these words begins a word of the case."""
    text = words if isinstance(words, str) else " ".join(words)
    if not words_in(text):
        return false()
    return and_(
        *(
            CASES.c.number.in_(
                select(WORDS.c.number).where(WORDS.c.word >= word, WORDS.c.word < word + LAST)
            )
            for word in sorted(words_in(text))
        )
    )


def named(value: str) -> Condition:
    """The unit goes by this serial or tag."""
    return or_(CASES.c.serial == value, CASES.c.tag == value)


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
    "words": saying,
    "since": since,
    "until": until,
    "came_back": lambda yes: CASES.c.came_back != "" if yes else CASES.c.came_back == "",
    "tree_hash": is_("tree_hash"),
}
"""Name of a filter → what it means. ``words`` are beginnings of words anywhere in the case."""


def conditions(wanted: Mapping[str, Any]) -> list[Condition]:
    """The filters as conditions; those of None or an empty text mean nothing.

    Raises:
        RecordError: a filter that is not known.
    """
    unknown = sorted(set(wanted) - set(FILTERS))
    if unknown:
        raise RecordError(
            f"no such filter: {', '.join(unknown)}", mend=f"There are {', '.join(sorted(FILTERS))}."
        )
    return [FILTERS[name](value) for name, value in wanted.items() if value not in (None, "", ())]


def matching(words: str) -> Iterator[list[Condition]]:
    """What words that name one case can mean, the surest first."""
    text = words.strip()
    if not text:
        return
    number = text.removeprefix("#").removeprefix("case ").strip()
    digits = number.isdecimal() and len(number) < 10
    if digits and number != text:
        yield [CASES.c.number == int(number)]
        return
    named_so = [CASES.c.serial == text, CASES.c.tag == text]
    if digits:
        named_so += [CASES.c.serial == f"tag {number}", CASES.c.number == int(number)]
    yield [or_(*named_so)]
    if len(text) >= 8 and set(text) <= set("0123456789abcdef-"):
        yield [CASES.c.id >= text, CASES.c.id < text + LAST]
    bare = text.casefold().removeprefix("tag ").strip()
    yield [
        or_(
            func.lower(CASES.c.serial).in_([text.casefold(), f"tag {bare}"]),
            func.lower(CASES.c.tag) == bare,
        )
    ]
    if words_in(text):
        yield [saying(text)]
