"""``faulttree demo``: the whole circle, in a temporary record, as a technician would see it."""

from __future__ import annotations

import shlex
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faulttree.errors import WalkError

if TYPE_CHECKING:
    from faulttree.bench.console import Line

__all__ = ["command"]

TREE = "bench-supply/output-not-steady"

# What is typed, each with the beginning of the prompt it answers. Cautions are acknowledged
# as they come, and yes-or-no questions say yes unless a line here answers them.
FIRST_UNIT = (
    ("Serial", "tag 14"),
    ("Model", "two-channel"),
    ("Complaint", "hums"),
    ("In the owner", "the lamp on my test board flickers"),
    ("sound", "sound"),
    ("sound", "sound"),
    ("below", "below"),
    ("class-1", "class-1"),
    ("reading", "0.12 ohm"),
    ("reading", "20 Mohm"),
    ("reading", "26 ohm"),
    ("settles", "settles"),
    ("reading", "12.02 V"),
    ("dark", "dark"),
    ("reading", "18 ohm"),  # a wrong unit is refused, with both named
    ("reading", "18 mV"),
    ("smooth", "jumps"),
    ("Mended?", "back"),  # typed too fast: taken back
    ("smooth", "smooth"),
    ("reading", "38 mV"),
    ("once-a-cycle", "twice"),
    ("done", ""),
    ("reading", "21,6 V"),  # a decimal comma
    ("done", ""),
    ("reading", "0,4 V"),
    ("reading", "51u"),  # in circuit: enough proves nothing
    ("done", "give up"),
    ("number to test it", ""),  # the door: the likely and cheap one is tested after all
    ("done", ""),
    ("reading", "20u"),
    ("Mended?", "new 47 µF 63 V 105 °C in C5"),
    ("reading", "3 mV"),
    ("sound", "sound"),
    ("reading", "0.12 ohm"),
    ("reading", "200 Mohm"),
    ("done", ""),
    ("clean", "clean"),
    ("gone", "gone"),
    ("Where does", "returned"),
)

REVIEWED = "bench-supply/no-output"
INVENTED_CASES = 300

OTHER = "dehumidifier/does-not-run"

GIVEN_UP = """\
unit: {model: cellar model, serial: tag 21}
complaint: no lamp lights but the bucket lamp
who: bench 1
answers:
  - look.lead: sound
  - look.housing: sound
  - look.earth: below
  - plate: not-flammable
  - before-power.class: class-1
  - before-power.earth: 0.12 ohm
  - before-power.insulation-1: 20 Mohm
  - before-power.pins: 700 ohm
  - before-power.lamp: settles
  - lamps: bucket-lamp
  - bucket: stays
  - float-switch: 0.3 ohm
outcome: {result: unsolved, became: kept-for-parts, kept: [humidity-control]}
"""
"""A unit whose cause the tree does not know yet."""

SAME_AGAIN = GIVEN_UP.replace("tag 21", "tag 22").partition("outcome:")[0]

NEXT_UNIT = SAME_AGAIN.replace("tag 22", "tag 23").replace(
    "  - float-switch: 0.3 ohm\n", "  - magnet: goes-out\n"
)

FOUND_OFF_THE_TREE = (
    *("--fault", "lost-float-magnet", "--title", "Magnet of the float fallen out"),
    *("--part", "float magnet", "--module", "humidity-control"),
    *("--remedy", "Glue the magnet back, its marked side up; try the float by hand."),
    *("--step", "magnet", "--minutes", "4"),
    *("--ask", "Does the bucket lamp go out with a loose magnet held to the float's place?"),
    *("--how", "Bucket in, housing closed; any small magnet will do."),
    *("--shows", "goes-out", "--fine", "stays", "--confirm", "bucket=goes-out"),
    *("--seen", "ran the evening, the bucket lamp dark", "--search-minutes", "45", "--yes"),
)


