"""Questions on the terminal: a line of text, names, minutes, one of a few words."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, TypeVar

from faulttree.cli.cause_options import words
from faulttree.errors import FaulttreeError

if TYPE_CHECKING:
    from faulttree.terminal.console import Console, Line


FEW = 8
"""Names that are shown in a question; more are listed when they are asked for."""

Asked = TypeVar("Asked")


def console(*, plain: bool, to_people: bool = False) -> Console:
    """Where it is asked; on standard error where standard output is for the result."""
    from faulttree.terminal.console import PlainConsole, console_for

    return PlainConsole(sys.stdin, sys.stderr) if to_people else console_for(plain=plain)


class Prompter:
    """Asks for what was not given as an option, one thing at a time."""

    def __init__(self, place: Console) -> None:
        self.place = place

    def text(self, question: str, choices: Sequence[str] = (), *, needed: bool = False) -> str:
        """A line of text; asked until there is one where it is needed."""
        while True:
            answer = self.place.ask(f"{question} › ", choices)
            if answer or not needed:
                return answer
            self.tell("This answer is required. Ctrl-C leaves; nothing is written.")

    def names(self, question: str, choices: Sequence[str]) -> tuple[str, ...]:
        """Names out of those there are, with commas between; none is an answer too."""
        while True:
            named = words([self._of_these(question, choices, " (? lists them; empty: none)")])
            wrong = [name for name in named if name not in choices]
            if not wrong:
                return named
            self.tell(f"`{wrong[0]}` is not in the list; ? shows it.")

    def _of_these(self, question: str, choices: Sequence[str], many: str) -> str:
        """What is typed; ``?`` lists the choices, of which few stand in the question itself."""
        shown = many if len(choices) > FEW else f" ({', '.join(choices)})" if choices else ""
        while (typed := self.text(f"{question}{shown}", choices)) == "?":
            self.tell(", ".join(choices) or "There are none yet.")
        return typed

    def id(self, question: str, choices: Sequence[str]) -> str:
        """A name out of those there are, or a new one made from the words; empty for none."""
        from faulttree.authoring.cause import new_id

        while True:
            typed = self._of_these(question, choices, " (? lists them)")
            named = new_id(typed, ()) if typed else ""
            if named in choices or named == typed:
                return named
            new = "a new one" if choices else "the first one"
            self.tell(f"Taken as `{named}`, {new}.")
            return named

    def quantity(self, question: str) -> str:
        """A value with its unit, as typed, once it can be understood; empty for none."""
        from faulttree.reading import resolve_limits

        while True:
            typed = self.text(question)
            if not typed:
                return ""
            try:
                resolve_limits({"min": typed})
            except FaulttreeError as error:
                self.refuse(error)
            else:
                return typed

    def limits(self) -> dict[str, str]:
        """The lowest and the highest good reading; at least one of them."""
        from faulttree.reading import resolve_limits

        while True:
            least = self.quantity("The lowest good reading, with its unit (empty: no limit)")
            most = self.quantity("The highest good reading, with its unit (empty: no limit)")
            limits = {key: text for key, text in (("min", least), ("max", most)) if text}
            try:
                if limits:
                    resolve_limits(limits)
                    return limits
                self.tell("A reading needs at least one limit.")
            except FaulttreeError as error:
                self.refuse(error)

    def refuse(self, error: FaulttreeError) -> None:
        """Say why an answer cannot be used, and what to do."""
        self.tell(" ".join(part for part in (error.message, error.remedy) if part), "warning")

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


class AskAgain(Exception):  # noqa: N818 - it is no error
    """The last question is to be asked again."""


class BackConsole:
    """A console on which ``back`` asks the last question again.

    The answers before it are given again without being shown, so that the code that asks
    needs no knowledge of it.
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
            AskAgain: the question before this one is to be asked again.
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
            raise AskAgain
        self.given.append((prompt, text))
        return text

    def pause(self, seconds: float, what: str) -> tuple[bool, str]:
        """Let a time pass."""
        return self.place.pause(seconds, what)

    def through(self, questions: Callable[[], Asked]) -> Asked:
        """What the questions come to, once nobody goes back any more."""
        while True:
            try:
                return questions()
            except AskAgain:
                told = "This is the first question."
                if self.given:
                    told = f"Back. The answer was: {self.given.pop()[1] or 'empty'}"
                Prompter(self.place).tell(told)
                self.again = [answer for _, answer in self.given]
                self.unseen = True


def show_diff(place: Console, diff: str) -> None:
    """A unified diff; added and taken lines are told apart by their first character too."""
    styles = {"+": "good", "-": "bad", "@": "dim"}
    place.show([[(styles.get(line[:1], ""), line)] for line in diff.splitlines()])


def agreed(asking: Prompter, *, editable: bool = True) -> str:
    """What is to be done with what was shown: ``yes``, ``no`` or ``edit``."""
    choices = ("yes", "no", "edit") if editable else ("yes", "no")
    return asking.one("Write it?", choices)
