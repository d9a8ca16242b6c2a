"""What a tree is, once read: frozen, with its procedures already inlined.

A walk, a rule, a diagram or a computation sees one flat graph of steps; where a step came
from stands beside it (:attr:`Step.use`, :attr:`Step.where`), never in its way.
"""

from __future__ import annotations

import builtins
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

Kind = Literal["ask", "measure", "do", "use"]
"""What a step wants: an answer, a reading, a action. ``use`` is left only where a procedure
could not be inlined, which a tree fit to be walked never has."""

Role = Literal["finding", "before-power", "close", "closing"]
"""What a step is for: to find the fault; to make sure that the unit may get power; to close
what was opened; to check the repaired unit before it goes back."""

When = Mapping[str, tuple[str, ...]]
"""Property → the values it may have: all properties named must match. Empty: always."""

MAINS = "mains"
"""The built-in store of a tree that carries the caution of that name: the mains itself."""

NOT_SAFE = "not-safe-to-power"
"""The built-in stop where a check before power leads unless the tree says otherwise."""

Node = Literal["step", "use", "fault", "stop", "unknown"]

EMPTY: Mapping[str, Any] = {}


@dataclass(frozen=True, slots=True)
class Where:
    """Which document a thing was read from, and the keys that lead to it there.

    ``document`` is ``tree`` or ``procedure:<name>``; ``keys`` are mapping keys and list
    positions from the document's root.
    """

    document: str
    keys: tuple[str | int, ...]

    def under(self, *keys: str | int) -> Where:
        """The place of something inside this one."""
        return Where(self.document, (*self.keys, *keys))


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution, by name: its ISO 3864-2 signal word, what it says, the hazards it covers."""

    id: str
    signal: Literal["DANGER", "WARNING", "CAUTION"]
    text: str
    covers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class InstrumentKind:
    """A kind of test gear: what it measures, the hazards it brings, what it can be set to."""

    id: str
    title: str
    measures: tuple[str, ...] = ()
    brings: tuple[str, ...] = ()
    offers: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Close:
    """How a unit that was opened is closed again, and the minutes that takes."""

    minutes: float = 0.0
    how: str = ""


@dataclass(frozen=True, slots=True)
class Access:
    """A state of the unit that steps need: entered once, paid once.

    States of one ``group`` exclude each other, and entering again costs again. A state that
    ``exposes`` a hazard must be closed before a live step that does not name it; the step
    that closes it is ``close.<id>``. With ``close``, ``minutes`` is for entering only.
    """

    id: str
    minutes: float = 0.0
    how: str = ""
    group: str | None = None
    cautions: tuple[str, ...] = ()
    exposes: tuple[str, ...] = ()
    close: Close | None = None

    @property
    def closing_step(self) -> str:
        """Id of the step that closes the state; there is one only where ``close`` is given."""
        return f"close.{self.id}"


@dataclass(frozen=True, slots=True)
class Property:
    """What a unit is, as far as steps depend on it: asked once, or known by its model.

    Example: ``supply``, one of linear, switch-mode, dropper, external.
    """

    id: str
    ask: str
    values: tuple[str, ...]
    models: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Store:
    """A part that holds energy: a capacitor, or with ``kind`` "battery" a cell or pack."""

    id: str
    voltage: str = ""
    capacitance: str = ""
    kind: str = "capacitor"


@dataclass(frozen=True, slots=True)
class PowerCheck:
    """A check that must pass in each round before the unit gets power.

    ``use`` names the procedure at work, ``before-power.<id>``; its first exit passes.
    """

    id: str
    use: str
    when: When = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Symptom:
    """What an owner says, the conditions it shows under, and the steps that would see it."""

    text: str
    conditions: tuple[str, ...] = ()
    seen_at: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Rating:
    """A value that differs by model: its unit, how to ask for it, and the models known."""

    id: str
    unit: str
    ask: str = ""
    models: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to ask, measure or do, with where each outcome leads.

    Attributes:
        id: its name in paths and answers; inside a procedure ``<use step>.<step>``.
        kind: what it wants.
        text: the question, what to measure, or what to do.
        targets: outcome → the id of the step, fault or stop that comes next. A ``do``
            has the one outcome ``done``; a ``measure`` without limits ``taken``.
            ``outside`` is already spread over ``low`` and ``high``.
        limits: the plain mapping of the file, any ``{part}`` filled; resolved by
            :func:`faulttree.reading.resolve_limits` when it is judged.
        minutes: the tree's figure for the time it takes; None where it gives none.
        cautions: names of the cautions that hold here: the step's own, then those of its
            procedure and of the step that uses it; the tree's own are not repeated.
        after: ids of steps (or uses) that must have been done first, and still hold.
        wait: a pause in seconds that the runner times.
        use: the innermost ``use`` step it was inlined from, if any.
        leaves: outcome → the (use, exit) pairs that taking it brings about, innermost first.
        role: what it is for.
        property: the property that this question answers.
        stop_if: property → value → the stop that the step leads to then, instead of being
            asked.
        discharges, proves_dead, on: stores that it discharges, proves dead, or touches.
        charges: stores that it charges; None for all of them where it is live.
        normal: the outcome of a good unit, where the tree names it.
        leaves_open, puts_back: what it leaves open on the bench by kind (lifted, fuse-out,
            clip-on), and what it puts back.
        disturbs, disturbs_of: what it may spoil for later readings (heat, cleaning, …), and
            of which parts or modules; of all where none is named.
        loads, cells_known: batteries that it loads, and those whose cells it makes known.
    """

    id: str
    kind: Kind
    text: str
    targets: Mapping[str, str]
    how: str = ""
    needs: tuple[str, ...] = ()
    minutes: float | None = None
    cautions: tuple[str, ...] = ()
    access: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    live: bool = False
    conditions: tuple[str, ...] = ()
    wait: float | None = None
    in_circuit: Literal["never", "allowed"] | None = None
    limits: Mapping[str, Any] | None = None
    unit: str | None = None
    source: str = ""
    use: str | None = None
    leaves: Mapping[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    where: Where = Where("tree", ())
    role: Role = "finding"
    property: str | None = None
    stop_if: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    discharges: tuple[str, ...] = ()
    proves_dead: tuple[str, ...] = ()
    on: tuple[str, ...] = ()
    charges: tuple[str, ...] | None = None
    normal: str | None = None
    leaves_open: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    puts_back: tuple[str, ...] = ()
    disturbs: tuple[str, ...] = ()
    disturbs_of: tuple[str, ...] = ()
    loads: tuple[str, ...] = ()
    cells_known: tuple[str, ...] = ()

    # `property` is a field here, so the decorator is named in full.
    @builtins.property
    def normal_outcome(self) -> str | None:
        """The outcome of a good unit: as named, else ``inside``, else the first one."""
        if self.normal is not None:
            return self.normal
        return "inside" if "inside" in self.targets else next(iter(self.targets), None)

    @builtins.property
    def cost(self) -> float:
        """Minutes as computed: a step that gives none counts as one minute."""
        return 1.0 if self.minutes is None else self.minutes


@dataclass(frozen=True, slots=True)
class Use:
    """A shared procedure at work in a tree.

    ``exits`` maps each exit to the target it leads to. A closing procedure has no
    targets: its first exit is the one that lets the unit go.
    """

    id: str
    procedure: str
    start: str
    exits: Mapping[str, str]
    steps: tuple[str, ...]
    title: str = ""
    given: Mapping[str, str] = field(default_factory=dict)
    parent: str | None = None
    where: Where = Where("tree", ())
    role: Role = "finding"
    checks: Literal["safety", "function", ""] = ""
    discharges: tuple[str, ...] = ()
    proves_dead: tuple[str, ...] = ()
    cells_known: tuple[str, ...] = ()

    @property
    def passes(self) -> str:
        """The exit that says all is well: the first."""
        return next(iter(self.exits), "")


@dataclass(frozen=True, slots=True)
class Evidence:
    """Why a fault is in the tree: who said so, or where it was seen."""

    kind: Literal["reported", "documented", "confirmed", "contradicted"]
    source: str = ""
    date: str | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Confirm:
    """What must be seen after the repair: this step giving this outcome.

    Where a condition with ``safety`` fails, the unit is unfit for use; the repair of this
    fault is not refuted by it.
    """

    step: str
    gives: str
    safety: bool = False


@dataclass(frozen=True, slots=True)
class Fault:
    """A cause with a remedy.

    ``moved_from``: modules, or families, to which it belonged before.
    """

    id: str
    title: str
    remedy: str
    part: str = ""
    module: str | None = None
    confirm: Confirm | None = None
    weight: float | None = None
    signs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    part_cost: float | None = None
    cautions: tuple[str, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    moved_from: tuple[str, ...] = ()
    where: Where = Where("tree", ())
    further_confirms: tuple[Confirm, ...] = ()

    @property
    def confirms(self) -> tuple[Confirm, ...]:
        """All conditions of the proof, in the order they are looked at."""
        return (self.confirm, *self.further_confirms) if self.confirm else ()


@dataclass(frozen=True, slots=True)
class Stop:
    """An honest end without a fault. ``see`` names the tree of another complaint."""

    id: str
    title: str
    reason: str
    see: str | None = None
    where: Where = Where("tree", ())


@dataclass(frozen=True, slots=True)
class Accepted:
    """A finding the author has looked at and lets stand, with the reason.

    ``at`` is the step, fault or stop it is about; a use stands for all its steps, as it
    does where a procedure accepts a finding for the whole of itself. Empty: anywhere.
    """

    rule: str
    reason: str
    at: str = ""


def is_invented(bundle: Mapping[str, Any]) -> bool:
    """Whether the data of a tree comes from a library that is marked as invented."""
    library = bundle.get("library")
    return isinstance(library, dict) and library.get("invented") is True


@dataclass(frozen=True, repr=False)
class Tree:
    """One family and complaint, ready to be walked.

    Attributes:
        id: ``<family>/<complaint>``.
        start: id of the first step, inside a procedure if the tree starts with one.
        steps: every step by id, those of procedures and of the closing included.
        uses: every use by id, the closing ones as ``closing.<procedure>``.
        closing: ids of the uses to run after a confirmed repair, in order.
        closing_when: closing use → the properties under which it is run.
        properties: what steps and checks depend on, by name.
        stores: parts that hold energy, by name; ``mains`` is one where the tree has that caution.
        before_power: what must pass in each round before a live step, in order.
        known_cautions, known_instruments: what the library says of the names used here;
            a name that it does not know is missing.
        bundle: the plain data this tree was built from (``id``, ``tree``, ``procedures``,
            ``cautions``, ``instruments``): enough to build the very same tree again. A tree
            of an invented library has ``library`` too.
    """

    id: str
    title: str
    family: str
    start: str
    steps: Mapping[str, Step]
    faults: Mapping[str, Fault]
    stops: Mapping[str, Stop]
    uses: Mapping[str, Use] = field(default_factory=dict)
    closing: tuple[str, ...] = ()
    modules: tuple[str, ...] = ()
    symptoms: tuple[Symptom, ...] = ()
    cautions: tuple[str, ...] = ()
    access: Mapping[str, Access] = field(default_factory=dict)
    ratings: Mapping[str, Rating] = field(default_factory=dict)
    accepted: tuple[Accepted, ...] = ()
    properties: Mapping[str, Property] = field(default_factory=dict)
    stores: Mapping[str, Store] = field(default_factory=dict)
    before_power: tuple[PowerCheck, ...] = ()
    closing_when: Mapping[str, When] = field(default_factory=dict)
    known_cautions: Mapping[str, Caution] = field(default_factory=dict)
    known_instruments: Mapping[str, InstrumentKind] = field(default_factory=dict)
    bundle: Mapping[str, Any] = field(default_factory=dict, repr=False, compare=False)

    def __repr__(self) -> str:
        return f"<Tree {self.id}: {len(self.steps)} steps, {len(self.faults)} faults>"

    @property
    def invented(self) -> bool:
        """Whether it comes from a library whose data is invented; its title says so too."""
        return is_invented(self.bundle)

    @cached_property
    def hash(self) -> str:
        """SHA-256 of :attr:`text`: names this very text of the tree."""
        import hashlib

        return hashlib.sha256(self.text.encode()).hexdigest()

    @cached_property
    def text(self) -> str:
        """The bundle as compact JSON, as the record keeps it.

        Keys keep the file's order: it is the order in which answers are offered and
        steps are listed, also when a case is resumed on the tree as it was.
        """
        import json

        return json.dumps(self.bundle, ensure_ascii=False, separators=(",", ":"))

    def node(self, target: str) -> Node:
        """Which kind of thing an id names."""
        if target in self.steps:
            return "step"
        if target in self.uses:
            return "use"
        if target in self.faults:
            return "fault"
        return "stop" if target in self.stops else "unknown"

    def enter(self, names: Iterable[str], entered: frozenset[str]) -> tuple[float, frozenset[str]]:
        """Enter access states; those of the same group are left.

        Args:
            names: the states that a step needs.
            entered: the states that the unit is in.

        Returns:
            The minutes of entering, and the states that the unit is in then.
        """
        minutes = 0.0
        for name in names:
            state = self.access.get(name)
            if state is None or name in entered:
                continue
            minutes += state.minutes
            rivals = {e for e in entered if state.group and self.access[e].group == state.group}
            entered = (entered - rivals) | {name}
        return minutes, entered

    def fault_title(self, fault: str) -> str:
        """What a fault is called; its id where this tree does not have it."""
        return self.faults[fault].title if fault in self.faults else fault

    def identity(self, fault: str) -> tuple[str, str]:
        """What makes a fault the same cause in every tree: (module or family, id)."""
        return (self.faults[fault].module or self.family, fault)

    @property
    def named_modules(self) -> tuple[str, ...]:
        """The modules that the tree lists, then those that only its faults name."""
        of_faults = (fault.module for fault in self.faults.values() if fault.module)
        return tuple(dict.fromkeys((*self.modules, *of_faults)))

    def edges(self) -> Iterator[tuple[str, str, str]]:
        """Every (step, outcome, target) outside the closing, those of ``stop_if`` included.

        The outcome of an edge of ``stop_if`` is ``<property>=<value>``. An exit that passes a
        check before power leads to no node, and is left out.
        """
        for step in self.steps.values():
            if step.role in ("closing", "close"):
                continue
            for outcome, target in step.targets.items():
                if step.role == "finding" or self.node(target) != "unknown":
                    yield step.id, outcome, target
            for name, stops in step.stop_if.items():
                for value, target in stops.items():
                    yield step.id, f"{name}={value}", target

    @cached_property
    def diagnostic(self) -> tuple[str, ...]:
        """Ids of the steps that look for a fault."""
        return tuple(step.id for step in self.steps.values() if step.role == "finding")

    @cached_property
    def loose(self) -> tuple[str, ...]:
        """Faults that no step leads to: allowed, and never forgotten."""
        led_to = {target for _, _, target in self.edges()}
        return tuple(fault for fault in self.faults if fault not in led_to)
