"""The options that describe a cause and the test that shows it, for several commands."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from faulttree.errors import TreeError

if TYPE_CHECKING:
    from faulttree.authoring.cause import Cause, Test


Command = TypeVar("Command", bound=Callable[..., Any])

LIMITS = ("nominal", "tolerance", "min", "max", "unit", "source")
CAUSE = {
    "--fault": "Id of the fault; one the tree has, or a new one.",
    "--title": "The fault in a few words.",
    "--remedy": "How to repair it.",
    "--part": "The part at fault, as the board or the sheet names it.",
    "--module": "The module it belongs to.",
    "--weight": "How common it is, compared with the other faults. [default: their median]",
    "--confirm": "STEP=OUTCOME that proves the repair. [default: the new step, passed]",
    "--seen": "What proved the repair; closes an open case as fixed.",
}
TEST = {
    "--step": "Id of the new step. [default: made from its words]",
    "--ask": "The question that showed it.",
    "--measure": "The measurement that showed it.",
    "--shows": "The answer or outcome that the fault gives.",
    "--fine": "The answer that a good unit gives.",
    "--reading": "What the meter showed on the unit at fault.",
    "--nominal": "Limits of a good reading: the nominal value.",
    "--tolerance": "Tolerance of the nominal value: 10 %, or 2 V.",
    "--min": "Limits of a good reading: the lowest value.",
    "--max": "Limits of a good reading: the highest value.",
    "--unit": "Unit of numbers without a unit.",
    "--limits": "All limits as a tree file has them, in braces: by a part's rating, or bands.",
    "--source": "Where the limits come from.",
    "--how": "How to do the test, and what to watch.",
    "--minutes": "How long the test takes, in minutes.",
    "--in-circuit": "never or allowed, as in a tree.",
}
LISTS = {
    "--needs": "Test equipment by name; may be repeated.",
    "--cautions": "Cautions that apply to the test; may be repeated.",
    "--access": "Access states the unit must be in; may be repeated.",
    "--after": "Steps that must come first; may be repeated.",
}
NUMBERS = frozenset({"--weight", "--minutes"})


def cause_options(command: Command, *, leave: Collection[str] = ()) -> Command:
    """The options that describe a cause and its test, those of a shared procedure included.

    Args:
        command: what to decorate.
        leave: options that the command declares itself, or does not have.
    """
    command = sharing(command)
    live = "The unit is powered for the new step."
    command = click.option("--live", is_flag=True, help=live)(command)
    for name, text in reversed(LISTS.items()):
        command = click.option(name, multiple=True, metavar="NAME", help=text)(command)
    for name, text in reversed([*CAUSE.items(), *TEST.items()]):
        if name in leave:
            continue
        kind = float if name in NUMBERS else str
        own = name.strip("-").replace("-", "_")
        command = click.option(name, own, type=kind, default=None, help=text)(command)
    return command


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
        raise TreeError(f"{option} needs two words, not {text!r}.", remedy=f"Write {form}.")
    return left.strip(), right.strip()


OWN = ("ask", "measure", "shows", "reading", "limits", "nominal", "tolerance", "min", "max", "unit")
"""Options of a question or a reading that a shared procedure does not take."""


def sharing(command: Command) -> Command:
    """The options that make a shared procedure the test of a fault."""
    for option in (
        click.option(
            "--lead",
            multiple=True,
            metavar="EXIT=TARGET",
            help="Where another exit leads; may be repeated. [default: the next step]",
        ),
        click.option("--exit", "leaving", metavar="EXIT", help="The exit that the fault takes."),
        click.option(
            "--with",
            "given",
            multiple=True,
            metavar="NAME=VALUE",
            help="A value that the procedure takes, besides --part; may be repeated.",
        ),
        click.option(
            "--use", metavar="PROCEDURE", help="The shared procedure that shows the fault, by name."
        ),
    ):
        command = option(command)
    return command


def procedure_of(said: Mapping[str, Any]) -> dict[str, Any]:
    """What the options say of a shared procedure; nothing where none is named.

    Raises:
        TreeError: an option of a question or a reading is given besides, or an option of a
            procedure without one.
    """
    if not said.get("use"):
        for key, option in (("given", "--with"), ("leaving", "--exit"), ("lead", "--lead")):
            if said.get(key):
                remedy = "Name the procedure: --use."
                raise TreeError(f"{option} is for a shared procedure.", remedy=remedy)
        return {}
    for key in OWN:
        if said.get(key):
            option = f"--{key}"
            remedy = "Omit it, or omit --use."
            raise TreeError(f"{option} cannot be combined with --use.", remedy=remedy)
    return {
        "use": said["use"],
        "given": _pairs(said.get("given"), "--with", "NAME=VALUE"),
        "leads": _pairs(said.get("lead"), "--lead", "EXIT=TARGET"),
        "shows": said.get("leaving") or "",
    }


def _pairs(given: Sequence[str] | None, option: str, form: str) -> dict[str, str]:
    return dict(pair(one, option, form) or ("", "") for one in given or ())


def cause_of(said: Mapping[str, Any]) -> Cause:
    """The cause that the options describe.

    Raises:
        TreeError: ``--confirm`` is not two words.
    """
    from faulttree.authoring.cause import Cause

    keys = ("fault", "title", "remedy", "part", "module", "weight")
    given = {key: said[key] for key in keys if said.get(key) is not None}
    return Cause(**given, confirm=pair(said.get("confirm"), "--confirm"))


def test_of(said: Mapping[str, Any]) -> Test:
    """The test that the options describe; empty where they describe none.

    Raises:
        TreeError: options exclude each other, or ``--limits`` holds no limits.
    """
    from faulttree.authoring.cause import Test

    given = {key: value for key, value in said.items() if value not in (None, ())}
    plain = ("step", "ask", "measure", "shows", "fine", "reading", "how", "minutes", "in_circuit")
    lists: dict[str, Any] = {
        key: words(given.get(key, ())) for key in ("needs", "cautions", "access", "after")
    }
    test = Test(
        **{key: given[key] for key in plain if key in given},
        **lists,
        live=bool(given.get("live")),
        limits=_limits(given) if given.get("measure") else {},
    )
    return replace(test, **procedure_of(given))


def _limits(given: Mapping[str, Any]) -> dict[str, Any]:
    """The limits as a whole, or figure by figure."""
    if "limits" not in given:
        return {key: given[key] for key in LIMITS if key in given}
    from faulttree.tree import read_document

    data = read_document(str(given["limits"]), path=Path("--limits")).data
    if not isinstance(data, dict):
        remedy = "Write them in braces: {component: fuse, rated: 2 A, quantity: resistance}."
        raise TreeError("--limits holds no limits.", remedy=remedy)
    return data
