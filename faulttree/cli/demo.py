"""``faulttree demo``: the whole circle, in a temporary record, as a technician would see it."""

from __future__ import annotations

import io
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from contextlib import nullcontext, redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faulttree.errors import WalkError

if TYPE_CHECKING:
    from faulttree.terminal.console import Line


TREE = "soldering-station/does-not-heat"

OTHER = "corded-drill/does-not-run"

OTHER_UNIT = """\
unit: {model: 600 W drill, serial: tag 18}
complaint: runs on and off
who: bench 1
answers:
  - look.lead: sound
  - look.housing: sound
  - look.earth: none-to-test
  - lever: as-it-should
  - pins: 14 ohm
  - fact: {protection-class: II}
  - before-power.ready-for-power.look: ready
  - before-power.insulation-2.method: 500-volt
  - before-power.insulation-2.insulation: 60 Mohm
  - before-power.plug-short.pins: 14 ohm
  - before-power.first-start.lamp: motor-or-heater
  - run: runs
outcome: {result: not-reproduced, became: waiting}
"""
"""A unit that runs while it is watched: it waits until it shows its fault again."""

SUSPECT = (
    *("--fault", "burnt-fuse-holder", "--title", "Contact of the fuse holder burnt"),
    *("--part", "fuse holder", "--module", "mains-inlet"),
    *("--source", "a quiet neighbour, who had it once"),
    *("--remedy", "Fit a holder of the same current and voltage."),
    *("--step", "fuse-holder", "--shows", "high", "--max", "5.6 Ω", "--minutes", "2"),
    *("--measure", "Resistance across the fuse holder, a good 250 mA fuse in it"),
    *("--how", "Unplugged. From tag to tag, while turning the cap."),
    *("--access", "lid-off", "--needs", "multimeter", "--yes"),
)

# What is typed, each with the beginning of the prompt it answers. Cautions are acknowledged
# as they come, and yes-or-no questions say yes unless a line here answers them. An empty
# beginning answers whatever comes next.
SEARCH = (
    ("Unit and complaint", "60 W station tag 41: lamp dark"),
    ("sound", "note three neighbours, loudly: the transformer has burnt out"),
    ("sound", "sound"),
    ("sound", "sound"),
    ("below", "below"),
    ("reading", "230 V"),  # a wrong unit is refused, with both named
    ("reading", "5,2 kohm"),  # a decimal comma
    ("as-marked", "as-marked"),
    ("reading", "2.1 ohm"),
    ("protection-class", "I"),  # asked before the unit is opened
    ("reading", "0.1 ohm"),
    ("reading", "0.1 ohm"),
    ("reading", "0.9 ohm"),
    ("", "back"),  # a probe had slipped: taken back
    ("reading", "0.1 ohm"),
    ("reading", "58 ohm"),
    ("reading", "note 58 ohm: the transformer is good"),
    ("reading", "suspects"),
    ("reading", "5.1 kohm"),
    ("", "give up"),  # not for good: the part must be ordered
    ("", "found"),
    ("Make these checks", "no"),
    ("", "waiting"),
)

REPAIR = (
    ("", "new fuse holder fitted, its wires crimped"),
    ("reading", "2.2 ohm"),
    ("done", ""),  # the unit is closed first
    ("ready", "ready"),  # the checks before power, of this round
    ("reading", "0.12 ohm"),
    ("meter-kind.earth-path", "earth-tester"),  # asked once a case
    ("500-volt", "500-volt"),
    ("reading", "200 Mohm"),
    ("meter-kind.insulation", "insulation-tester"),
    ("reading", "62 ohm"),
    ("settles", "settles"),
    ("done", ""),
    ("clean", "clean"),
    ("gone", "gone"),
    ("sound", "sound"),
    ("reading", "0.12 ohm"),
    ("reading", "200 Mohm"),
    ("untouched", "renewed"),
    ("right", "right"),
    ("none", "none"),
    ("", "returned"),
)

CHECKS_LEFT_OUT = (
    (r".* · before power · earth-path", r".* · before it goes back ·"),
    (r"closing\.safety-by-class\.test-1\.earth", r"Where does the unit go now"),
)
"""Checks whose screens are not printed: they look like the ones before them."""

LEARNT = ("--set-limit", "fuse-holder.source=IEC 60127-2, from memory: 1.4 V at 250 mA", "--yes")

