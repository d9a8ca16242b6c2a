"""Where a sitting shows and asks: a terminal, or plain lines for anything else."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Protocol, TextIO

from faulttree.texts import harmless, spell, wrapped

if TYPE_CHECKING:
    from prompt_toolkit import PromptSession

__all__ = [
    "AwayError",
    "Console",
    "Line",
    "PlainConsole",
    "ScreenConsole",
    "console_for",
    "folded",
]

Line = Sequence[tuple[str, str]]
"""A line as (style, text) pairs; the style is a name of :data:`STYLES` or empty."""

# The colour-blind-safe set of Okabe and Ito, never alone: each comes with a word or weight.
STYLES = {
    "title": "bold",
    "label": "bold",
    "dim": "ansibrightblack",
    "danger": "bold reverse #d55e00",
    "warning": "bold #e69f00",
    "caution": "bold #f0e442",
    "good": "#009e73",
    "bad": "bold #d55e00",
    "answer": "#56b4e9",
    "ask": "bold #56b4e9",
}


class AwayError(Exception):
    """The technician left: an interrupt or the end of input. Nothing is lost by it."""


class Console(Protocol):
    """What a sitting needs of the place it runs in."""

    @property
    def width(self) -> int:
        """Columns to write in."""

    def show(self, lines: Iterable[Line]) -> None:
        """Write lines."""

    def ask(
        self, prompt: str, choices: Sequence[str] = (), status: Callable[[], str] | None = None
    ) -> str:
        """Ask for a line of text.

        Raises:
            AwayError: an interrupt or the end of input.
        """

    def pause(self, seconds: float, what: str) -> tuple[bool, str]:
        """Let a time pass, shown as it runs, until Enter.

        Returns:
            Whether the whole time has passed, and what was typed.
        """


class PlainConsole:
    """Lines in, lines out: no cursor control, no colour. For screen readers and pipes."""

    def __init__(self, source: TextIO, target: TextIO, width: int = 80) -> None:
        self.source, self.target, self.columns = source, target, width

    @property
    def width(self) -> int:
        """Columns to write in."""
        return self.columns

    def show(self, lines: Iterable[Line]) -> None:
        """Write lines without their styles."""
        for line in lines:
            self.target.write(harmless("".join(text for _, text in line)).rstrip() + "\n")
        self.target.flush()

    def ask(
        self, prompt: str, choices: Sequence[str] = (), status: Callable[[], str] | None = None
    ) -> str:
        """Write the prompt and read a line."""
        *above, last = folded(prompt, self.width)
        self.target.write(harmless("\n".join([*above, last])))
        self.target.flush()
        try:
            text = self.source.readline()
        except KeyboardInterrupt:
            self.target.write("\n")
            raise AwayError from None
        if not self.source.isatty():
            # Nobody sees what a pipe types, so it is said again.
            self.target.write(harmless(text.rstrip("\n")) + "\n")
            self.target.flush()
        if not text:
            raise AwayError
        return text.strip()

    def pause(self, seconds: float, what: str) -> tuple[bool, str]:
        """Say how long to wait, and wait for Enter."""
        from time import monotonic

        end = monotonic() + seconds
        typed = self.ask(f"{what}: wait {spell(seconds)}, then press Enter. ")
        return monotonic() >= end, typed


class ScreenConsole:
    """A terminal: editing, completion, colour where it is wanted."""

    def __init__(self, *, colour: bool = True) -> None:
        self.colour = colour
        self._session: PromptSession[str] | None = None

    @property
    def width(self) -> int:
        """Columns of the terminal as it is now."""
        return shutil.get_terminal_size((80, 24)).columns

    def _prompting(self) -> PromptSession[str]:
        from prompt_toolkit import PromptSession
        from prompt_toolkit.history import InMemoryHistory

        if self._session is None:
            self._session = PromptSession(history=InMemoryHistory())
        return self._session

    def _look(self) -> Mapping[str, object]:
        from prompt_toolkit.output.color_depth import ColorDepth
        from prompt_toolkit.styles import Style

        depth = None if self.colour else ColorDepth.DEPTH_1_BIT
        return {"style": Style.from_dict(STYLES), "color_depth": depth}

    def show(self, lines: Iterable[Line]) -> None:
        """Write lines in their styles."""
        from prompt_toolkit import print_formatted_text
        from prompt_toolkit.formatted_text import FormattedText

        look = self._look()
        for line in lines:
            parts = [(f"class:{style}" if style else "", harmless(text)) for style, text in line]
            print_formatted_text(FormattedText(parts), **look)  # type: ignore[arg-type]

    def ask(
        self, prompt: str, choices: Sequence[str] = (), status: Callable[[], str] | None = None
    ) -> str:
        """Ask with completion of the choices; the status stands below while typing."""
        from prompt_toolkit.completion import WordCompleter

        completer = WordCompleter([harmless(one) for one in choices], ignore_case=True)
        *above, last = folded(prompt, self.width)
        self.show([[("ask", line)] for line in above])
        try:
            text = self._prompting().prompt(
                [("class:ask", harmless(last))],
                completer=completer,
                complete_while_typing=False,
                bottom_toolbar=(lambda: harmless(status())) if status else None,
                refresh_interval=1.0 if status else 0,
                **self._look(),  # type: ignore[arg-type]
            )
        except (KeyboardInterrupt, EOFError):
            raise AwayError from None
        return text.strip()

    def pause(self, seconds: float, what: str) -> tuple[bool, str]:
        """Count the time down below the prompt; Enter ends it early or late."""
        from time import monotonic

        end = monotonic() + seconds

        def left() -> str:
            rest = end - monotonic()
            if rest <= 0:
                return f" {what}: the time is up. Press Enter."
            return f" {what}: {spell(rest)} left. Enter goes on at once."

        typed = self.ask(f"Wait {spell(seconds)} ", status=left)
        return monotonic() >= end, typed


def folded(prompt: str, width: int) -> list[str]:
    """A prompt in lines that leave room to type behind the last one."""
    room = max(width - 5, 12)
    if len(prompt) <= room:
        return [prompt]
    lines = wrapped(prompt.rstrip(), room)
    return [*lines[:-1], f"{lines[-1]} "]


def console_for(*, plain: bool, environ: Mapping[str, str] = os.environ) -> Console:
    """The console that fits: plain where asked, where no terminal is, or on a dumb one."""
    terminal = sys.stdin.isatty() and sys.stdout.isatty() and environ.get("TERM") != "dumb"
    if plain or not terminal:
        width = shutil.get_terminal_size((80, 24)).columns if sys.stdout.isatty() else 80
        return PlainConsole(sys.stdin, sys.stdout, width)
    return ScreenConsole(colour=not environ.get("NO_COLOR"))
