"""``faulttree judge``: a reading against a limit, without a tree."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.options import json_option, library_option, say, say_json
from faulttree.errors import ReadingError

if TYPE_CHECKING:
    from faulttree.reading import Bench
    from faulttree.reading.markings import Marking
    from faulttree.reading.standalone import Judgement


# Spelt out below because the four forms share them.
COMMON = frozenset({"tolerance", "nominal", "holds_at"})
NEGATIVE = re.compile(r"- ?(?=[0-9.,∞]|-+$)")


class TypedReadings(click.Command):
    """A command whose arguments may be below zero without being taken for options.

    The options of component ratings come from the register, which is read only when one of
    them, or the help, is asked for.
    """

    own: list[click.Parameter]
    all: list[click.Parameter] | None = None
    is_plain = False

    @property
    def params(self) -> list[click.Parameter]:
        """The options and arguments, those of ratings in front of the last two."""
        if self.is_plain:
            return self.own
        # One list: click adds its help option to it.
        if self.all is None:
            self.all = [*self.own[:-2], *_rating_options(), *self.own[-2:]]
        return self.all

    @params.setter
    def params(self, given: list[click.Parameter]) -> None:
        self.own = given

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click does, once a leading minus has become the typographic one."""
        plain = [NEGATIVE.sub("−", arg, count=1) if NEGATIVE.match(arg) else arg for arg in args]
        known = {option for parameter in self.own for option in parameter.opts}
        asked = {arg.partition("=")[0] for arg in plain if arg.startswith("-")}
        self.is_plain = asked <= known
        try:
            return super().parse_args(ctx, plain)
        finally:
            self.is_plain = False


def _rating_options() -> tuple[click.Option, ...]:
    """An option for every parameter of the register, with what it means to which part."""
    from faulttree.reading.ratings.entries import RATINGS

    texts: dict[str, dict[str, None]] = {}
    users: dict[str, dict[str, None]] = {}
    for entry in RATINGS.values():
        for parameter in entry.parameters:
            if parameter.name not in COMMON:
                texts.setdefault(parameter.name, {})[parameter.text] = None
                users.setdefault(parameter.name, {})[entry.component] = None
    parts = ", ".join(dict.fromkeys(name for name, _ in RATINGS))
    made = [
        click.Option(["--component"], metavar="NAME", help=f"Limits by a part's rating: {parts}.")
    ]
    for name in sorted(texts):
        said = " or ".join(texts[name])
        text = f"{said[0].upper()}{said[1:]} ({', '.join(users[name])})."
        option = f"--{name.replace('_', '-')}"
        made.append(click.Option([option, name], metavar="VALUE", help=text))
    return tuple(made)


@click.command(
    cls=TypedReadings,
    epilog='Example: faulttree judge "10.9 V" --nominal "12 V" --tolerance "5 %"\n\n'
    'Example: faulttree judge 130uF "2.4 ohm" leakage=40uA --component electrolytic '
    "--capacitance 220u --rated 35V\n\n"
    "Example: faulttree judge --marking 4K7J",
)
@click.argument("readings", nargs=-1, metavar="[READING]...")
@click.option("--nominal", metavar="VALUE", help="The nominal value.")
@click.option(
    "--tolerance", metavar="T", help="Tolerance: 10 %, ±2 V, '-20 %, +80 %', or a letter."
)
@click.option("--min", "minimum", metavar="VALUE", help="The lowest good value.")
@click.option("--max", "maximum", metavar="VALUE", help="The highest good value.")
@click.option(
    "--good", multiple=True, metavar="VALUE", help="What a good unit reads; may be repeated."
)
@click.option("--source-resistance", metavar="VALUE", help="Of the node whose voltage is read.")
@click.option("--driving-voltage", metavar="VALUE", help="What drives the current that is read.")
@click.option("--copper-at", metavar="VALUE", help="Temperature of a winding's limit.")
@click.option("--crest-factor", metavar="VALUE", help="Of the waveform: peak over r.m.s. value.")
@click.option("--holds-at", metavar="VALUE", help="The frequency at which the limit holds.")
@click.option("--quantity", metavar="NAME", help="Which of its quantities was measured.")
@click.option(
    "--marking",
    metavar="TEXT",
    help="Decode a marking (4K7J, 'yellow violet red gold'); with a reading, judge by it.",
)
@click.option(
    "--code", default="", metavar="NAME", help="Code of the marking: iec-60062 or eia-96."
)
@click.option(
    "--derived",
    metavar="NAME",
    help="What follows from named readings (u1=12.6V …): internal-resistance, load-regulation, "
    "polarisation-index, absorption-ratio, ripple, voltage-gain, power-gain, or a formula.",
)
@click.option("--unit", metavar="UNIT", help="Unit of numbers without a unit.")
@click.option("--instrument", metavar="ID", help="The instrument of the reading, from bench.yaml.")
@click.option("--bench", metavar="FILE", help="The instruments here. [default: bench.yaml]")
@click.option(
    "--confidence",
    type=float,
    default=0.95,
    show_default=True,
    help="Required probability of a verdict with uncertainty.",
)
@click.option("--in-circuit", is_flag=True, help="The part was measured in circuit.")
@click.option(
    "--neighbour",
    "neighbours",
    multiple=True,
    metavar="PART",
    help="A part across the same two points; may be repeated.",
)
@click.option("--sure", is_flag=True, help="The reading is right although it looks like a slip.")
@library_option
@json_option
def command(
    readings: tuple[str, ...],
    marking: str | None,
    code: str,
    unit: str | None,
    tolerance: str | None,
    instrument: str | None,
    bench: str | None,
    in_circuit: bool,
    library: tuple[str, ...],
    as_json: bool,
    **said: Any,
) -> int:
    """Judge READINGs of one part, or decode its marking.

    Several readings of one quantity count as repeats. With --component each may be of
    another quantity: its unit tells which, or its name in front, as in ESR=2.4ohm.
    """
    if marking is not None and not readings:
        return _decode(marking, unit, code, as_json=as_json)
    from faulttree.reading import judge_text

    gear = _bench(bench, library) if instrument or bench else None
    _check_instrument(gear, instrument)
    try:
        judged = judge_text(
            readings,
            marking=marking,
            code=code,
            unit=unit,
            tolerance=_pair(tolerance),
            bench=gear,
            instrument=instrument,
            in_circuit=in_circuit or None,
            **{name: value for name, value in said.items() if value not in (None, ())},
        )
    except ReadingError as error:
        raise _for_the_command_line(error) from None
    return _print(judged, as_json=as_json)