RATING = ("--component", "fuse", "--rated", "250 mA", "--quantity", "resistance")

INVENTED_CASES = 300


@click.command(epilog="Example: faulttree demo")
def command() -> int:
    """Play the whole circle on a library of the demo's own, in a temporary record.

    All units, owners, readings and past cases in it are invented.
    """
    folder = Path(tempfile.mkdtemp(prefix="faulttree-demo-"))
    demo = _Demo(folder)
    demo.play()
    if sys.stdin.isatty() and sys.stdout.isatty():
        return demo.by_hand()
    return 0


class _Demo:
    """One run of the demo: its own copy of the library, its own record."""

    def __init__(self, folder: Path) -> None:
        from faulttree.tree import demo_library

        self.folder = folder
        self.library = folder / "library"
        self.record = folder / "record.db"
        shutil.copytree(demo_library().root, self.library)

    def play(self) -> None:
        """Every scene, in the order of the circle."""
        self.opinions()
        self.diagnosis()
        self.learning()
        self.pictures()
        click.echo(f"\nAll files of this demo: {self.folder}")

    def opinions(self) -> None:
        """Two units come in; one waits, of the other everybody knows what it is."""
        self.title("A drill runs on and off, but not while it is watched: it waits")
        self.script("tag-18", OTHER, OTHER_UNIT)
        self.title("A soldering station is dark. Which tree is it, and is that tree sound?")
        self.run("find", "iron lamp dark")
        self.run("check", self.file_of(TREE))
        self.title("Neighbours have opinions. One goes into the tree, as hearsay with a test")
        self.run("suspect", "add", TREE, *SUSPECT)

    def diagnosis(self) -> None:
        """From the complaint to the case that is closed, over a wait for the part."""
        self.title("The search: one reading speaks against the loudest opinion, two find the cause")
        self.sit(SEARCH, "diagnose", TREE)
        self.title("Both readings against the rating of the fuse, as one may ask of any part")
        for reading in ("2.1 ohm", "5.1 kohm"):
            self.run("judge", reading, *RATING)
        self.title("The station waits for its part")
        self.run("cases", "parts")
        self.run("cases", "reopen", "2", "--reason", "the fuse holder has come")
        self.title("Repaired, proved, and tested for safety before it goes back")
        self.sit(REPAIR, "diagnose", "--resume", "tag 41", without=CHECKS_LEFT_OUT)

    def learning(self) -> None:
        """The case goes into the tree; a unit of another family may have the same."""
        self.title("What was recorded")
        self.run("cases", "list")
        self.run("cases", "show", "2", without=[("What was tested", "Repair")])
        self.title("The case is written back into its tree, and the tree is sound")
        self.run("write-up", "2", *LEARNT)
        self.run("check", self.file_of(TREE))
        self.title("Which unit that waits may have the same?")
        self.run("revisit", TREE)

    def pictures(self) -> None:
        """What people would rather look at than read."""
        self.title("A tree with a case laid over it")
        self.run("draw", "--case", "2", "-o", str(self.folder / "case-2.svg"))
        self.title("Two years of an invented shop with three benches: what its record says")
        self.record = self.invented(INVENTED_CASES)
        long = [
            (r"\S+: \d+ walked", "What to change"),
            (r"2\. ", "How to read this"),
            ("How to read this", "$."),
        ]
        self.run("review", "--tree", TREE, without=long)
        self.run(
            *("review", "--family", TREE.partition("/")[0]),
            *("--html", str(self.folder / "review.html")),
        )

    def invented(self, cases: int) -> Path:
        """A record of a shop that never was, beside the demo's own."""
        from faulttree.cases import open_store
        from faulttree.figures.simulation.simulator import fill
        from faulttree.tree import Library

        path = self.folder / "invented-shop.db"
        library = Library(self.library)
        family = TREE.partition("/")[0]
        trees = [library.load(name) for name in library.trees() if name.startswith(f"{family}/")]
        with open_store(str(path)) as store:
            fill(store, trees, cases=cases)
        return path

    def file_of(self, tree: str) -> str:
        """The file of a tree in the demo's own library."""
        return str(self.library / "trees" / f"{tree}.yaml")

    def script(self, name: str, tree: str, answers: str) -> None:
        """Play an answers file, shown before it is played."""
        path = self.folder / f"{name}.yaml"
        path.write_text(answers)
        click.echo(f"\n$ cat {path.name}\n{answers}", nl=False)
        self.run("diagnose", tree, "--answers", str(path))

    def title(self, text: str) -> None:
        """A scene begins."""
        click.echo(f"\n\n### {text}")

    def run(self, *arguments: str, without: Sequence[tuple[str, str]] = ()) -> None:
        """Show a command and run it; of what it prints, stretches may be left out."""
        from faulttree.cli import run

        click.echo(f"\n$ faulttree {shlex.join(arguments)}")
        printed = io.StringIO()
        with redirect_stdout(printed) if without else nullcontext():
            status = run([*arguments, *self.places(arguments[0])])
        if without:
            click.echo(_shortened(printed.getvalue(), without))
        if status == 2:
            raise WalkError(f"the demo's 'faulttree {shlex.join(arguments)}' could not run")

    def places(self, name: str) -> list[str]:
        """The demo's own library and record, for the commands that take them."""
        from faulttree.cli import cli

        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        takes = {parameter.name for parameter in command.params}
        if name == "cases":
            takes = {"library", "record"}
        if name == "suspect":
            takes = {"library"}
        places = {"library": self.library, "record": self.record}
        return [
            word for key, at in places.items() if key in takes for word in (f"--{key}", str(at))
        ]

    def sit(
        self,
        typed: Sequence[tuple[str, str]],
        *arguments: str,
        without: Sequence[tuple[str, str]] = (),
    ) -> None:
        """Play a sitting: what is typed stands behind its prompt, as on a screen."""
        from faulttree.terminal import console

        rehearsed = _Rehearsed(typed)
        usual: Callable[..., object] = console.console_for
        console.console_for = lambda **_: rehearsed
        try:
            self.run(*arguments, without=without)
        finally:
            console.console_for = usual  # type: ignore[assignment]
        rehearsed.must_be_through()

    def by_hand(self) -> int:
        """Offer a diagnosis by hand, on the demo's library and record."""
        from faulttree.cli import run

        click.echo()
        if not click.confirm("Try one yourself, on this library and record?", default=True):
            return 0
        places = ["--library", str(self.library), "--record", str(self.record)]
        status = run(["diagnose", *places])
        return 2 if status == 2 else 0


