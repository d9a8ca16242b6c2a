"""Rules about safety in the structure: what a walk passes before power, and before a hand goes in.

A tree *says its safety in its structure* where it uses one of the keys ``before_power``,
``stores`` or ``exposes``. Older trees say it in the words of ``how`` and in the order of their
steps, which no program can check: they get one note for each thing that they should gain.

That a unit is looked at and its insulation tested before it gets power, that it is closed before
it is switched on, and that what holds charge is discharged and proved dead before it is touched,
is common practice of the trade, no source. Local codes and licensed people come first.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator

from faulttree.rules.checks.safety import tests_safety
from faulttree.rules.context import RuleContext
from faulttree.rules.registry import rule
from faulttree.tree.finding import Finding
from faulttree.tree.graph import graph_of
from faulttree.tree.model import MAINS, Access, Step, Tree, Use, Where


def says_safety(tree: Tree) -> bool:
    """Whether a tree says its safety in its structure."""
    own_stores = any(store.kind != MAINS for store in tree.stores.values())
    opened = any(state.exposes for state in tree.access.values())
    return bool(tree.before_power or own_stores or opened)


def live_steps(tree: Tree) -> list[Step]:
    """The steps on the powered unit that look for a fault, in the order of the file."""
    return [step for step in tree.steps.values() if step.live and step.role == "finding"]


# -- before power ----------------------------------------------------------------------


@rule("structure", "warning")
def live_before_checks(subject: RuleContext) -> Iterator[Finding]:
    """The unit gets power before somebody has looked it over or, where it is fed from the mains,
    before its insulation is tested. A broken lead, a loose part or a leaking inlet is then found
    by the hand that switches it on. Put a look at the unit and, for units on the mains, the
    insulation test into `before_power`, before every check that needs power itself.

    Example:
        before_power: [first-start]      # corrected: [look-over, insulation-test, first-start]
        steps: {rail: {measure: Rail under power, live: true, …}}
    """
    tree = subject.tree
    powered = live_steps(tree)
    if subject.own != "tree" or not powered or not says_safety(tree):
        return
    before: list[Step] = []
    for check in tree.before_power:
        inside = [tree.steps[name] for name in tree.uses[check.use].steps if name in tree.steps]
        powering = [step.id for step in inside if step.live]
        later = graph_of(tree).beyond(*powering)
        before += [step for step in inside if step.id not in later]
        if powering:
            break
    missing = []
    if not any(step.kind == "ask" and step.property is None for step in before):
        missing.append("a look at the unit")
    if subject.is_mains and not any(tests_safety(subject, step) for step in before):
        missing.append("an insulation test")
    if missing:
        place = powered[0].where
        if tree.before_power:
            place = Where("tree", ("before_power",))
        yield Finding(
            place,
            f"`{powered[0].id}` powers the unit without {' and '.join(missing)} before it.",
            "Add the procedure to `before_power`, before any check that needs power.",
            of_key=True,
        )


@rule("structure", "note")
def power_after_safety_test(subject: RuleContext) -> Iterator[Finding]:
    """The closing checks give the unit power after the last safety test. Heat and vibration of a
    long run can spoil insulation, an earth path or a strain relief, and nobody sees it before the
    unit goes back. Let a safety test come last: the checks before power already make the run safe.

    Example:
        closing: [safety-by-class, soak-test]      # corrected: [soak-test, safety-by-class]
    """
    tree = subject.tree
    if subject.own != "tree" or not says_safety(tree):
        return
    uses = [tree.uses[name] for name in tree.closing]
    last = max((at for at, use in enumerate(uses) if use.checks == "safety"), default=len(uses))
    for use in uses[last + 1 :]:
        if not any(tree.steps[name].live for name in use.steps):
            continue
        yield Finding(
            Where("tree", ("closing",)),
            f"`{use.procedure}` gives the unit power after the last safety test.",
            f"List it before `{uses[last].procedure}`.",
            of_key=True,
        )


# -- open covers -----------------------------------------------------------------------

OPENS = re.compile(r"\b(cover|lid|case|housing|panel|shell|screws?|board|chassis)\b", re.IGNORECASE)


def _opens(subject: RuleContext, state: Access) -> bool:
    """Whether a state bares something: by its cautions, or by how it is entered."""
    known = subject.tree.known_cautions
    hazards = {one for name in state.cautions if name in known for one in known[name].covers}
    bared = hazards & {"voltage", "charge", "energy", "motion"}
    return bool(bared) or OPENS.search(f"{state.id} {state.how}") is not None


@rule("structure", "warning")
def live_with_open_state(subject: RuleContext) -> Iterator[Finding]:
    """A step powers the unit after another one has opened it, does not name that state among its
    own, and nothing closes it. The unit is switched on with the cover off, and nobody decided
    so. Say with `exposes` what the state bares and with `close` how it is undone: the walk then
    closes the unit before the step; or name the state where the step needs it.

    Example:
        access: {cover-off: {minutes: 4, how: Four screws}}
        # corrected: cover-off: {minutes: 4, how: …, exposes: [voltage], close: {minutes: 2, …}}
        steps:
          inside: {ask: Is the board whole?, access: [cover-off], answers: {whole: rail, …}}
          rail:   {measure: Output, live: true, …}
    """
    tree = subject.tree
    if subject.own != "tree" or not says_safety(tree):
        return
    graph = graph_of(tree)
    for state in tree.access.values():
        if state.close is not None or not _opens(subject, state):
            continue
        openers = [step.id for step in tree.steps.values() if state.id in step.access]
        later = graph.beyond(*openers)
        for step in live_steps(tree):
            if step.id in later and not _names(tree, step, state):
                yield Finding(
                    step.where,
                    f"`{step.id}` powers the unit while `{state.id}` may be open.",
                    f"Add `exposes` and `close` to `{state.id}`, or name it in `access` here.",
                    of_key=True,
                )


def _names(tree: Tree, step: Step, state: Access) -> bool:
    """Whether a step is done in a state, or in another one that takes its place."""
    if state.id in step.access:
        return True
    groups = {tree.access[name].group for name in step.access if name in tree.access}
    return state.group is not None and state.group in groups


# -- what holds energy -----------------------------------------------------------------


class _Store:
    """The steps that charge one store, discharge it and prove it dead."""

    def __init__(self, subject: RuleContext, name: str) -> None:
        self.tree, self.name = subject.tree, name
        self.graph = graph_of(self.tree)
        tree = self.tree
        starts = [tree.start, *(tree.uses[one.use].start for one in tree.before_power)]
        starts += [tree.uses[name].start for name in tree.closing]
        self.charged = [*starts, *self._charging()]
        self.proofs, self.unproved = self._leaving("proves_dead")
        self.discharges, _ = self._leaving("discharges")

    def _charging(self) -> Iterator[str]:
        """What follows a live step that charges the store."""
        for step in self.tree.steps.values():
            named = step.charges if step.charges is not None else self.tree.stores
            if (step.live or step.charges) and self.name in named:
                yield from step.targets.values()

    def _leaving(self, key: str) -> tuple[set[str], list[str]]:
        """The steps that do something to the store, and where they lead when they do not."""
        steps, others = set[str](), list[str]()
        for step in self.tree.steps.values():
            if self.name in getattr(step, key):
                steps.add(step.id)
                good = step.normal_outcome
                others += [to for outcome, to in step.targets.items() if outcome != good]
        for use in self.tree.uses.values():
            if key in ("proves_dead", "discharges") and self.name in getattr(use, key):
                for name in use.steps:
                    step = self.tree.steps[name]
                    for outcome, taken in step.leaves.items():
                        if (use.id, use.passes) in taken:
                            steps.add(name)
                        elif any(left == use.id for left, _ in taken):
                            others.append(step.targets[outcome])
        return steps, others

    def proved_by_prerequisite(self, step: Step) -> bool:
        """Whether a step asks for the proof in ``after``: the walk then makes it first."""
        known = {*self.proofs}
        known |= {use.id for use in self.tree.uses.values() if self.name in use.proves_dead}
        return bool(known.intersection(step.after))

    def may_be_charged(self, step: Step) -> bool:
        """Whether a walk can come to a step with the store not proved dead."""
        if self.proved_by_prerequisite(step):
            return False
        asked = {one.id for one in self.tree.steps.values() if self.proved_by_prerequisite(one)}
        barred = (self.proofs | asked) - {step.id}
        return step.id in self.graph.beyond(*self.charged, *self.unproved, without=barred)


def _stores(subject: RuleContext) -> Iterator[_Store]:
    if subject.own == "tree":
        yield from (_Store(subject, name) for name in subject.tree.stores)


@rule("structure", "warning")
def not_proved_dead(subject: RuleContext) -> Iterator[Finding]:
    """A walk can come to a test on a part that holds mains or charge, and on the way nothing has
    proved it dead since the unit last had power. The meter is damaged, or the hand that holds
    it is hurt. Put a step that proves it dead on every path, or name it in `after`.

    Example:
        stores: {reservoir: {voltage: 34 V, capacitance: 4700 µF}}
        steps:
          discharge: {do: Discharge it, discharges: [reservoir], then: esr}      # and the proof?
          esr:       {measure: ESR of the reservoir, on: [reservoir], …}
        # corrected:
          discharge: {do: Discharge it, discharges: [reservoir], then: dead}
          dead:      {measure: Voltage left, proves_dead: [reservoir], limits: {max: 1 V}, …}
          esr:       {measure: ESR of the reservoir, on: [reservoir], after: [dead], …}
    """
    for store in _stores(subject):
        for step in subject.tree.steps.values():
            touched = store.name in step.on and not step.live
            if touched and store.name not in step.proves_dead and store.may_be_charged(step):
                yield Finding(
                    step.where,
                    f"`{step.id}` is on `{store.name}`, which need not be proved dead before it.",
                    f"Name in `after` a step that proves `{store.name}` dead.",
                    of_key=True,
                )


@rule("structure", "warning")
def discharge_too_few(subject: RuleContext) -> Iterator[Finding]:
    """A discharge leaves out a part that may be charged there, and a step behind it touches that
    part or is to prove it dead; or a step is to prove a part dead that nothing has discharged.
    The charge is still in it when the probe comes.

    Example:
        stores: {reservoir: {…}, auxiliary: {…}}
        steps:
          discharge: {do: Discharge both, discharges: [reservoir], then: dead}
          # corrected: discharges: [reservoir, auxiliary]
          dead: {measure: Voltage left, proves_dead: [reservoir, auxiliary], …}
    """
    tree = subject.tree
    for store in _stores(subject):
        if tree.stores[store.name].kind != "capacitor":
            continue
        yield from _left_charged(store)
        yield from _never_discharged(store)


def _left_charged(store: _Store) -> Iterator[Finding]:
    """Discharges that leave out the store though a step behind them touches it."""
    tree = store.tree
    for name, where, first in _of_key(tree, "discharges"):
        if store.name in _listed(tree, name, "discharges") or not store.may_be_charged(first):
            continue
        behind = store.graph.beyond(*first.targets.values(), without=store.discharges)
        touched = [
            step.id
            for step in tree.steps.values()
            if step.id in behind and store.name in (*step.on, *step.proves_dead)
        ]
        touched += [one for one in store.proofs if one in _inside(tree, name)]
        if touched and not _discharged_before(store, first):
            yield Finding(
                where,
                f"`{name}` does not discharge `{store.name}`, which `{touched[0]}` is on.",
                f"Add `{store.name}` to its `discharges`.",
                of_key=True,
            )


def _never_discharged(store: _Store) -> Iterator[Finding]:
    """Proofs that the store is dead where nothing discharges it before."""
    tree = store.tree
    for name, where, first in _of_key(tree, "proves_dead"):
        if store.name in _listed(tree, name, "proves_dead") and not (
            _listed(tree, name, "discharges") or _discharged_before(store, first)
        ):
            yield Finding(
                where,
                f"`{name}` proves `{store.name}` dead, and nothing discharges it before.",
                f"Add a step with `discharges: [{store.name}]` before it.",
                of_key=True,
            )


def _of_key(tree: Tree, key: str) -> Iterator[tuple[str, Where, Step]]:
    """The steps and uses that say something of stores in a key: id, place, first step."""
    for step in tree.steps.values():
        if getattr(step, key):
            yield step.id, step.where, step
    for use in tree.uses.values():
        if getattr(use, key) and use.start in tree.steps:
            yield use.id, use.where, tree.steps[use.start]


def _listed(tree: Tree, name: str, key: str) -> Collection[str]:
    """The stores that a step or use names in a key."""
    held: Step | Use = tree.steps[name] if name in tree.steps else tree.uses[name]
    stores: Collection[str] = getattr(held, key)
    return stores


def _inside(tree: Tree, name: str) -> Collection[str]:
    return tree.uses[name].steps if name in tree.uses else ()


def _discharged_before(store: _Store, step: Step) -> bool:
    """Whether every path to a step discharges the store, or the step itself sees to it."""
    uses = store.tree.uses.values()
    known = {*store.discharges, *(use.id for use in uses if store.name in use.discharges)}
    failing = {to for outcome, to in step.targets.items() if outcome != step.normal_outcome}
    if known.intersection(step.after) or failing & store.discharges:
        return True
    return step.id not in store.graph.beyond(*store.charged, without=store.discharges)


@rule("structure", "warning")
def cells_unknown(subject: RuleContext) -> Iterator[Finding]:
    """A battery is charged or loaded before anybody knows the state of its cells. A cell that is
    damaged or deeply discharged can catch fire. Put the step that makes the cells known
    (`cells_known`) on every path before it, or name it in `after`.

    Example:
        stores: {pack: {kind: battery}}
        steps: {load: {measure: Voltage under load, loads: [pack], …}}
        # corrected:
          cells: {measure: Lowest cell voltage, cells_known: [pack], …}
          load:  {measure: Voltage under load, loads: [pack], after: [cells], …}
    """
    tree = subject.tree
    for store in _stores(subject):
        if tree.stores[store.name].kind != "battery":
            continue
        looked, _ = store._leaving("cells_known")
        asked = {u.id for u in tree.uses.values() if store.name in u.cells_known} | looked
        reached = store.graph.beyond(*store.charged[: _starts(tree)], without=looked)
        for step in tree.steps.values():
            charging = step.charges if step.charges is not None else tree.stores
            strained = store.name in step.loads or (
                (step.live or step.charges) and store.name in charging
            )
            if strained and step.id in reached and not asked.intersection(step.after):
                yield Finding(
                    step.where,
                    f"`{step.id}` charges or loads `{store.name}` before its cells are known.",
                    f"Name in `after` a step with `cells_known: [{store.name}]`.",
                    of_key=True,
                )


def _starts(tree: Tree) -> int:
    return 1 + len(tree.before_power) + len(tree.closing)


# -- what an older tree should gain ----------------------------------------------------


@rule("structure", "note")
def safety_only_in_words(subject: RuleContext) -> Iterator[Finding]:
    """The tree says in words, or only by the order of its steps, what the format can hold as
    structure: checks before power, what an open unit bares and how it is closed, which parts
    hold charge, where a complaint is tested. The walk, the plan and the other rules can keep
    only what stands in the structure.

    Example:
        steps: {rail: {measure: Rail, live: true, …}}      # and `before_power`?
        # corrected: before_power: [look-over, insulation-test]
    """
    if subject.own != "tree":
        return
    for key, place, lacking, remedy in _lacking(subject):
        if lacking:
            where = Where("tree", (place,))
            yield Finding(where, f"The tree says nothing in `{key}`.", remedy, of_key=True)


def _tester_charges(tree: Tree, step: Step) -> bool:
    """Whether a tester brings the charge of a step: it discharges the unit again by itself."""
    gear = (tree.known_instruments[name] for name in step.needs if name in tree.known_instruments)
    return any("charge" in one.brings for one in gear)


def _lacking(subject: RuleContext) -> Iterator[tuple[str, str, bool, str]]:
    """Key, place, whether it is missing, and what to write."""
    tree = subject.tree
    powered, states = live_steps(tree), tree.access.values()
    known = tree.known_cautions
    own = [step for step in tree.steps.values() if step.role == "finding"]
    named = {name for step in own if not _tester_charges(tree, step) for name in step.cautions}
    charged = any("charge" in known[name].covers for name in named if name in known)
    yield (
        "before_power",
        "start",
        bool(powered) and not tree.before_power,
        "List what must pass before a live step: a look, the insulation test, the first start.",
    )
    yield (
        "stores",
        "start",
        charged and not any(one.kind != MAINS for one in tree.stores.values()),
        "List the parts that hold charge, and say `discharges`, `proves_dead` and `on` at steps.",
    )
    opened = [state.id for state in states if _opens(subject, state)]
    yield (
        "exposes",
        "access",
        bool(powered and opened) and not any(state.exposes for state in states),
        f"Say at {', '.join(opened)} what it bares (`exposes`) and how it is closed (`close`).",
    )
    yield (
        "seen_at",
        "symptoms",
        bool(tree.symptoms) and not any(one.seen_at for one in tree.symptoms),
        "Name at each symptom the step that tests it.",
    )
