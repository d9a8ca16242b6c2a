"""Scripted walks of a tree: one along every edge that ends it, with all that the walk asks between.

A way is the steps and outcomes from the start to an edge. Facts of the unit, checks before
power, closing of the unit, discharges and proofs of dead are asked by the walk itself and are
passed here; readings are made so that their limits give the outcome wanted.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

from faulttree.reading import Limits
from faulttree.tree import Step, Tree, Use
from faulttree.walk import Event, State, fold
from faulttree.walk import events as ev
from faulttree.walk.answer import TypedAnswer, answer, limits_of
from faulttree.walk.follow_up import fact_given, follow_ups, known_answer
from faulttree.walk.repair import conclude, conclude_by_sight, next_proof

__all__ = ["Taken", "Walked", "begun", "closing_exits", "ends", "walked"]

Taken = tuple[str, str]
Facts = Mapping[str, str]


@dataclass(frozen=True)
class Walked:
    """A walk so far; ``facts`` is what the unit is, given when it is asked."""

    tree: Tree
    events: tuple[Event, ...]
    facts: Facts

    @cached_property
    def state(self) -> State:
        return fold(self.tree, self.events)

    def add(self, *events: Event | None) -> Walked:
        kept = tuple(event for event in events if event is not None)
        return Walked(self.tree, self.events + kept, self.facts) if kept else self

    def answered(self, outcome: str) -> Walked:
        """The step that is asked, answered by a word or a reading with that outcome."""
        step = self.state.ask
        assert step is not None, (outcome, self.state.block, self.state.end)
        cautions = [
            ev.CautionRead(caution=name, step=step.id)
            for name in self.state.cautions_at(step)
            if name not in self.state.cautions_read
        ]
        given = answer(self.state, step, typed(self.state, step, outcome))
        assert isinstance(given, ev.Answered)
        assert given.outcome == outcome, (step.id, given)
        on = self.add(*cautions, given)
        on = on.add(*follow_ups(self.state, on.state))
        return on.add(conclude(on.state))

    def ready(self, goal: str) -> Walked:
        """All that the walk asks for before the step ``goal``, passed."""
        on = self
        while True:
            state = on.state
            if state.needs_fact is not None:
                name = state.needs_fact.id
                on = on.add(fact_given(state, name, self.facts.get(name, usual(self.tree, name))))
            elif state.ask is None or state.ask.id == goal:
                return on
            elif (known := known_answer(state)) is not None:
                on = on.add(known)
            elif state.ask.property:
                on = on.answered(self.facts.get(state.ask.property, passing(self.tree, state.ask)))
            else:
                on = on.answered(passing(self.tree, state.ask))

    def through(self, use: Use, exit_: str) -> Walked:
        """A procedure, left by the exit named."""
        on = self.ready(use.start)
        for name, outcome in inside(self.tree, use, exit_, on.known_facts):
            on = on.ready(name)
            if on.state.ask is not None and not known_answer(on.state):
                on = on.answered(outcome)
            else:
                on = on.add(known_answer(on.state))
        return on

    @property
    def known_facts(self) -> Facts:
        return {**self.facts, **self.state.facts}

    def repaired(self, fault: str) -> Walked:
        """The fault repaired and proved."""
        on = self.add(ev.RepairTried(fault=fault, what="replaced"))
        if not self.tree.faults[fault].confirms:
            return on.add(conclude_by_sight(on.state, "works as its owner uses it", held=True))
        gives = {one.step: one.gives for one in self.tree.faults[fault].confirms}
        while on.state.confirming is not None:
            name = next_proof(on.state)
            if name in self.tree.uses:
                on = on.through(self.tree.uses[name], gives[name])
            else:
                on = on.ready(name).answered(gives[name])
        return on


def begun(tree: Tree, facts: Facts) -> Walked:
    """A case of the first model that the tree knows, else with ratings made up by their unit."""
    models = (model for rating in tree.ratings.values() for model in rating.models)
    model = next(models, "any")
    ratings = {one.id: f"12 {one.unit}".strip() for one in tree.ratings.values() if not one.models}
    unit = {"family": tree.family, "model": model}
    opened = ev.Opened(tree=tree.id, tree_hash=tree.hash, unit=unit, ratings=ratings)
    return Walked(tree, (opened,), facts)


def walked(tree: Tree, way: list[Taken], facts: Facts) -> Walked:
    """The walk along a way. A way that ends in ``property=value`` is stopped by that fact."""
    on = begun(tree, facts)
    for name, outcome in way:
        on = on.ready(name)
        if "=" in outcome and outcome not in tree.steps[name].targets:
            return on
        if on.state.ask is not None and on.state.ask.id == name:
            known = known_answer(on.state)
            on = on.add(known) if known is not None else on.answered(outcome)
    return on.ready("")


def ends(tree: Tree) -> Iterator[tuple[str, list[Taken], Facts]]:
    """Every edge into a fault or stop, with a whole way that takes it and what the unit is."""
    found = {**checked(tree), **followed(tree, tree.start, {})}
    for step, outcome, target in tree.edges():
        if tree.node(target) not in ("fault", "stop") or outcome == "undecided":
            continue
        wanted = dict([outcome.split("=", 1)]) if "=" in outcome else {}
        if tree.steps[step].property:
            wanted = {tree.steps[step].property or "": outcome}
        ways = [one for one in found.get(step, ()) if agree(one[1], wanted)]
        if wanted and not ways and step in found:
            continue  # Every way has told another value: this edge is for jumps only.
        assert ways, f"no walk comes to {step}: {outcome}"
        for way, facts in ways:
            # What the unit must be for this edge may stop every walk before it.
            if not stopped(tree, way, {**facts, **wanted}):
                yield target, [*way, (step, outcome)], {**facts, **wanted}
                break


def stopped(tree: Tree, way: list[Taken], facts: Facts) -> bool:
    """Whether a step on the way is a stop for a unit of this kind."""
    stops = ((name, known) for step, _ in way for name, known in tree.steps[step].stop_if.items())
    return any(facts.get(name) in known for name, known in stops)


def agree(facts: Facts, others: Facts) -> bool:
    return all(facts.get(name, value) == value for name, value in others.items())


Ways = dict[str, list[tuple[list[Taken], Facts]]]


def followed(tree: Tree, start: str, facts: Facts, before: tuple[Taken, ...] = ()) -> Ways:
    """For each step the ways to it, the fewest steps first, one for each set of facts."""
    found: Ways = {}
    queue: deque[tuple[str, list[Taken], Facts]] = deque([(start, list(before), facts)])
    while queue:
        name, way, known = queue.popleft()
        if any(known == other for _, other in found.get(name, ())):
            continue
        found.setdefault(name, []).append((way, known))
        step = tree.steps[name]
        decided = {to for outcome, to in step.targets.items() if outcome != "undecided"}
        for outcome, target in step.targets.items():
            told = {step.property: outcome} if step.property else {}
            if outcome == "undecided" and target in decided:
                continue
            if target in tree.steps and agree(known, told):
                queue.append((target, [*way, (name, outcome)], {**known, **told}))
    return found


def checked(tree: Tree) -> Ways:
    """The ways to the steps of the checks before power, asked before the first powered step."""
    if not tree.before_power:
        return {}
    to = followed(tree, tree.start, {})
    none: list[tuple[list[Taken], Facts]] = [([], {})]
    powered = next(iter(to[name] for name in to if tree.steps[name].live), none)
    found: Ways = {}
    for check in tree.before_power:
        when = {name: values[0] for name, values in check.when.items()}
        for way, facts in powered:
            if agree(facts, when):
                first = tree.uses[check.use].start
                for name, ways in followed(tree, first, {**facts, **when}, tuple(way)).items():
                    found.setdefault(name, []).extend(ways)
    return found


def closing_exits(tree: Tree) -> Iterator[tuple[Use, str]]:
    """Every exit of every closing procedure."""
    for name in tree.closing:
        use = tree.uses[name]
        yield from ((use, exit_) for exit_ in use.exits)


def inside(tree: Tree, use: Use, exit_: str, facts: Facts) -> list[Taken]:
    """The fewest steps and outcomes from the start of a procedure to one of its exits."""
    queue: deque[tuple[str, list[Taken]]] = deque([(use.start, [])])
    seen = set()
    while queue:
        name, way = queue.popleft()
        step = tree.steps[name]
        for outcome, target in step.targets.items():
            if outcome == "undecided" or facts.get(step.property or "", outcome) != outcome:
                continue
            if dict(step.leaves.get(outcome, ())).get(use.id) == exit_:
                return [*way, (name, outcome)]
            if target in use.steps and target not in seen:
                seen.add(target)
                queue.append((target, [*way, (name, outcome)]))
    raise AssertionError(f"no way through {use.id} to {exit_}")


def usual(tree: Tree, name: str) -> str:
    """A value of a property that stops no step, where there is one."""
    stopping = {
        value for step in tree.steps.values() for value in dict(step.stop_if.get(name) or {})
    }
    values = tree.properties[name].values
    return next((value for value in values if value not in stopping), values[0])


def passing(tree: Tree, step: Step) -> str:
    """The outcome of a good unit in a check; else the first one that goes on to another step."""
    if step.role != "finding":
        return step.normal_outcome or ""
    outcomes = [outcome for outcome in step.targets if outcome != "undecided"]
    onward = [outcome for outcome in outcomes if step.targets[outcome] in tree.steps]
    return step.normal_outcome or (onward or outcomes)[0]


def typed(state: State, step: Step, outcome: str) -> TypedAnswer:
    """What is typed for an outcome: the word, or a reading that gives it."""
    if step.kind != "measure" or outcome == "undecided":
        return TypedAnswer(outcome=outcome)
    shown = f"21 {step.unit}"
    if step.limits is not None:
        limits = limits_of(state, step)
        assert limits is not None
        assert not limits.missing, (step.id, limits.missing)
        value = typical(limits, outcome)
        shown = f"{value:f} {limits.unit}".strip()
        if limits.unit == "m":  # a lone m would be refused: metres or thousandths?
            shown = f"{value * 1000:f} mm"
    return TypedAnswer(typed=(shown,), sure=True, in_circuit=False)


def typical(limits: Limits, outcome: str) -> Decimal:
    """A value well inside the outcome."""
    if limits.bands:
        band = next(band for band in limits.bands if band.name == outcome)
        if band.lower is None or band.upper is None:
            edge = band.upper if band.lower is None else band.lower
            assert edge is not None
            return edge * (Decimal("0.5") if band.lower is None else Decimal("1.2"))
        return (band.lower + band.upper) / 2
    low, high = limits.last_lower, limits.last_upper
    if outcome == "low":
        assert low is not None
        return low * (Decimal("0.7") if low > 0 else 2)
    if outcome == "high":
        assert high is not None
        return high * Decimal("1.5") if high > 0 else Decimal(0)
    if limits.nominal is not None:
        return limits.nominal
    if low is not None and high is not None:
        return (low + high) / 2
    assert low is not None or high is not None
    return high / 2 if high is not None else low * Decimal("1.5")  # type: ignore[operator]