def _pair(tolerance: str | None) -> str | list[str] | None:
    """``-20 %, +80 %`` as the pair it is; a decimal comma has no sign behind it."""
    if tolerance is None:
        return None
    parts = re.split(r"\s*[,;/]\s*(?=[-+−])", tolerance.strip().strip("[]"))
    return [part.strip() for part in parts] if len(parts) == 2 else tolerance


def _bench(named: str | None, library: tuple[str, ...]) -> Bench | None:
    from dataclasses import replace

    from faulttree.cli.places import open_library, read_bench_file
    from faulttree.tree.parts import instruments

    found = open_library(library)
    gear = read_bench_file(named, found)
    if gear is None:
        return None
    kinds = instruments(found.instruments)
    held = {
        name: replace(one, offers=kinds[one.kind].offers) if one.kind in kinds else one
        for name, one in gear.instruments.items()
    }
    return replace(gear, instruments=held)


def _check_instrument(gear: Bench | None, instrument: str | None) -> None:
    """Refuse an instrument without a bench, and tell of one whose calibration is overdue."""
    from datetime import date

    if instrument and gear is None:
        message = f"'{instrument}' is on no bench: there is no bench.yaml"
        raise ReadingError(message, remedy="Name the file with --bench.")
    held = gear.instrument(instrument) if gear is not None and instrument else None
    if held is not None and held.overdue(date.today().isoformat()):
        say(f"The calibration of {held.id} was due on {held.due}.", to_people=True, wrap=True)


def _for_the_command_line(error: ReadingError) -> ReadingError:
    """Name the option a parameter was given by, and the one that says to be sure."""
    remedy = (error.remedy or "").replace("or say that you are sure", "or add --sure")
    option = error.key[0] if error.key else None
    message = error.message
    if isinstance(option, str):
        message = f"--{option.replace('_', '-')}: {message}"
    return ReadingError(message, remedy=remedy or None, key=error.key)


def _decode(marking: str, unit: str | None, code: str, *, as_json: bool) -> int:
    from faulttree.reading.markings import decode_marking

    decoded = decode_marking(marking, unit, code)
    if as_json:
        say_json(_decoded(decoded))
    else:
        say(decoded.sentence, wrap=True)
    return 0


def _decoded(decoded: Marking) -> dict[str, Any]:
    tolerance = decoded.tolerance
    ends = tolerance.around(decoded.value) if tolerance else (None, None)
    lower, upper = (None if end is None else float(end) for end in ends)
    return {
        "marking": decoded.text,
        "value": float(decoded.value),
        "unit": decoded.unit,
        "lower": lower,
        "upper": upper,
        "tolerance": decoded.tolerance_text or None,
        "coefficient": decoded.coefficient,
        "voltage": None if decoded.voltage is None else float(decoded.voltage),
        "words": list(decoded.words),
        "text": decoded.sentence,
    }


def _print(judged: Judgement, *, as_json: bool) -> int:
    for warning in judged.before:
        say(warning, to_people=True, wrap=True)
    if as_json:
        say_json(judged.as_dict())
    else:
        for verdict in judged.verdicts:
            name = f"{verdict.limits.quantity}: " if len(judged.verdicts) > 1 else ""
            say(f"{name}{verdict.sentence}", wrap=True)
            if verdict.scale:
                say(f"  {verdict.scale}")
    return 0 if judged.is_good else 1