@click.command(epilog="Example: faulttree demo")
def command() -> int:
    """Play the whole circle on the shipped library, in a temporary record.

    All units, owners and readings in it are invented.
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
        from faulttree.tree import shipped_library

        self.folder = folder
        self.library = folder / "library"
        self.record = folder / "record.db"
        shipped = shipped_library().root
        for part in ("trees", "shared"):
            shutil.copytree(shipped / part, self.library / part)

    def play(self) -> None:
        """Every scene, in the order of the circle."""
        self.diagnosis()
        self.learning()
        self.pictures()
        click.echo(f"\nAll files of this demo: {self.folder}")

    def diagnosis(self) -> None:
        """From the complaint to the case that is kept."""
        self.title("A bench supply comes in: it hums. Which tree is it?")
        self.run("find", "suply hums")
        self.title("Could anything in that tree mislead?")
        self.run("check", str(self.library / "trees" / f"{TREE}.yaml"))
        self.title("The diagnosis, as it is typed at the bench")
        self.sit(FIRST_UNIT, "diagnose", TREE)
        self.title("What was kept")
        self.run("cases", "list")
        self.run("cases", "show", "1")

    def learning(self) -> None:
        """A cause the tree does not know: found once, the next unit is quick."""
        self.title("Two dehumidifiers: the tree does not know their cause yet")
        self.script("tag-21", GIVEN_UP)
        self.script("tag-22", SAME_AGAIN)
        self.title("A tip: the float's magnet. Found off the tree, it goes into the tree")
        self.run("write-up", "3", *FOUND_OFF_THE_TREE)
        self.title("The next unit is quicker")
        self.script("tag-23", NEXT_UNIT)
        self.title("And the one that was kept for parts?")
        self.run("revisit")

    def pictures(self) -> None:
        """What people would rather look at than read."""
        self.title("A tree with its first case laid over it")
        self.run("draw", "--case", "1", "-o", str(self.folder / "case-1.svg"))
        self.title("Two years of an invented shop with three benches: what its record says")
        self.record = self.invented(INVENTED_CASES)
        self.run("review", "--tree", REVIEWED)
        self.run("review", "--family", "bench-supply", "--html", str(self.folder / "review.html"))

    def invented(self, cases: int) -> Path:
        """A record of a shop that never was, beside the demo's own."""
        from faulttree.cases import open_store
        from faulttree.figures.simulator import fill
        from faulttree.tree import Library

        path = self.folder / "invented-shop.db"
        library = Library(self.library)
        trees = [library.load(name) for name in library.trees() if name.startswith("bench-supply/")]
        with open_store(str(path)) as store:
            fill(store, trees, cases=cases)
        return path

    def script(self, name: str, answers: str) -> None:
        """Play an answers file, shown before it is played."""
        path = self.folder / f"{name}.yaml"
        path.write_text(answers)
        click.echo(f"\n$ cat {path.name}\n{answers}", nl=False)
        self.run("diagnose", OTHER, "--answers", str(path))

    def title(self, text: str) -> None:
        """A scene begins."""
        click.echo(f"\n\n### {text}")

    def run(self, *arguments: str) -> None:
        """Show a command and run it."""
        from faulttree.cli import run

        click.echo(f"\n$ faulttree {shlex.join(arguments)}")
        status = run([*arguments, *self.places(arguments[0])])
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
        places = {"library": self.library, "record": self.record}
        return [
            word for key, at in places.items() if key in takes for word in (f"--{key}", str(at))
        ]

    def sit(self, typed: Sequence[tuple[str, str]], *arguments: str) -> None:
        """Play a sitting: what is typed stands behind its prompt, as on a screen."""
        from faulttree.bench import console

        rehearsed = _Rehearsed(typed)
        usual: Callable[..., object] = console.console_for
        console.console_for = lambda **_: rehearsed
        try:
            self.run(*arguments)
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
        if prompt.startswith("Read and kept to"):
            return ""
        if "yes / no" in prompt:
            return "yes"
        raise WalkError(f"the demo has no answer to '{prompt}'")

    def pause(self, seconds: float, what: str) -> bool:
        """A pause is said, not waited for."""
        from faulttree.bench.console import spell

        click.echo(f"(the bench waits {spell(seconds)} here)")
        return True

    def must_be_through(self) -> None:
        """Nothing may be left to type.

        Raises:
            WalkError: the walk went another way than was rehearsed.
        """
        if self.typed:
            raise WalkError(f"the demo's walk ended before '{self.typed[0][0]}' was asked")
