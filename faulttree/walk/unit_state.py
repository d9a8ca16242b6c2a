"""What the steps of a walk did to the unit: power, open covers, stored charge, checks passed.

What made the unit unsafe has happened, whatever is taken back later. What made it safe counts
only while its answer counts. The fold therefore hands over each answer that counts by
:meth:`UnitState.answered`, and each answer that was taken back by :meth:`UnitState.taken_back`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from copy import copy
from dataclasses import dataclass, field, fields

from faulttree.tree.model import PowerCheck, Step, Tree, Use, When

__all__ = ["NOT_KNOWN", "UnitState", "holds", "unknown_in"]

NOT_KNOWN = "not-known"
"""The answer that a property always has: nobody can say."""

_UNKNOWN = ("", NOT_KNOWN, "undecided")


@dataclass(slots=True)
class UnitState:
    """The unit, as far as safety depends on what was done to it.

    Attributes:
        facts: property → its value, or ``not-known`` where that was the answer.
        open: the exposing access states that are open, in the order they were opened.
        dead: stores proved dead in this round, and not charged since.
        discharged: stores discharged in this round, and not charged since.
        cells: batteries whose cells are known.
        passed: uses of checks before power that passed in this round.
        left_open: kind (lifted, fuse-out, clip-on) → what a step left so on the bench.
        handled: whether the unit was opened or powered here.
    """

    tree: Tree
    facts: dict[str, str] = field(default_factory=dict)
    open: dict[str, None] = field(default_factory=dict)
    dead: set[str] = field(default_factory=set)
    discharged: set[str] = field(default_factory=set)
    cells: set[str] = field(default_factory=set)
    passed: set[str] = field(default_factory=set)
    left_open: dict[str, list[str]] = field(default_factory=dict)
    handled: bool = False

    def copy(self) -> UnitState:
        """One that can change without changing this one."""
        other = copy(self)
        for each in fields(self):
            value = getattr(self, each.name)
            if isinstance(value, dict | set):
                setattr(other, each.name, value.copy())
        other.left_open = {kind: parts.copy() for kind, parts in self.left_open.items()}
        return other

    def identify(self, model: str) -> None:
        """Take the properties that are known by the unit's model."""
        for one in self.tree.properties.values():
            if model in one.models:
                self.facts[one.id] = one.models[model]

    def begin_round(self) -> None:
        """The unit was repaired or came back: its stores count as charged, its checks as open."""
        self.dead.clear()
        self.discharged.clear()
        self.passed.clear()

    def answered(self, step: Step, outcome: str) -> None:
        """Take an answer that counts."""
        self.taken_back(step)
        if step.property:
            self.facts[step.property] = NOT_KNOWN if outcome in _UNKNOWN else outcome
        if outcome == "undecided":
            self.passed.difference_update(
                check.use for check in self.tree.before_power if step.id in self._steps(check)
            )
        else:
            self._put_back(step)
        self._make_safe(step, outcome == step.normal_outcome, charged_by(self.tree, step))
        for name, exit_ in step.leaves.get(outcome, ()):
            use = self.tree.uses[name]
            self._make_safe(use, exit_ == use.passes, ())
            (self.passed.add if exit_ == use.passes else self.passed.discard)(name)

    def taken_back(self, step: Step) -> None:
        """Take what a step did to the unit, though its answer does not count."""
        self.handled = self.handled or step.live or bool(step.access)
        charged = charged_by(self.tree, step)
        self.dead.difference_update(charged)
        self.discharged.difference_update(charged)
        for name in step.access:
            self._enter(name)
        for kind, parts in step.leaves_open.items():
            left = self.left_open.setdefault(kind, [])
            left += [part for part in parts if part not in left]

    def _steps(self, check: PowerCheck) -> tuple[str, ...]:
        return self.tree.uses[check.use].steps

    def _enter(self, name: str) -> None:
        state = self.tree.access.get(name)
        if state is None:
            return
        for other in list(self.open) if state.group is not None else ():
            if self.tree.access[other].group == state.group:
                del self.open[other]
        if state.exposes:
            self.open[name] = None

    def _put_back(self, step: Step) -> None:
        """Undo what a closing step closes, and what a step puts back."""
        if step.role == "close":
            for name in list(self.open):
                if self.tree.access[name].closing_step == step.id:
                    del self.open[name]
        for parts in self.left_open.values():
            parts[:] = [part for part in parts if part not in step.puts_back]

    def _make_safe(self, made: Step | Use, passed: bool, charged: Iterable[str]) -> None:
        """Note what a step or use makes safe where it passed; where not, it is safe no longer."""
        if passed:
            self.discharged.update(set(made.discharges).difference(charged))
            self.dead.update(set(made.proves_dead).difference(charged))
            self.cells.update(made.cells_known)
        else:
            self.discharged.difference_update((*made.discharges, *made.proves_dead))
            self.dead.difference_update(made.proves_dead)
            self.cells.difference_update(made.cells_known)

    # -- what is still needed --------------------------------------------------------------

    def owed(self, step: Step | None = None) -> Iterator[PowerCheck]:
        """The checks before power that have not passed in this round, in order.

        Args:
            step: the live step that needs them. One inside a check needs only those before it.

        A check whose condition is not decided is owed, whatever was answered in it.
        """
        for check in self.tree.before_power:
            if step is not None and step.id in self._steps(check):
                return
            decided = holds(check.when, self.facts)
            if decided is None or (decided and check.use not in self.passed):
                yield check

    def charged(self, step: Step) -> list[str]:
        """The stores that a step touches and that are not proved dead."""
        capacitors = (name for name in step.on if not _is_battery(self.tree, name))
        return [name for name in capacitors if name not in self.dead]

    def cells_unknown(self, step: Step) -> list[str]:
        """The batteries that a step loads or charges, and whose cells are not known."""
        strained = dict.fromkeys((*step.loads, *charged_by(self.tree, step)))
        batteries = (name for name in strained if _is_battery(self.tree, name))
        return [name for name in batteries if name not in self.cells]

    def to_close(self, step: Step) -> list[str]:
        """The open exposing states that a step does not name and must not be made with.

        These are live steps, and checks of safety before power and before return: an open unit
        is not the one that gets power or goes back.
        """
        needed = step.live or self._checks_safety(step)
        return [name for name in self.open if name not in step.access] if needed else []

    def _checks_safety(self, step: Step) -> bool:
        """Whether a step is in a safety check before power or before return."""
        if step.role not in ("before-power", "closing"):
            return False
        uses = self.tree.uses.values()
        return any(use.checks == "safety" and step.id in use.steps for use in uses)


def _is_battery(tree: Tree, store: str) -> bool:
    return store in tree.stores and tree.stores[store].kind == "battery"


def charged_by(tree: Tree, step: Step) -> tuple[str, ...]:
    """The stores that a step charges: those it names, else all of them where it is live."""
    if step.charges is not None:
        return step.charges
    return tuple(tree.stores) if step.live else ()


def holds(when: When, facts: Mapping[str, str]) -> bool | None:
    """Whether a condition holds for a unit; None where a property it needs is not known.

    Example:
        >>> holds({"supply": ("linear",)}, {"supply": "linear"})
        True
        >>> holds({"supply": ("linear",)}, {"supply": "not-known"}) is None
        True
    """
    unknown = unknown_in(when, facts)
    if any(facts[name] not in values for name, values in when.items() if name not in unknown):
        return False
    return None if unknown else True


def unknown_in(names: Iterable[str], facts: Mapping[str, str]) -> list[str]:
    """The properties among ``names`` whose value is not known.

    Example:
        >>> unknown_in(["supply", "class"], {"supply": "not-known", "class": "I"})
        ['supply']
    """
    return [name for name in names if facts.get(name, "") in _UNKNOWN]
