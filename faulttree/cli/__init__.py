"""The command line: one module a command, each imported only when it is called."""

from __future__ import annotations

import sys
from importlib import import_module

import click

from faulttree.errors import FaulttreeError
from faulttree.version import __version__

__all__ = ["COMMANDS", "cli", "main"]

# Name → one line of help. The list stands here so that ``--help`` imports no command.
COMMANDS = {
    "find": "Find the tree for a complaint, typos allowed.",
    "diagnose": "Walk a technician through a tree and record the case.",
    "page": "Walk in a browser, on this machine or on paired devices.",
    "cases": "List, show, reopen, close, export and import recorded cases.",
    "backup": "Copy the record while work goes on.",
    "restore": "Put a backup at the place of the record.",
    "check": "Find everything in a tree that could mislead.",
    "judge": "Judge one reading against one limit, without a tree.",
    "plan": "Compute the cheapest order of tests.",
    "write-up": "Write a solved case back into its tree.",
    "new": "Start a tree from a few questions or a fault table.",
    "draw": "Draw a tree, or a case on its tree.",
    "review": "Show which branches found faults, and what to change.",
    "suspect": "Add and list what others suspect, with its standing.",
    "tips": "Sort what others say of a unit into tests worth making.",
    "rename": "Rename a step or fault everywhere it is meant.",
    "revisit": "List retired units that a newer suspect may explain.",
    "demo": "Show the whole work cycle in a temporary record.",
}


class LazyGroup(click.Group):
    """A group that imports ``faulttree.cli.<name>`` only when that command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names, in the order of the work."""
        return [name for name in COMMANDS if _is_built(name)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command itself, imported now."""
        if cmd_name not in COMMANDS or not _is_built(cmd_name):
            return None
        module = import_module(f"faulttree.cli.{cmd_name.replace('-', '_')}")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, with the nearest name where there is none of that name."""
        if args and self.get_command(ctx, args[0]) is None and not args[0].startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(args[0], self.list_commands(ctx), n=1)
            hint = f" Did you mean '{near[0]}'?" if near else ""
            ctx.fail(f"there is no command '{args[0]}'.{hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name]) for name in self.list_commands(ctx)])


def _is_built(name: str) -> bool:
    from pathlib import Path

    return (Path(__file__).parent / f"{name.replace('-', '_')}.py").is_file()


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["--help", "-h"]},
    epilog="Example: faulttree find no output",
)
@click.version_option(__version__, message="faulttree %(version)s")
def cli() -> None:
    """Find the fault in a unit on the bench, test by test; each result is judged and recorded."""


def main() -> None:
    """Entry point: run a command, word what went wrong, leave with the agreed status."""
    status = run(sys.argv[1:])
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _forget_stdout()
    raise SystemExit(status)


def run(arguments: list[str]) -> int:
    """Run one command line and return its exit status: 0 done, 1 no, 2 could not run."""
    try:
        result = cli.main(args=arguments, prog_name="faulttree", standalone_mode=False)
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.Abort:
        click.echo("faulttree: interrupted", err=True)
        return 130
    except click.ClickException as error:
        error.show()
        return 2
    except FaulttreeError as error:
        _complain(str(error))
        return 2
    except BrokenPipeError:
        _forget_stdout()
        return 0
    except KeyboardInterrupt:
        click.echo("faulttree: interrupted", err=True)
        return 130
    except OSError as error:
        _complain(_os_words(error))
        return 2
    except RecursionError:
        click.echo("faulttree: the input is nested too deeply to be followed", err=True)
        return 2
    return result if isinstance(result, int) else 0


def _os_words(error: OSError) -> str:
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}{error.strerror or error}"


def _complain(text: str) -> None:
    """Say what went wrong; a message may quote a file, so it is made harmless."""
    from faulttree.cli.options import say

    say(f"faulttree: {text}", to_people=True, wrap=True)


def _forget_stdout() -> None:
    """The reader went away: say no more, and let no traceback follow at exit."""
    import os

    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, sys.stdout.fileno())
