"""Which caution a step or a repair calls for by name, from what the tree says of it anyway.

Hazards by figures stand in :mod:`faulttree.rules.hazard_inference`. Here are the ones that
states, parts, instruments and words name: common practice, no source. A need is only asked
for where the library has a caution of that name, and any one of the names it lists will do.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from faulttree.rules.context import RuleContext
from faulttree.tree.model import Fault, Step


class StepText:
    """Phrases to look for as whole words in lower-case text; ``*`` stands for any ending."""

    def __init__(self, *phrases: str) -> None:
        self.begun = tuple(phrase.rstrip("*") for phrase in phrases)
        ends = (re.escape(begun) for begun in self.begun)
        every = (
            f"{end}\\w*" if phrase.endswith("*") else end
            for phrase, end in zip(phrases, ends, strict=True)
        )
        self.pattern = re.compile(rf"\b(?:{'|'.join(every)})\b")

    def __call__(self, text: str) -> bool:
        # Plain search first: nearly every text says none of it, and the pattern is slow.
        for begun in self.begun:
            if begun in text:
                return self.pattern.search(text) is not None
        return False


GUARD = StepText(
    "thermal cut-out", "thermal cutout", "thermal fuse", "thermal link", "overload switch",
    "door switch", "guard switch", "float switch", "interlock*", "restart lock",
)  # fmt: skip
LASER = StepText("laser*", "optical drive", "optical pick-up")
PICTURE_TUBE = StepText("picture tube", "cathode-ray tube", "anode cap")
MICROWAVE = StepText("microwave oven", "magnetron")
BOILER = StepText("boiler*", "steam", "hot water")
ALKALINE = StepText("alkaline", "leaked cell*")
THE_SAME = "the same"
CLOSED = "closed"  # the one state of `access` in which nothing is open
THERMAL_FUSE = StepText("thermal fuse", "thermal link")
NEVER_BRIDGE = StepText("not bridge", "never bridge", "not bypass", "never bypass")
CAPACITOR = StepText("capacitor*", "reservoir*", "suppressor*", "electrolytic*")
DISCHARGE = StepText("discharge")
DISCHARGED = StepText("discharged")
PROVE = StepText("prove")
DEAD = StepText("dead")
CLIP_ON = StepText("clip on")
MAINS = StepText("mains")
CELL = StepText("cell", "cells", "battery", "batteries", "pack")
SWOLLEN = StepText("swell*", "swollen", "leak*")
DUST = StepText("dust", "lint")
TOOL = StepText("clamp*", "wheel", "chuck", "spindle", "guard", "blade", "bit", "shaft", "impeller")
HELD = StepText("clamped", "fan turns", "fingers away")
MOTOR = StepText("motor")
TURNS = StepText("turn", "turns", "run", "runs")
HOT = StepText("gets hot", "get hot", "becomes hot", "is hot", "are hot", "still hot", "too hot")
HEATER = StepText("heat sink*", "heating element", "heater*", "soldering tip")
ADAPTOR = StepText("plug-in supply", "adaptor", "adapter")
FUSE = StepText("fuse")
RATING = StepText("rating")
RESIDUAL = StepText("voltage left", "residual voltage")
MOTOR_PARTS = StepText(
    "commutator", "carbon brush*", "both brushes", "armature", "field coil*", "bar-to-bar"
)
CARBON = StepText("commutator", "carbon brush*", "both brushes")
MARKED_RATING = StepText("marked rating")

SAFETY_GEAR = frozenset({"insulation-tester", "earth-tester"})

PARTS_THAT_STORE = frozenset({"electrolytic", "film-capacitor", "run-capacitor"})
"""Components of a rating that hold a charge."""


@dataclass(frozen=True, slots=True)
class Scene:
    """What the tree says of a step.

    Attributes:
        step: the step itself.
        text: what it asks, measures or does, in lower case.
        how: how it is done, in lower case.
        before: of a step that reads the same once more, what the steps that lead to it look
            at, and how, in lower case.
        unit: base unit of its reading, empty without one.
        mains: whether the family is fed from the mains.
        moving: whether the tree's closing runs a tool with turning parts.
    """

    step: Step
    text: str
    how: str
    before: tuple[str, ...] = ()
    unit: str = ""
    mains: bool = False
    moving: bool = False

    @property
    def both(self) -> str:
        """What it wants and how."""
        return f"{self.text} {self.how}"

    @property
    def part(self) -> str:
        """The component whose rating gives the limits."""
        return str((self.step.limits or {}).get("component"))

    @property
    def measures(self) -> bool:
        """Whether it takes a reading."""
        return self.step.kind == "measure"

    @property
    def opened(self) -> bool:
        """Whether it is done in a state of the unit other than ``closed``."""
        return any(state != CLOSED for state in self.step.access)

    @property
    def powered_mains(self) -> bool:
        """Whether a unit fed from the mains is under power."""
        return self.step.live and self.mains


@dataclass(frozen=True, slots=True)
class Need:
    """One reason why a caution is needed.

    Attributes:
        names: cautions of which one must be in force; the first is the one to name.
        because: why, for the message.
        where: whether a step calls for it.
        firm: whether the state, instruments or ratings of the step say so; else its words,
            or the part that it measures unpowered.
    """

    names: tuple[str, ...]
    because: str
    where: Callable[[Scene], bool]
    firm: bool = False


def _probed_inside(scene: Scene) -> bool:
    reads = scene.measures or "oscilloscope" in scene.step.needs
    return scene.powered_mains and scene.opened and reads


def _probed(scene: Scene) -> bool:
    written_here = scene.step.use is None or scene.opened
    return scene.powered_mains and scene.measures and written_here


def _holds_charge(scene: Scene) -> bool:
    if scene.step.live or scene.step.kind == "ask":
        return False
    if DISCHARGED(scene.how) or RESIDUAL(scene.text):
        return True
    if not scene.measures:
        return False
    if scene.part in PARTS_THAT_STORE or CAPACITOR(scene.text):
        return True
    if scene.step.after and scene.unit in ("ohm", "F") and CAPACITOR(scene.how):
        return True
    if not scene.text.startswith(THE_SAME):
        return False
    return any(CAPACITOR(text) or DISCHARGED(text) for text in scene.before)


def _guards(scene: Scene) -> bool:
    if scene.step.kind == "do":
        return False
    hidden = scene.unit == "ohm" and THERMAL_FUSE(scene.how)
    return hidden or GUARD(scene.text) or NEVER_BRIDGE(scene.how)


def _tool_runs(scene: Scene) -> bool:
    return scene.moving and scene.step.live and TOOL(scene.both)


def _turns(scene: Scene) -> bool:
    asked = scene.step.kind == "ask" and MOTOR(scene.text) and TURNS(scene.text)
    return asked or HELD(scene.both)


def _cell_may_burn(scene: Scene) -> bool:
    return CELL(scene.text) or (SWOLLEN(scene.text) and CELL(scene.both))


def _cell_may_be_damaged(scene: Scene) -> bool:
    """Swelling is looked for, at what the text or the way to do it calls a cell."""
    if SWOLLEN(scene.text):
        return CELL(scene.both)
    return CELL(scene.text) and SWOLLEN(scene.how)


def _hot(scene: Scene) -> bool:
    return HEATER(scene.both if scene.step.live else scene.text) or HOT(scene.both)


NEEDS: tuple[Need, ...] = (
    Need(
        ("live-working", "high-energy-source", "sealed-supply"),
        "it is done on the opened unit, on power from the mains",
        _probed_inside,
        firm=True,
    ),
    Need(
        ("live-working", "high-energy-source"),
        "the meter is clipped on to a unit that is then powered from the mains",
        lambda scene: _probed(scene) and CLIP_ON(scene.how),
        firm=True,
    ),
    Need(
        ("live-working",),
        "the meter is clipped on where mains may stand",
        lambda scene: _probed(scene) and CLIP_ON(scene.how) and MAINS(scene.how),
        firm=True,
    ),
    Need(
        ("live-working", "stored-charge"),
        "it proves dead what may be live",
        lambda scene: scene.step.kind == "do" and PROVE(scene.text) and DEAD(scene.text),
    ),
    Need(("meter-rating",), "it reads the mains", lambda scene: scene.part == "mains", firm=True),
    Need(
        ("earthed-probe",),
        "an oscilloscope is put on an opened unit, on power from the mains",
        lambda scene: "oscilloscope" in scene.step.needs and _probed_inside(scene),
        firm=True,
    ),
    Need(
        ("stored-charge", "insulation-test"),
        "a capacitor there may hold its charge",
        _holds_charge,
    ),
    Need(
        ("stored-charge",),
        "it discharges something",
        lambda scene: scene.step.kind == "do" and DISCHARGE(scene.text),
    ),
    Need(
        ("high-energy-source",),
        "the rail of a desktop supply gives more than 240 VA",
        lambda scene: scene.step.live and scene.part == "supply-rail",
        firm=True,
    ),
    Need(
        ("sealed-supply",),
        "it reads a plug-in supply, which stays closed",
        lambda scene: scene.measures and scene.step.live and ADAPTOR(scene.text),
    ),
    Need(("battery-fire", "high-energy-source"), "it is about cells that can burn", _cell_may_burn),
    Need(("damaged-cell",), "it looks at cells that may be damaged", _cell_may_be_damaged),
    Need(("rotating-parts",), "a tool with turning parts runs", _tool_runs, firm=True),
    Need(("rotating-parts",), "parts may turn while it is done", _turns),
    Need(("no-bypass",), "it is about a cut-out, lock or guard", _guards),
    Need(("hot-surface",), "something is hot there", _hot),
    Need(("dust",), "it stirs up dust", lambda scene: DUST(scene.text) or CARBON(scene.text)),
    Need(
        ("unexpected-start", "rotating-parts"),
        "hands are at a motor that could start",
        lambda scene: not scene.step.live and MOTOR_PARTS(scene.text),
    ),
    Need(
        ("same-fuse",),
        "it compares a fuse with its marking",
        lambda scene: scene.step.kind == "ask" and FUSE(scene.text) and RATING(scene.text),
    ),
    Need(
        ("insulation-test",),
        "the insulation tester leaves its voltage on the unit",
        lambda scene: "insulation-tester" in scene.step.needs,
        firm=True,
    ),
    Need(
        ("isolating-transformer",),
        "no residual-current device protects behind an isolating transformer",
        lambda scene: "isolating-transformer" in scene.step.needs,
        firm=True,
    ),
    Need(("laser",), "a laser may be on", lambda scene: scene.step.live and LASER(scene.both)),
    Need(
        ("picture-tube",),
        "a picture tube holds its charge",
        lambda scene: PICTURE_TUBE(scene.both),
    ),
    Need(
        ("microwave-supply",),
        "the supply of a microwave oven kills",
        lambda scene: MICROWAVE(scene.both),
    ),
    Need(("scald",), "hot water or steam may be there", lambda scene: BOILER(scene.text)),
    Need(("alkaline-leakage",), "leaked cells are caustic", lambda scene: ALKALINE(scene.both)),
    Need(
        ("safety-test-before-return",),
        "it is part of the safety test",
        lambda scene: scene.measures and not SAFETY_GEAR.isdisjoint(scene.step.needs),
        firm=True,
    ),
)


def for_step(scene: Scene, told: set[str]) -> Iterator[Need]:
    """What a step calls for beside the cautions that are told at it."""
    for need in NEEDS:
        if told.isdisjoint(need.names) and need.where(scene):
            yield need


def for_repair(fault: Fault) -> Iterator[tuple[str, str]]:
    """Cautions that a repair calls for, and why."""
    remedy = fault.remedy.lower()
    if FUSE(remedy) and MARKED_RATING(remedy):
        yield "same-fuse", "the remedy fits a fuse"
    if GUARD(remedy):
        yield "no-bypass", "the remedy is about a cut-out, lock or guard"


def called_for(subject: RuleContext) -> tuple[tuple[Scene, Need], ...]:
    """What steps call for beside the cautions in force, where the library has it."""
    before = _before_the_same(subject)
    found: list[tuple[Scene, Need]] = []
    for step in subject.tree.steps.values():
        scene, told = _scene(subject, step, before), set(subject.in_force(step))
        for need in for_step(scene, told):
            if need.names[0] in subject.cautions and need.names[0] not in told:
                told.add(need.names[0])
                found.append((scene, need))
    return tuple(found)


def _before_the_same(subject: RuleContext) -> Mapping[str, list[str]]:
    """Step that reads the same once more → what the steps that lead to it look at, and how."""
    steps = subject.tree.steps
    before: dict[str, list[str]] = {
        name: [] for name, step in steps.items() if step.text.lower().startswith(THE_SAME)
    }
    for step in steps.values() if before else ():
        for target in step.targets.values():
            if target in before:
                before[target].append(f"{step.text} {step.how}".lower())
    return before


def _scene(subject: RuleContext, step: Step, before: Mapping[str, list[str]]) -> Scene:
    same = tuple(before.get(step.id, ()))
    about = (same, subject.unit_at(step.id), subject.is_mains, subject.runs_a_tool)
    return Scene(step, step.text.lower(), step.how.lower(), *about)


def alone(scene: Scene) -> Scene:
    """The same step as its own file has it, in no tree."""
    step = replace(scene.step, access=(), cautions=())
    return replace(scene, step=step, before=(), mains=False, moving=False)
