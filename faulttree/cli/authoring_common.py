"""What the commands that write trees share: asking, showing a change, writing, committing."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from faulttree.cli.options import json_option, library_option, now, record_option, say
from faulttree.cli.places import open_library, open_record
from faulttree.errors import TreeError

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.terminal.console import Console, Line
    from faulttree.tree import Library
    from faulttree.tree.edit import FileChange

__all__ = [
    "Asking",
    "WayBack",
    "Writing",
    "agreed",
    "by_hand",
    "console",
    "keep_in_git",
    "own_folder",
    "pair",
    "procedure_told",
    "sharing",
    "show_diff",
    "today",
    "within",
    "words",
    "writing",
    "writing_without_record",
]

LIMITS = ("nominal", "tolerance", "min", "max", "minimum", "maximum", "unit")
FEW = 8
"""Names that are shown in a question; more are listed when they are asked for."""

Asked = TypeVar("Asked")
Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Writing:
    """How a command that writes files was called: asked or told, where, what is printed.

    Attributes:
        yes: write without asking.
        commit: commit the change.
        plain: no colour, no cursor control.
        as_json: print one document.
        library: what ``--library`` says.
        record: what ``--record`` says, where the command has that option.
    """

    yes: bool
    commit: bool
    plain: bool
    as_json: bool
    library: tuple[str, ...]
    record: str | None = None

    def asking(self) -> Asking | None:
        """Who asks for what is wanting; None where everything was told."""
        return None if self.yes or self.as_json else Asking(console(plain=self.plain))

    def shelf(self) -> Library:
        """The library, which may be written.

        Raises:
            TreeError: it is the one inside the package.
        """
        found = open_library(self.library)
        own_folder(found.root)
        return found

    def store(self, *, read_only: bool = False) -> Store:
        """The record of this library."""
        return open_record(self.record, library=self.library, read_only=read_only)


def writing(command: Callable[..., int], *, with_record: bool = True) -> Callable[..., int]:
    """The options of every command that writes files, given to it as one ``manner``.

    Whoever leaves a question leaves the command: then nothing was written, and it says so.
    """

    @wraps(command)
    def told(
        *,
        yes: bool,
        commit: bool,
        plain: bool,
        as_json: bool,
        library: tuple[str, ...],
        **said: Any,
    ) -> int:
        from faulttree.terminal.console import AwayError

        record = said.pop("record") if with_record else None
        try:
            return command(manner=Writing(yes, commit, plain, as_json, library, record), **said)
        except AwayError:
            say("faulttree: left; nothing was written", to_people=True)
            return 1

    decorated: Callable[..., int] = told
    for option in (
        json_option,
        library_option,
        *((record_option,) if with_record else ()),
        click.option("--plain", is_flag=True, help="Plain lines: no colour, no cursor control."),
        click.option(
            "--commit", is_flag=True, help="Commit the change, where git keeps the files."
        ),
        click.option("--yes", is_flag=True, help="Write without asking."),
    ):
        decorated = option(decorated)
    return decorated


writing_without_record = partial(writing, with_record=False)
"""The same for a command that asks nothing of the record."""


def own_folder(root: Path) -> Path:
    """The folder of a library that may be written: not the one inside the package.

    Raises:
        TreeError: it is that one; an upgrade would overwrite what is written there.
    """
    if root.name == "_shipped":
        raise TreeError(
            "This is the library that ships with the program; an upgrade overwrites it.",
            path=root,
            mend="Copy its trees/ and shared/ into a folder of your own, and name that: --library.",
        )
    return root


def today() -> str:
    """The day, UTC, as YYYY-MM-DD."""
    return now()[:10]


def within(path: Path, root: Path) -> str:
    """A file as its library names it."""
    return path.relative_to(root).as_posix() if path.is_relative_to(root) else str(path)


def words(given: Sequence[str]) -> tuple[str, ...]:
    """Names given one by one or with commas between."""
    parts = [part.strip() for one in given for part in one.split(",")]
    return tuple(dict.fromkeys(part for part in parts if part))


def pair(text: str | None, option: str, form: str = "STEP=OUTCOME") -> tuple[str, str] | None:
    """``STEP=OUTCOME`` as two words."""
    if text is None:
        return None
    left, equals, right = text.partition("=")
    if not equals or not left.strip() or not right.strip():
        raise TreeError(f"{option} wants two words, not {text!r}.", mend=f"Write {form}.")
    return left.strip(), right.strip()


OWN = ("ask", "measure", "shows", "reading", "limits", *LIMITS)
"""What is told of a question or a reading, and never of a shared procedure."""


def sharing(command: Command) -> Command:
    """The options that make a shared procedure the test of a fault."""
    for option in (
        click.option(
            "--lead",
            multiple=True,
            metavar="EXIT=TARGET",
            help="Where another exit leads; may be given again. [default: onward]",
        ),
        click.option("--exit", "leaving", metavar="EXIT", help="The exit that the fault takes."),
        click.option(
            "--with",
            "given",
            multiple=True,
            metavar="NAME=VALUE",
            help="What the procedure must be given besides --part; may be given again.",
        ),
        click.option(
            "--use", metavar="PROCEDURE", help="The shared procedure that shows it, by name."
        ),
    ):
        command = option(command)
    return command


def procedure_told(said: Mapping[str, Any]) -> dict[str, Any]:
    """What is told of a shared procedure, as a test has it; nothing where none is named.

    Raises:
        TreeError: something is told besides that only a question or a reading has, or a
            procedure's own without one.
    """
    if not said.get("use"):
        for key, option in (("given", "--with"), ("leaving", "--exit"), ("lead", "--lead")):
            if said.get(key):
                mend = "Name the procedure: --use."
                raise TreeError(f"{option} is for a shared procedure.", mend=mend)
        return {}
    for key in OWN:
        if said.get(key):
            option = f"--{key.removesuffix('imum')}"
            mend = "Leave it, or leave --use."
            raise TreeError(f"A shared procedure goes without {option}.", mend=mend)
    return {
        "use": said["use"],
        "given": _pairs(said.get("given"), "--with", "NAME=VALUE"),
        "leads": _pairs(said.get("lead"), "--lead", "EXIT=TARGET"),
        "shows": said.get("leaving") or "",
    }


def _pairs(given: Sequence[str] | None, option: str, form: str) -> dict[str, str]:
    return dict(pair(one, option, form) or ("", "") for one in given or ())


def console(*, plain: bool, to_people: bool = False) -> Console:
    """Where it is asked; on standard error where standard output is for the result."""
    from faulttree.terminal.console import PlainConsole, console_for

    return PlainConsole(sys.stdin, sys.stderr) if to_people else console_for(plain=plain)


class Asking:
    """Asks for what was not given as an option, one thing at a time."""

    def __init__(self, place: Console) -> None:
        self.place = place

    def text(self, question: str, choices: Sequence[str] = (), *, needed: bool = False) -> str:
        """A line of text; asked until there is one where it is needed."""
        while True:
            answer = self.place.ask(f"{question} › ", choices)
            if answer or not needed:
                return answer
            self.tell("This is needed; Ctrl-C leaves, nothing is written.")

    def names(self, question: str, choices: Sequence[str]) -> tuple[str, ...]:
        """Names out of those there are, with commas between; none is an answer too."""
        few = len(choices) <= FEW
        known = f" ({', '.join(choices)})" if few else " (? lists them; empty: none)"
        while True:
            typed = self.text(f"{question}{known}", choices)
            if typed == "?":
                self.tell(", ".join(choices))
                continue
            named = words([typed])
            wrong = [name for name in named if name not in choices]
            if not wrong:
                return named
            self.tell(f"`{wrong[0]}` is none of them.")

    def minutes(self, question: str) -> float | None:
        """A time in minutes; None where nothing is typed."""
        while True:
            answer = self.text(question)
            if not answer:
                return None
            try:
                minutes = float(answer.replace(",", ".").removesuffix("min").strip())
            except ValueError:
                minutes = -1
            if 0 <= minutes <= 100_000:
                return minutes
            self.tell("Type minutes as a number, as in 4 or 2.5.")

    def one(self, question: str, choices: Sequence[str]) -> str:
        """One of a few words, by its first letters."""
        from faulttree.terminal.chooser import choose

        prompt = f"{question} ({' / '.join(choices)}) › "
        hint = f"Type one of {', '.join(choices)}, or its first letters."
        chosen = choose(self.place, prompt, choices, hint, numbered=False)
        assert chosen is not None
        return chosen

    def tell(self, text: str, style: str = "") -> None:
        """A line for people."""
        from faulttree.terminal.console import folded

        for line in folded(text, self.place.width):
            self.place.show([[(style, line.rstrip())]])


class GoneBack(Exception):  # noqa: N818 - it is no error: somebody thought again
    """The last question is to be asked again."""


class WayBack:
    """A console on which ``back`` asks the last question again.

    What was answered before is typed in again unseen, so that whatever asks need not know.
    """

    def __init__(self, place: Console) -> None:
        self.place = place
        self.given: list[tuple[str, str]] = []
        self.again: list[str] = []
        self.unseen = False

    @property
    def width(self) -> int:
        """Columns to write in."""
        return self.place.width

    def show(self, lines: Iterable[Line]) -> None:
        """Write lines, unless they were seen before."""
        if not self.unseen:
            self.place.show(lines)

    def ask(
        self, prompt: str, choices: Sequence[str] = (), status: Callable[[], str] | None = None
    ) -> str:
        """Ask, or give the answer that was given before.

        Raises:
            GoneBack: the question before this one is to be asked again.
        """
        if self.again:
            return self.again.pop(0)
        self.unseen = False
        text = self.place.ask(prompt, choices, status)
        asked = [question for question, _ in self.given]
        if asked and asked[-1] == prompt:
            # It was refused and asked once more: both are one question.
            self.given.pop()
        if text.casefold() == "back":
            raise GoneBack
        self.given.append((prompt, text))
        return text

    def pause(self, seconds: float, what: str) -> bool:
        """Let a time pass."""
        return self.place.pause(seconds, what)

    def through(self, questions: Callable[[], Asked]) -> Asked:
        """What the questions come to, once nobody goes back any more."""
        while True:
            try:
                return questions()
            except GoneBack:
                told = "This is the first question."
                if self.given:
                    told = f"Back. It was: {self.given.pop()[1] or 'left empty'}"
                Asking(self.place).tell(told)
                self.again = [answer for _, answer in self.given]
                self.unseen = True


def show_diff(place: Console, diff: str) -> None:
    """A unified diff; added and taken lines are told apart by their first character too."""
    styles = {"+": "good", "-": "bad", "@": "dim"}
    place.show([[(styles.get(line[:1], ""), line)] for line in diff.splitlines()])


def agreed(asking: Asking, *, editable: bool = True) -> str:
    """What is to be done with what was shown: ``yes``, ``no`` or ``edit``."""
    choices = ("yes", "no", "edit") if editable else ("yes", "no")
    return asking.one("Write it?", choices)


def by_hand(text: str) -> str | None:
    """The text as somebody leaves it in their editor; None where it was not saved."""
    return click.edit(text, extension=".yaml", require_save=True)


def keep_in_git(
    folder: Path, changes: Sequence[FileChange], message: str, asking: Asking | None, *, asked: bool
) -> str:
    """Commit where that was asked for, or is agreed to now; gives the new commit, or nothing."""
    from faulttree.cli.git_checkout import commit, is_checkout

    if not is_checkout(folder):
        if asked:
            raise TreeError("This library is no git checkout.", path=folder, mend="Leave --commit.")
        return ""
    if not asked:
        if asking is None:
            return ""
        asking.tell("A commit would say:", "label")
        for line in message.splitlines():
            asking.tell(f"  {line}")
        if not _agreed_to_commit(asking):
            return ""
    made = commit(folder, [change.path for change in changes], message)
    say(f"committed as {made}", to_people=True)
    return made


def _agreed_to_commit(asking: Asking) -> bool:
    """Whoever leaves here has the change written, and not committed."""
    from faulttree.terminal.console import AwayError

    try:
        return asking.one("Commit it?", ("yes", "no")) == "yes"
    except AwayError:
        say("faulttree: left; it is written and not committed", to_people=True)
        return False
