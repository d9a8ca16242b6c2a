"""Simulate one walk, event by event, with the same packages as a real walk."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.figures.simulation.shop import INVENTED, Shop
from faulttree.figures.simulation.units import Ground, SimulatedUnit, typed
from faulttree.reading import formula_sources
from faulttree.reading.instruments import USUALLY_NORMAL
from faulttree.tree.safety import HARD_STOPS
from faulttree.walk import events as ev
from faulttree.walk.advisor import untested
from faulttree.walk.answer import answer
from faulttree.walk.fold import fold
from faulttree.walk.repair import conclude, conclude_by_sight

if TYPE_CHECKING:
    from faulttree.tree.model import Step
    from faulttree.walk.state import State


LONGEST = 120
"""Greatest number of events of a walk before it is given up."""

READINGS = 24
"""Different readings of one outcome of a step: judging each one would take most of the time."""

WORDS = (
    "it stopped while I was using it",
    "my neighbour said it smelled odd",
    "it worked last week",
    "no idea, it just sat on the shelf",
    "it comes and goes",
)


# -- places: the state after the same answers is computed once -------------------------------


class _Place:
    """The shared state of walks with the same answers."""

    __slots__ = ("after", "state", "suspects")

    def __init__(self, state: State) -> None:
        self.state = state
        self.after: dict[object, _Place] = {}
        self.suspects: tuple[Mapping[str, object], ...] | None = None


class KnownFault:
    """A tree with the states that its walks have reached, by model."""

    def __init__(self, ground: Ground) -> None:
        self.ground = ground
        self.roots: dict[str, _Place] = {}
        self.stock: dict[tuple[str, str, str, int], ev.Answered] = {}
        steps = ground.tree.steps
        # Where one reading sets the limits of another, the same answers are not the same walk.
        self.alike = not any(
            name in steps
            for step in steps.values()
            if step.limits is not None
            for name in _names(step)
        )


def _names(step: Step) -> Iterable[str]:
    try:
        return formula_sources(step.limits or {})
    except FaulttreeError:
        return ()


@dataclass(frozen=True)
class SimulatedVisit:
    """An incoming unit: its tree, its fault, its tag and model."""

    known: KnownFault
    fault: str
    tag: str
    model: str


class SimulatedWalk:
    """One walk, event by event."""

    def __init__(
        self, shop: Shop, visit: SimulatedVisit, at: dt.datetime, drawn: random.Random
    ) -> None:
        self.shop, self.visit, self.drawn = shop, visit, drawn
        self.tree = visit.known.ground.tree
        self.unit = SimulatedUnit(visit.known.ground, visit.fault, drawn)
        self.time = at
        self.read: set[str] = set()
        self.events: list[ev.Event] = [self.opened()]
        place = visit.known.roots.get(visit.model)
        if place is None:
            place = visit.known.roots[visit.model] = _Place(fold(self.tree, self.events))
        self.place = place
        if not visit.known.alike:
            self.place = _Place(fold(self.tree, self.events))

    def opened(self) -> ev.Opened:
        tree, shop = self.tree, self.shop
        unit = {"family": tree.family, "serial": self.visit.tag}
        if self.visit.model:
            unit["model"] = self.visit.model
        symptoms = [symptom.text for symptom in tree.symptoms] or [tree.title]
        who = self.drawn.choices(list(shop.benches), list(shop.benches.values()))[0]
        return ev.Opened(
            at=self.now(),
            tree=tree.id,
            tree_hash=tree.hash,
            unit=unit,
            complaint=self.drawn.choice(symptoms),
            owner_words=f"{self.drawn.choice(WORDS)} {INVENTED}",
            who=who,
            usually_normal=USUALLY_NORMAL,
        )

    def now(self) -> str:
        return self.time.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    @property
    def state(self) -> State:
        return self.place.state

    def add(self, event: ev.Event, sign: object = None) -> None:
        """Keep an event; ``sign`` is what makes it lead elsewhere, None where nothing does."""
        self.events.append(event)
        if sign is None:
            return
        if not self.visit.known.alike:
            self.place = _Place(fold(self.tree, self.events))
            return
        there = self.place.after.get(sign)
        if there is None:
            there = self.place.after[sign] = _Place(fold(self.tree, self.events))
        self.place = there

    def go(self) -> None:
        """Walk until the case is closed, or left open on the bench."""
        while len(self.events) < LONGEST:
            step = self.next_step()
            if step is not None:
                if self.drawn.random() < self.shop.gives_up and len(self.events) > 4:
                    break
                self.take(step)
            elif self.state.phase == "found":
                end = self.state.end
                assert end is not None
                self.repair(end.id)
            elif self.state.confirming is not None:
                if self.proof_is_open():
                    break
                self.see()
            elif self.state.cured is not None:
                self.close("fixed", self.state.cured.fault, "returned")
                return
            elif not self.try_loose():
                break
        self.give_up()

    def next_step(self) -> Step | None:
        """The step to be asked, after moving on where a skip stands in the way.

        A simulated unit is of the first kind that a property has.
        """
        while (known := self.state.needs_fact) is not None:
            fact = ev.FactGiven(at=self.now(), name=known.id, value=known.values[0], source="asked")
            self.add(fact, ("fact", known.id))
        if self.state.ask is None and self.state.may_go_on:
            jump = self.by_eye()
            if jump is not None:
                self.add(jump, ("jumped", jump.step))
        return self.state.ask

    def by_eye(self) -> ev.Jumped | None:
        """Continue after a skipped step with its true outcome; else go back to it, once."""
        state = self.state
        answered = {visit.step for visit in state.visits if visit.round == state.round}
        for name, times in state.skipped.items():
            step = self.tree.steps[name]
            target = step.targets.get(self.unit.outcome(step, state), "")
            if target in self.tree.steps and target not in answered | state.skipped.keys():
                return ev.Jumped(at=self.now(), step=target, cause="asked")
            if times == 1:
                return ev.Jumped(at=self.now(), step=name, cause="skipped-before")
        return None

    def take(self, step: Step) -> None:
        """Answer a step, sometimes with an error as at a real bench."""
        drawn, shop = self.drawn, self.shop
        proving = self.state.phase != "finding"
        chance = drawn.random()
        if chance < shop.skip and step.kind != "do" and not proving:
            reason = drawn.choice(("no clip at hand", "meter lent out", "cannot be reached"))
            self.time += dt.timedelta(seconds=20)
            self.add(ev.Skipped(at=self.now(), step=step.id, reason=reason), ("skip", step.id))
            return
        outcome = self.unit.outcome(step, self.state)
        others = [name for name in step.targets if name not in (outcome, "undecided")]
        if not proving and step.kind != "do" and others and drawn.random() < shop.slip:
            outcome = drawn.choice(others)
        if step.kind == "measure" and not proving and drawn.random() < shop.unsure:
            outcome = "undecided"
        self.answer(step, outcome)
        if not proving and self.state.phase == "finding" and drawn.random() < shop.back:
            self.add(ev.WentBack(at=self.now(), steps=1), ("back", 1))

    def answer(self, step: Step, outcome: str) -> None:
        """Acknowledge the cautions, type the answer, check whether it confirms a repair."""
        for caution in self.state.cautions_at(step):
            if caution not in self.read:
                self.read.add(caution)
                self.time += dt.timedelta(seconds=4)
                self.add(ev.CautionRead(at=self.now(), caution=caution, step=step.id))
        minutes = step.cost + self.state.access_minutes
        pace = self.visit.known.ground.pace(step.id)
        seconds = round(60 * minutes * pace * self.drawn.lognormvariate(0, 0.35) + 5, 1)
        self.time += dt.timedelta(seconds=seconds)
        event = replace(self.judged(step, outcome), at=self.now(), seconds=seconds)
        self.add(event, ("answer", step.id, event.outcome))
        self.concluded(event)

    def judged(self, step: Step, outcome: str) -> ev.Answered:
        """The typed reading and its verdict; the readings of each outcome are reused."""
        known = self.visit.known
        slot = self.drawn.randrange(READINGS) if step.kind == "measure" else 0
        key = (self.visit.model, step.id, outcome, slot)
        event = known.stock.get(key) if known.alike else None
        if event is None:
            try:
                made = answer(self.state, step, typed(self.unit, self.state, step, outcome))
            except FaulttreeError:
                made = ev.Answered(step=step.id, outcome=outcome)
            assert isinstance(made, ev.Answered)
            event = known.stock[key] = made
        return event

    def concluded(self, last: ev.Answered) -> None:
        """The event for the repair from the outcome of the confirming step."""
        told = conclude(self.state, at=self.now())
        if told is not None:
            told = replace(told, reading=last.reading, verdict=last.verdict)
            self.add(told, (told.kind, told.fault))
            self.unit.shown.clear()

    def repair(self, fault: str) -> None:
        """Repair the fault that was found; only the true fault is cured."""
        self.time += dt.timedelta(minutes=self.drawn.uniform(8, 40))
        part = self.tree.faults[fault].part
        what = f"{part} replaced" if part else "repaired"
        self.unit.repaired = fault == self.visit.fault
        self.add(ev.RepairTried(at=self.now(), fault=fault, what=what), ("repair", fault))

    def proof_is_open(self) -> bool:
        """Whether a right repair lacks its measured proof and nothing can be measured any more.

        A safety condition failed, or a step of the proof was undecided: the unit stays here.
        """
        repair = self.state.confirming
        fault = self.tree.faults.get(repair.fault) if repair else None
        return self.unit.repaired and fault is not None and bool(fault.confirms)

    def see(self) -> None:
        """A repair without a confirming step: the observation decides."""
        told = conclude_by_sight(
            self.state,
            "works again" if self.unit.repaired else "still the same",
            held=self.unit.repaired,
            at=self.now(),
        )
        self.add(told, (told.kind, told.fault))

    def try_loose(self) -> bool:
        """Sometimes repair a loose suspect, chosen by its probability only."""
        tried = {repair.fault for repair in self.state.repairs}
        end = self.state.end
        left = [name for name in self.tree.loose if name not in tried]
        hard = end is not None and end.reason in HARD_STOPS
        if hard or not left or self.drawn.random() > 0.5:
            return False
        self.repair(left[0])
        return True

    def give_up(self) -> None:
        """Show the open suspects before giving up, and close the case."""
        end = self.state.end
        reason = end.reason if end is not None else ""
        if reason == "no-fault-found":
            self.close("no-fault-found", "", "returned")
            return
        if self.drawn.random() < 0.04:
            return  # Still on the shelf: the case stays open.
        result = "referred" if reason == "licensed" else "unsolved"
        if self.place.suspects is None:
            self.place.suspects = tuple(
                {"fault": one.fault, "probability": one.probability} for one in untested(self.state)
            )
        self.add(ev.Declined(at=self.now(), suspects=self.place.suspects, reason=result))
        if end is None:
            step = self.state.ask.id if self.state.ask else ""
            self.add(ev.Stopped(at=self.now(), reason="no more time today", step=step))
        became = self.drawn.choice(("waiting", "kept-for-parts", "scrapped"))
        self.close(result, "", became)

    def close(self, result: str, fault: str, became: str) -> None:
        """The case has a result."""
        self.time += dt.timedelta(seconds=30)
        self.add(ev.Closed(at=self.now(), result=result, fault=fault, became=became))
