"""What the words do that can be typed at any point; ``obeying`` adds those that end it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from faulttree.terminal import screens
from faulttree.terminal.advice_text import chosen_step, suspects_view, why_view, worth_view
from faulttree.terminal.command_words import WORDS
from faulttree.terminal.facts import give_fact
from faulttree.terminal.guarded_jump import by_hand, head_for
from faulttree.terminal.open_case import Leaving
from faulttree.walk import events as ev
from faulttree.walk.fold import fold
from faulttree.walk.follow_up import answered_by_facts
from faulttree.walk.history import is_still

if TYPE_CHECKING:
    from faulttree.terminal.command_words import Typed
    from faulttree.terminal.open_case import BenchSession
    from faulttree.tree.model import Step

__all__ = ["DOES", "Does", "do"]

Does = Callable[["BenchSession", "Step | None", str], None]
"""What a word does at a step, or where none is asked, with what was typed behind it."""


def do(
    sitting: BenchSession, step: Step | None, typed: Typed, words: Mapping[str, Does] | None = None
) -> bool:
    """Do what a word asks; True where the walk moved by it."""
    moves = sitting.moves()
    (words or DOES)[typed.word](sitting, step, typed.rest)
    return sitting.moves() != moves


def _help(sitting: BenchSession, step: Step | None, rest: str) -> None:
    width = sitting.console.width
    if step is not None and step.kind == "measure":
        sitting.say("Type the reading as the meter shows it: 150u, 4k7, 12.5 V, OL.")
        sitting.say("Several readings of the same thing: 21.4 V; 21.6 V")
    elif step is not None and step.kind == "ask":
        sitting.say("Type the answer, its first letters or its number.")
    for word, does in WORDS.items():
        sitting.console.show(screens.labelled(word, does, width))


def _how(sitting: BenchSession, step: Step | None, rest: str) -> None:
    if step is not None:
        sitting.show_step(step, full=True)


def _back(sitting: BenchSession, step: Step | None, rest: str) -> None:
    steps = int(rest) if rest.isdecimal() and int(rest) > 0 else 1
    events, state = sitting.journal.events, sitting.state
    steps += answered_by_facts(state)
    last = next((at for at in reversed(range(len(events))) if not is_still(events[at])), 0)
    event = events[last]
    if isinstance(event, ev.Stopped):
        sitting.journal.add(ev.WentBack(at=sitting.now, steps=0))
        sitting.say("Taken up again.")
        return
    if by_hand(event):
        before = fold(sitting.journal.tree, events[:last])
        if before.ask is not None:
            sitting.journal.add(ev.Jumped(at=sitting.now, step=before.ask.id, cause="back"))
            return
    after = fold(sitting.journal.tree, [*events, ev.WentBack(steps=steps)])
    if (len(after.visits), after.skipped) == (len(state.visits), state.skipped):
        sitting.say("There is nothing to take back here.")
        return
    sitting.journal.add(ev.WentBack(at=sitting.now, steps=steps))
    gone = sitting.state.withdrawn[len(state.withdrawn) :]
    said = ", ".join(f"{one.step} {one.outcome}" for one in gone) or "the skip"
    sitting.say(f"Taken back: {said}. It stays in the record as taken back.")


def _skip(sitting: BenchSession, step: Step | None, rest: str) -> None:
    if step is None:
        sitting.say("There is no step to skip here.")
        return
    reason = rest or sitting.console.ask("Why can it not be done now? › ", (), sitting.status)
    sitting.journal.add(ev.Skipped(at=sitting.now, step=step.id, reason=reason))


def _note(sitting: BenchSession, step: Step | None, rest: str) -> None:
    text = rest or sitting.console.ask("Note › ", (), sitting.status)
    if text:
        sitting.journal.add(ev.Noted(at=sitting.now, text=text, step=step.id if step else ""))
        sitting.say("Noted.")


def _photo(sitting: BenchSession, step: Step | None, rest: str) -> None:
    text = rest or sitting.console.ask("Path of the photo › ", (), sitting.status)
    if not text:
        return
    path = Path(text).expanduser()
    if sitting.photo_hash is None or not path.is_file():
        sitting.say(f"✗ there is no file '{text}'. Give the path of the photo.", "bad")
        return
    try:
        digest = sitting.photo_hash(path)
    except OSError as error:
        sitting.say(f"✗ '{text}' cannot be read: {error.strerror}", "bad")
        return
    name = str(path.resolve())
    at = step.id if step else ""
    sitting.journal.add(ev.PhotoAdded(at=sitting.now, path=name, sha256=digest, step=at))
    sitting.say("The photo is kept by its path and content hash.")


def _why(sitting: BenchSession, step: Step | None, rest: str) -> None:
    sitting.console.show(why_view(sitting.state, sitting.console.width))


def _suspects(sitting: BenchSession, step: Step | None, rest: str) -> None:
    width = sitting.console.width
    sitting.console.show(suspects_view(sitting.state, width))
    sitting.console.show(worth_view(sitting.state, sitting.bench, width))


def _path(sitting: BenchSession, step: Step | None, rest: str) -> None:
    sitting.console.show(screens.path_view(sitting.state, sitting.console.width))


def _go(sitting: BenchSession, step: Step | None, rest: str) -> None:
    name = chosen_step(sitting.state, rest)
    if name is None:
        sitting.say("✗ Name a step of this tree: go STEP.", "bad")
        sitting.say(f"They are {screens.joined(sitting.state.tree.diagnostic)}.")
        return
    head_for(sitting, name, "asked")


def _set(sitting: BenchSession, step: Step | None, rest: str) -> None:
    name, _, value = rest.partition(" ")
    if not name:
        sitting.console.show(screens.facts_view(sitting.state, sitting.console.width))
        return
    give_fact(sitting, name, value.strip())


def _meter(sitting: BenchSession, step: Step | None, rest: str) -> None:
    known = dict(sitting.bench.instruments) if sitting.bench else {}
    if rest and rest not in known:
        listed = (
            f"On the bench: {screens.joined(known)}."
            if known
            else "None is declared: write a bench.yaml, and name it with --bench."
        )
        sitting.say(f"✗ there is no instrument '{rest}'. {listed}", "bad")
        return
    sitting.meter = rest
    sitting.say(f"Instrument in use: {rest or 'none, so verdicts are plain'}.")
    if rest and known[rest].overdue(sitting.now[:10]):
        sitting.say(f"Its calibration was due on {known[rest].due}.", "warning")


def _pause(sitting: BenchSession, step: Step | None, rest: str) -> None:
    raise Leaving


DOES: Mapping[str, Does] = {
    "?": _help,
    "how": _how,
    "back": _back,
    "skip": _skip,
    "note": _note,
    "photo": _photo,
    "why": _why,
    "suspects": _suspects,
    "path": _path,
    "go": _go,
    "set": _set,
    "meter": _meter,
    "pause": _pause,
}
