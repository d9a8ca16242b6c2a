"""What the commands that write trees share: their options, and the commit afterwards."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.options import json_option, library_option, now, record_option, say
from faulttree.cli.places import RecordOptions, open_library
from faulttree.cli.prompter import Prompter, agreed, console
from faulttree.errors import TreeError

if TYPE_CHECKING:
    from faulttree.tree import Library
    from faulttree.tree.edit import ChangeSet, FileChange


@dataclass(frozen=True, slots=True)
class WriteOptions(RecordOptions):
    """The options of a command that writes files.

    Attributes:
        yes: write without asking.
        commit: commit the change.
        plain: no colour, no cursor control.
    """

    yes: bool
    commit: bool
    plain: bool

    def asking(self) -> Prompter | None:
        """Asks for what is missing; None where everything is given by options."""
        return None if self.yes or self.as_json else Prompter(console(plain=self.plain))

    def own_library(self) -> Library:
        """The library, which may be written.

        Raises:
            TreeError: it is the one inside the package.
        """
        found = open_library(self.library)
        own_folder(found.root)
        return found

    def settle(
        self,
        changes: ChangeSet,
        root: Path,
        message: str,
        asking: Prompter | None,
        show: Callable[[Prompter], None],
    ) -> dict[str, Any]:
        """Show changes, write them if that is agreed to, and commit them.

        Args:
            changes: the files.
            root: the folder of the library.
            message: of the commit.
            asking: asks whether to write; None where the options say so.
            show: shows what would change to people; not called with ``--json``.

        Returns:
            Whether they are ``written``, and the ``commit``, None without one.
        """
        if not self.as_json:
            show(asking or Prompter(console(plain=True, to_people=True)))
        done = agreed(asking, editable=False) == "yes" if asking else self.yes
        made = ""
        if done:
            made = self.keep(changes, root, message, asking)
        return {"written": done, "commit": made or None}

    def keep(
        self,
        changes: ChangeSet,
        root: Path,
        message: str,
        asking: Prompter | None,
        write: Callable[[], None] | None = None,
    ) -> str:
        """Write changes that were agreed to, and commit them; gives the commit, or nothing.

        Args:
            changes: the files.
            root: the folder of the library.
            message: of the commit.
            asking: asks whether to commit; None where the options say so.
            write: writes the files together with what else belongs to them; None to write the
                files alone.
        """
        (write or changes.write)()
        if not changes.changes:
            return ""
        return keep_in_git(root, changes.changes, message, asking, asked=self.commit)


def writing(command: Callable[..., int], *, with_record: bool = True) -> Callable[..., int]:
    """The options of every command that writes files, given to it as one ``options``.

    Leaving a question ends the command: nothing was written then, and it says so.
    """

    @wraps(command)
    def run(
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
            return command(
                options=WriteOptions(library, record, as_json, yes, commit, plain), **said
            )
        except AwayError:
            say("faulttree: cancelled; nothing was written", to_people=True)
            return 1

    decorated: Callable[..., int] = run
    for option in (
        json_option,
        library_option,
        *((record_option,) if with_record else ()),
        click.option("--plain", is_flag=True, help="Plain lines: no colour, no cursor control."),
        click.option(
            "--commit", is_flag=True, help="Commit the change, if the library is a git checkout."
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
            remedy="Copy its trees/ and shared/ into a folder of your own; name it: --library.",
        )
    return root


def today() -> str:
    """The day, UTC, as YYYY-MM-DD."""
    return now()[:10]


def within(path: Path, root: Path) -> str:
    """A file as its library names it."""
    return path.relative_to(root).as_posix() if path.is_relative_to(root) else str(path)


def by_hand(text: str) -> str | None:
    """The text as somebody leaves it in their editor; None where it was not saved."""
    return click.edit(text, extension=".yaml", require_save=True)


def keep_in_git(
    folder: Path,
    changes: Sequence[FileChange],
    message: str,
    asking: Prompter | None,
    *,
    asked: bool,
) -> str:
    """Commit where that was asked for, or is agreed to now; gives the new commit, or nothing."""
    from faulttree.cli.git_checkout import commit, is_checkout

    if not is_checkout(folder):
        if asked:
            raise TreeError(
                "This library is not a git checkout.", path=folder, remedy="Omit --commit."
            )
        return ""
    if not asked:
        if asking is None:
            return ""
        asking.tell("Message of the commit:", "label")
        for line in message.splitlines():
            asking.tell(f"  {line}")
        if not _agreed_to_commit(asking):
            return ""
    made = commit(folder, [change.path for change in changes], message)
    say(f"committed as {made}", to_people=True)
    return made


def _agreed_to_commit(asking: Prompter) -> bool:
    """Leaving the question keeps the change, without a commit."""
    from faulttree.terminal.console import AwayError

    try:
        return asking.one("Commit it?", ("yes", "no")) == "yes"
    except AwayError:
        say("faulttree: cancelled; the change is written and not committed", to_people=True)
        return False
