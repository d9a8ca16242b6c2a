"""The running hash of a case in the journal, made so that free words can be blanked later.

It is taken over salted digests of the words, not over the words. Erasing them removes the salt
and keeps the digests, so the hash stays the same, and nobody can find the erased words by trying
candidates.
"""

from __future__ import annotations

import hmac
import json
import secrets
from collections.abc import Callable
from dataclasses import replace

from faulttree.cases.free_words import may_have_words, replaced
from faulttree.cases.journal.file import JournalEntry, chained
from faulttree.cases.rows import as_json


def digest(salt: str, word: str) -> str:
    """The salted digest of a text: HMAC (RFC 2104) with SHA-256, 16 hex digits.

    Example:
        >>> digest("00", "hums")
        '8f663af0e25a68c5'
    """
    raw = word.encode(errors="surrogatepass")
    return hmac.digest(salt.encode(), raw, "sha256").hex()[:16]


def covered(entry: JournalEntry) -> str:
    """What the running hash is taken over; a line without a salt is taken as it stands."""
    if entry.digests:
        rest = iter(entry.digests)
        return in_place_of_words(entry, lambda _: next(rest, ""))
    if entry.salt:
        return in_place_of_words(entry, lambda word: digest(entry.salt, word))
    return entry.event


def in_place_of_words(entry: JournalEntry, word: Callable[[str], str]) -> str:
    """The JSON of an event with something else in the place of its words."""
    return as_json(replaced(json.loads(entry.event), word))


def linked(entry: JournalEntry, before: str) -> JournalEntry:
    """A new entry with its running hash.

    Args:
        entry: the event.
        before: the running hash after the event before; empty for the first.
    """
    if may_have_words(entry.event):
        entry = replace(entry, salt=secrets.token_hex(8))
    return relinked(entry, before)


def relinked(entry: JournalEntry, before: str) -> JournalEntry:
    """An entry with its running hash after another one."""
    return replace(entry, chain=chained(before, covered(entry)))


def erased(entry: JournalEntry, before: str) -> JournalEntry:
    """An entry without its words: digests stand for them, and the hash is as it was.

    A line of an earlier version, which had no salt, gets new digests and another hash.
    """
    digests = list(entry.digests)
    salt = entry.salt or secrets.token_hex(8)

    def blank(word: str) -> str:
        if not entry.digests:
            digests.append(digest(salt, word))
        return ""

    event = in_place_of_words(entry, blank) if may_have_words(entry.event) else entry.event
    return relinked(replace(entry, event=event, salt="", digests=tuple(digests)), before)
