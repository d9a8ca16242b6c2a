"""How far a walk has come while its events are folded: the one mutable thing of a fold."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field, fields

from faulttree.tree.model import Tree, Use
from faulttree.walk import events as ev
from faulttree.walk.state import Phase, Repair, Visit
from faulttree.walk.unit_state import UnitState

__all__ = ["Goal", "Progress", "SearchPlace"]


@dataclass(slots=True)
class Goal:
    """A node the walk heads for.

    ``until`` names the step or use after which the walk goes back to the goal below it;
    ``chosen`` says that it was gone to directly, past the actions on the tree's way to it.
    """

    node: str
    until: str | None = None
    chosen: bool = False

    def move(self, node: str) -> None:
        """Head for where an outcome leads."""
        self.node, self.chosen = node, False


@dataclass(frozen=True, slots=True)
class SearchPlace:
    """Where a search stood when it was left for the closing checks."""

    phase: Phase
    goals: list[Goal]
    given_up: ev.Stopped | None


@dataclass(slots=True)
class Progress:
    """How far a walk has come; the functions of this folder move it on.

    ``index`` counts the answers; ``last_live`` is the index of the last live step,
    ``round_began`` that of the last answer before this round.
    """

    tree: Tree
    opened: ev.Opened | None = None
    closed: ev.Closed | None = None
    given_up: ev.Stopped | None = None
    phase: Phase = "finding"
    start: str = ""
    goals: list[Goal] = field(default_factory=list)
    round: int = 0
    index: int = 0
    last_live: int = -1
    round_began: int = -1
    visits: list[Visit] = field(default_factory=list)
    skips: dict[str, int] = field(default_factory=dict)
    set_aside: set[str] = field(default_factory=set)
    ask_again: set[str] = field(default_factory=set)
    unreachable: set[str] = field(default_factory=set)
    excluded: set[str] = field(default_factory=set)
    repairs: list[Repair] = field(default_factory=list)
    closing: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    cautions_read: set[str] = field(default_factory=set)
    declined: bool = False
    unit: UnitState = field(init=False)
    needs_fact: str = ""
    stopped_at: str = ""
    before_closing: SearchPlace | None = None
    reached: ev.Reached | None = None
    accepted: bool = False

    def __post_init__(self) -> None:
        self.start = self.tree.start
        self.goals = [Goal(self.start)]
        self.unit = UnitState(self.tree)

    def copy(self) -> Progress:
        """One that can be led further without changing this one."""
        other = copy(self)
        for each in fields(self):
            value = getattr(self, each.name)
            if isinstance(value, list | dict | set):
                setattr(other, each.name, value.copy())
        other.goals = [copy(goal) for goal in self.goals]
        other.unit = self.unit.copy()
        return other

    def take_up(self) -> None:
        """The walk goes on: it is not given up, and its suspects are not left untested."""
        self.given_up = None
        self.declined = False

    def go_on(self) -> None:
        """The walk moves: what was decided of the fault it stood at no longer holds."""
        self.take_up()
        self.reached, self.accepted = None, False

    def skip(self, step: str) -> None:
        """Set a step aside: it was not made."""
        self.skips[step] = self.skips.get(step, 0) + 1
        self.set_aside.add(step)

    def passing_exit(self, use: str) -> str:
        """The exit of a closing procedure that lets the unit go."""
        return next(iter(self.tree.uses[use].exits), "")

    def new_round(self) -> None:
        """Begin a round, as every repair does: what was made safe before it no longer is."""
        self.go_on()
        self.unit.begin_round()
        self.round += 1
        self.start = self.tree.start
        self.round_began = self.index
        self.skips.clear()
        self.set_aside.clear()
        self.ask_again.clear()
        self.unreachable.clear()
        # A check passed before this repair says nothing about the unit after it.
        self.closing.clear()

    def entry(self, node: str) -> str:
        """The step to begin with. A check before power is never begun in its middle."""
        use = self.check_of(node) or self.tree.uses.get(node)
        return use.start if use else node

    def check_of(self, node: str) -> Use | None:
        """The check before power that a step is in."""
        uses = (self.tree.uses[check.use] for check in self.tree.before_power)
        return next((use for use in uses if node in use.steps), None)