def _shortened(text: str, without: Sequence[tuple[str, str]]) -> str:
    """A text without the lines from one that begins with a pattern to the next one named."""
    lines = text.rstrip("\n").split("\n")
    for begin, end in without:
        first = next((at for at, line in enumerate(lines) if re.match(begin, line)), len(lines))
        if first == len(lines):
            continue
        later = range(first, len(lines))
        last = next((at for at in later if re.match(end, lines[at])), len(lines))
        lines[first:last] = [f"({last - first} lines are left out here)", ""]
    return "\n".join(lines).rstrip("\n")


class _Rehearsed:
    """A console whose answers are written beforehand."""

    width = 80

    def __init__(self, typed: Sequence[tuple[str, str]]) -> None:
        self.typed = list(typed)

    def show(self, lines: Iterable[Line]) -> None:
        """Write lines."""
        for line in lines:
            click.echo("".join(text for _, text in line).rstrip())

    def ask(
        self, prompt: str, choices: Sequence[str] = (), status: Callable[[], str] | None = None
    ) -> str:
        """Give the next answer, shown behind its prompt."""
        answer = self._answer(prompt)
        click.echo(f"{prompt}{answer}")
        return answer

    def _answer(self, prompt: str) -> str:
        if self.typed and prompt.startswith(self.typed[0][0]):
            return self.typed.pop(0)[1]
        if prompt.startswith("Have you read this"):
            return ""
        if "yes / no" in prompt:
            return "yes"
        raise WalkError(f"the demo has no answer to '{prompt}'")

    def pause(self, seconds: float, what: str) -> tuple[bool, str]:
        """A pause is said, not waited for."""
        from faulttree.texts import spell

        click.echo(f"(the bench waits {spell(seconds)} here)")
        return True, ""

    def must_be_through(self) -> None:
        """Nothing may be left to type.

        Raises:
            WalkError: the walk went another way than was rehearsed.
        """
        if self.typed:
            raise WalkError(f"the demo's walk ended before '{self.typed[0][0]}' was asked")
