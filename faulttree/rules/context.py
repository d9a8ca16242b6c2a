"""The tree that rules look at, with what several of them need worked out once."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

from faulttree.errors import ReadingError
from faulttree.tree.graph import TreeGraph, graph_of
from faulttree.tree.model import EMPTY, Step, Tree, Where

if TYPE_CHECKING:
    from faulttree.reading import Limits, Quantity
    from faulttree.rules.hazard_inference import Hazard


T = TypeVar("T")

MAX_VISITS = 1_500_000
"""Nodes that following ways through one tree may visit: about a second."""

MAX_NODES = 10_000
"""Steps and faults up to which what leads where is worked out for all of them at once."""


class TooLargeError(Exception):
    """A tree so large that a rule would take seconds over it."""


@dataclass(frozen=True)
class RuleContext:
    """One tree under examination.

    Attributes:
        tree: the flat model.
        families: what the library says of families, by name.
        own: the document the run is about: ``tree``, or ``procedure:<name>`` where a
            procedure is looked at by itself, wrapped into a tree that only uses it.
        cautions, instruments: all that the library has, by name.
        shipped: whether the file belongs to the library that ships with the program.
    """

    tree: Tree
    families: Mapping[str, Any] = field(default_factory=lambda: EMPTY)
    own: str = "tree"
    cautions: Mapping[str, Any] = field(default_factory=lambda: EMPTY)
    instruments: Mapping[str, Any] = field(default_factory=lambda: EMPTY)
    shipped: bool = False

    # -- documents ---------------------------------------------------------------------

    def data(self, document: str) -> Mapping[str, Any]:
        """The plain data of a document of this tree."""
        bundle = self.tree.bundle
        if document == "tree":
            found = bundle.get("tree")
        else:
            found = bundle.get("procedures", {}).get(document.removeprefix("procedure:"))
        return found if isinstance(found, Mapping) else {}

    @cached_property
    def documents(self) -> tuple[str, ...]:
        """The documents whose steps are at work here, the tree first."""
        used = {use.procedure: None for use in self.tree.uses.values()}
        inside = [f"procedure:{name}" for name in used]
        return tuple(inside) if self.own != "tree" else ("tree", *inside)

    def raw(self, where: Where) -> Any:
        """The plain value at a place, None where there is none."""
        value: Any = self.data(where.document)
        for key in where.keys:
            if isinstance(value, Mapping):
                value = value.get(key)
            elif isinstance(value, list) and isinstance(key, int) and key < len(value):
                value = value[key]
            else:
                return None
        return value

    # -- names and places --------------------------------------------------------------

    def name(self, step: str, seen_from: Where | None = None) -> str:
        """A step as its own file calls it, or in full where another file is spoken of."""
        where = self.tree.steps[step].where
        elsewhere = seen_from is not None and seen_from.document != where.document
        if where.document == "tree" or len(where.keys) < 2 or elsewhere:
            return step
        return str(where.keys[1])

    def edge_place(self, step: Step, outcome: str) -> Where:
        """Where the file says what an outcome leads to, after any exits taken on the way."""
        for use, taken in reversed(step.leaves.get(outcome, ())):
            held = self.tree.uses.get(use)
            if held is not None and not use.startswith("closing."):
                return held.where.under("exits", taken)
        return self.result_place(step, outcome)

    def result_place(self, step: Step, outcome: str) -> Where:
        """Where the step itself names an outcome."""
        key = {"ask": "answers", "measure": "results", "use": "exits"}.get(step.kind, "then")
        if outcome in ("done", "taken"):
            return step.where.under("then")
        place = step.where.under(key, outcome)
        if self.raw(place) is None and self.raw(step.where.under(key, "outside")) is not None:
            return step.where.under(key, "outside")
        return place

    def limit_place(self, step: Step, keys: tuple[str | int, ...]) -> Where:
        """Where a figure of the limits was written: where a procedure was given it, there."""
        place = step.where.under("limits", *keys)
        raw = self.raw(place)
        use = self.tree.uses.get(step.use or "")
        if use is None or "{" not in str(raw):
            return place
        for name in use.given:
            if f"{{{name}}}" in str(raw):
                given = use.where.under("with", name)
                return given if self.raw(given) is not None else use.where
        return place

    def text_place(self, step: Step) -> Where:
        """Where the step says what it wants."""
        return step.where.under(step.kind)

    # -- the graph ---------------------------------------------------------------------

    @cached_property
    def graph(self) -> TreeGraph:
        """What leads where in the tree."""
        return graph_of(self.tree)

    def beyond(self, node: str, without: frozenset[str] = frozenset()) -> Collection[str]:
        """Nodes that a walk can reach from a node, itself included.

        Args:
            node: where to begin.
            without: steps that the walk does not pass.

        Raises:
            TooLargeError: this was asked so often of so large a tree that it would take seconds.
        """
        if (node, without) not in self._beyond:
            found = self.graph.beyond(node, without=without)
            self._beyond[node, without] = found
            self._spent[0] += len(found)
        if self._spent[0] > MAX_VISITS:
            raise TooLargeError
        return self._beyond[node, without]

    @cached_property
    def _beyond(self) -> dict[tuple[str, frozenset[str]], Collection[str]]:
        return {}

    @cached_property
    def _spent(self) -> list[int]:
        return [0]

    @cached_property
    def bit(self) -> Mapping[str, int]:
        """A bit for each fault, then for each step."""
        names = (*self.tree.faults, *self.tree.steps)
        return {name: 1 << number for number, name in enumerate(names)}

    @cached_property
    def reach(self) -> Mapping[str, int]:
        """Node → bits of the steps and faults that a walk can reach from there, itself included.

        Empty if the graph has a cycle.

        Raises:
            TooLargeError: the bits would take too much memory.
        """
        bit, onward = self.bit, self.graph.onward
        if len(bit) > MAX_NODES:
            raise TooLargeError
        found: dict[str, int] = {}
        for name in reversed(self.graph.full_order or ()):
            found[name] = bit.get(name, 0)
            for target in onward.get(name, ()):
                found[name] |= found[target]
        return found

    @cached_property
    def every_fault(self) -> int:
        """The bits of all faults."""
        return (1 << len(self.tree.faults)) - 1

    def leads_to(self, node: str, other: str) -> bool:
        """Whether a walk can reach a step or fault from a node; False if there is a cycle."""
        return bool(self.reach.get(node, 0) & self.bit.get(other, 0))

    def ends_beyond(self, node: str) -> tuple[str, ...]:
        """Faults that a walk can reach from a node; none if there is a cycle."""
        bits = self.reach.get(node, 0)
        return tuple(fault for fault in self.tree.faults if bits & self.bit[fault])

    def first_of(self, name: str) -> str:
        """The step that a step or use begins with."""
        return self.tree.uses[name].start if name in self.tree.uses else name

    # -- limits ------------------------------------------------------------------------

    @cached_property
    def model_ratings(self) -> Mapping[str, Mapping[str, Quantity]]:
        """Model → the value of each rating that the tree knows for it."""
        from faulttree.reading import parse_quantity

        values: dict[str, dict[str, Quantity]] = {}
        for name, rating in self.tree.ratings.items():
            for model, text in rating.models.items():
                try:
                    read = parse_quantity(text, rating.unit)
                except ReadingError:
                    continue
                if read.value is not None:
                    values.setdefault(model, {})[name] = read
        return values

    @cached_property
    def ratings(self) -> Mapping[str, Quantity]:
        """The largest known value of each rating."""
        largest: dict[str, Quantity] = {}
        for values in self.model_ratings.values():
            for name, read in values.items():
                if name not in largest or (read.value or 0) > (largest[name].value or 0):
                    largest[name] = read
        return largest

    @cached_property
    def limits(self) -> Mapping[str, Limits | ReadingError]:
        """Step → its limits worked out, or why they cannot be."""
        from faulttree.reading import resolve_limits

        worked: dict[str, Limits | ReadingError] = {}
        # A procedure's step comes once for each use, mostly with the same limits.
        known: dict[Where, Step] = {}
        for step in self.tree.steps.values():
            if step.limits is None:
                continue
            twin = known.setdefault(step.where, step)
            if twin is not step and twin.limits == step.limits and twin.unit == step.unit:
                if twin.id in worked:
                    worked[step.id] = worked[twin.id]
                continue
            if self.own != "tree" and has_blank(self.raw(step.where.under("limits"))):
                continue
            try:
                worked[step.id] = resolve_limits(step.limits, unit=step.unit, ratings=self.ratings)
            except ReadingError as error:
                worked[step.id] = error
        return worked

    def limits_at(self, step: str) -> Limits | None:
        """The limits of a step; None where it has none, or they cannot be worked out."""
        found = self.limits.get(step)
        return None if isinstance(found, ReadingError) else found

    def unit_at(self, step: str) -> str:
        """The base unit of a step's reading; empty where its limits do not tell it."""
        found = self.limits_at(step)
        return "" if found is None else found.unit

    def resolved(self) -> Iterator[tuple[Step, Limits]]:
        """Steps whose limits can be worked out."""
        for name, limits in self.limits.items():
            if not isinstance(limits, ReadingError):
                yield self.tree.steps[name], limits

    @cached_property
    def hazards(self) -> tuple[tuple[Step, Hazard], ...]:
        """Hazardous voltage, charge and energy by the steps' own figures."""
        from faulttree.rules.hazard_inference import electric

        steps = self.tree.steps.values()
        return tuple(
            (step, one) for step in steps for one in electric(step, self.limits_at(step.id))
        )

    # -- cautions ----------------------------------------------------------------------

    def covered(self, step: Step) -> frozenset[str]:
        """The hazards that the cautions in force at a step answer for."""
        known, names = self.tree.known_cautions, self.in_force(step)
        return frozenset(hazard for name in names if name in known for hazard in known[name].covers)

    def in_force(self, step: Step) -> frozenset[str]:
        """Names of the cautions in force at a step: its own, the tree's, its states'."""
        if step.id not in self._in_force:
            states = (self.tree.access[name] for name in step.access if name in self.tree.access)
            entering = (name for state in states for name in state.cautions)
            self._in_force[step.id] = frozenset((*step.cautions, *self.tree.cautions, *entering))
        return self._in_force[step.id]

    @cached_property
    def _in_force(self) -> dict[str, frozenset[str]]:
        return {}

    @cached_property
    def is_mains(self) -> bool:
        """Whether the family is fed from the mains, as the library or the tree says."""
        entry = self.families.get(self.tree.family)
        if isinstance(entry, Mapping) and isinstance(entry.get("mains"), bool):
            return bool(entry["mains"])
        return "mains" in self.tree.cautions

    @cached_property
    def runs_a_tool(self) -> bool:
        """Whether the tree's closing runs a tool with turning parts."""
        steps = self.tree.steps.values()
        return any("rotating-parts" in s.cautions for s in steps if s.id.startswith("closing."))

    # -- what rules work out over it ---------------------------------------------------

    def remembered(self, make: Callable[[RuleContext], T]) -> T:
        """What a function makes of this tree, made once."""
        if make not in self._made:
            self._made[make] = make(self)
        made: T = self._made[make]
        return made

    @cached_property
    def _made(self) -> dict[Callable[[RuleContext], Any], Any]:
        return {}


def has_blank(value: Any) -> bool:
    """Whether a value of a procedure has a {name} that only a use fills."""
    if isinstance(value, str):
        return "{" in value
    if isinstance(value, Mapping):
        return any(has_blank(item) for item in value.values())
    return isinstance(value, list) and any(has_blank(item) for item in value)
