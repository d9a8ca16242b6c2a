"""The fault table that a tree implies.

How a tree is read as a table:

* A test is a step with two or more outcomes outside the closing. A step with one outcome
  (a ``do``, a reading without limits) is a action: it costs minutes and others rest on it.
* What a fault shows at a step are the outcomes from which the fault can still be reached.
  At a step that no way to the fault comes by, nothing is known, unless its ``signs`` say.
* A step that every way to a test comes by and that is a action ("discharge it") comes before
  that test in any order, whether or not ``after`` says so: leaving it out could hurt.
* A step that disturbs a part waits for the tests of that part that would still tell something.
* ``undecided`` is no outcome: nothing was seen.
* ``confirm`` is seen after the repair and says nothing before it.

A guarded table keeps the safety checks of the tree, which no order of tests may leave out: steps
with an answer that ends the walk as unsafe or for licensed people only. A first step that
reproduces the complaint is kept in the same way: without it, faults are looked for in units
that have none.

A test that a tree only reaches behind others is written for that place. The table takes its
entries to hold anywhere; a step that would mean something else elsewhere says so with
``after``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import replace
from itertools import pairwise

from faulttree.errors import FaulttreeError
from faulttree.odds.table import Action, FaultTable, Waits, make_table, possible_spoils, put_before
from faulttree.reading import formula_sources
from faulttree.tree.disturbance import spoiled_readings
from faulttree.tree.graph import graph_of, reach, reversed_edges
from faulttree.tree.model import Step, Tree

__all__ = ["guarded", "guarded_table", "table_from_tree"]

LEAST_WEIGHT = 1e-6
"""A weight of 0 in a tree means "hardly ever": nothing is ruled out by its prior alone."""


def table_from_tree(tree: Tree, facts: Mapping[str, str] | None = None) -> FaultTable:
    """The table of a tree's faults and tests; see the module for how it is read.

    Args:
        tree: the tree.
        facts: property → value of the unit at hand; they rule out checks before power.

    Raises:
        TableError: steps that wait for one another.
    """
    power = _power_checks(tree, facts or {})
    inner = {name for use in power for name in tree.uses[use].steps}
    steps = {
        name: step for name, step in tree.steps.items() if step.role == "finding" or name in inner
    }
    tests = {name: outcomes for name, step in steps.items() if len(outcomes := _outcomes(step)) > 1}
    actions = _actions(tree, steps, tests, power) | _before_power(tree, power)
    waits = {name: _first(tree, steps[name], {*tests, *actions}) for name in tests}
    waits |= {name: action.after for name, action in actions.items()}
    _put_safety_first(tree, waits, power)
    return make_table(
        {name: _weight(fault.weight) for name, fault in tree.faults.items()},
        tests,
        _entries(tree, tests),
        minutes={name: steps[name].cost for name in tests},
        access={name: _states(tree, steps[name].access) for name in tests},
        after={name: waits[name] for name in tests},
        states=dict(tree.access),
        actions={name: replace(action, after=waits[name]) for name, action in actions.items()},
        normal=tuple(_normal(tree, steps[name], tests[name]) for name in tests),
        kinds=tuple(steps[name].kind for name in tests),
        live=frozenset(name for name in tests if steps[name].live),
        gear=tuple(steps[name].needs for name in tests),
        titles={name: fault.title for name, fault in tree.faults.items()},
        identities={name: tree.identity(name) for name in tree.faults},
        name=tree.title,
        spoils=_spoils(tree, tests, waits),
        lasting=frozenset((*inner, *power)) & {*tests, *actions},
        source=tree,
    )


def _spoils(tree: Tree, tests: Mapping[str, object], waits: Waits) -> dict[str, tuple[str, ...]]:
    spoiled = spoiled_readings(tree).items()
    known = {name: tuple(one for one in readings if one in tests) for name, readings in spoiled}
    return possible_spoils(known, waits)


def _weight(given: float | None) -> float:
    return 1.0 if given is None else max(given, LEAST_WEIGHT)


def _outcomes(step: Step) -> tuple[str, ...]:
    return tuple(outcome for outcome in step.targets if outcome != "undecided")


def _normal(tree: Tree, step: Step, outcomes: Sequence[str]) -> str:
    """The outcome to expect of a fault that the tree says nothing of; empty for none.

    The one that ``normal`` names, else ``inside``, else the first that does not lead straight to
    a fault: that one is shown by the fault it leads to.
    """
    usual = step.normal if step.normal is not None else "inside"
    if usual in outcomes:
        return usual
    return next((o for o in outcomes if step.targets[o] not in tree.faults), "")


def _states(tree: Tree, names: Iterable[str]) -> tuple[str, ...]:
    return tuple(name for name in dict.fromkeys(names) if name in tree.access)


def _power_checks(tree: Tree, facts: Mapping[str, str]) -> tuple[str, ...]:
    """The checks before power that may apply to a unit with these facts, by their use."""
    return tuple(
        check.use
        for check in tree.before_power
        if check.use in tree.uses
        and all(facts.get(name, values[0]) in values for name, values in check.when.items())
    )


def _before_power(tree: Tree, power: Sequence[str]) -> dict[str, Action]:
    """Each check before power as an action behind its own steps and the check before it.

    Its steps have the minutes. What it tells is told by those of them that are tests.
    """
    graph, made = graph_of(tree), dict[str, Action]()
    for earlier, use in zip(("", *power), power, strict=False):
        path = graph.path_through(tree.uses[use], minutes=True)
        made[use] = Action(0.0, (), (*([earlier] if earlier else []), *path))
    return made


def _put_safety_first(tree: Tree, waits: Waits, power: Sequence[str]) -> None:
    """Let each step wait for what a walk would ask before it.

    That is the last check before power, what discharges and proves dead the stores that it
    touches, and what makes known the cells of the batteries that it loads. Of several steps
    that do the same the first one counts that does not itself wait for the step.
    """
    for earlier, use in pairwise(power):
        for name in tree.uses[use].steps:
            put_before(earlier, name, waits)
    for name in waits:
        step = tree.steps.get(name)
        if step is None:
            continue
        wanted = [(store, key) for store in step.on for key in ("discharges", "proves_dead")]
        wanted += [(store, "cells_known") for store in step.loads]
        for store, key in wanted:
            finding = (tree.steps[one] for one in tree.diagnostic)
            makers = (one.id for one in finding if store in getattr(one, key) and one is not step)
            made = next((maker for maker in makers if put_before(maker, name, waits)), None)
            if made is not None:
                # Last, so that nothing live comes in between.
                waits[name] = (*(one for one in waits[name] if one != made), made)
        if step.live and step.role == "finding" and power:
            put_before(power[-1], name, waits)


def _first(tree: Tree, step: Step, known: Set[str], power: Sequence[str] = ()) -> tuple[str, ...]:
    before = graph_of(tree).before(step.id)
    actions = (name for name in before if len(_outcomes(tree.steps[name])) < 2)
    wanted = (*step.after, *actions, *_readings(step))
    # What a procedure does is paid with the procedure.
    inside = {inner for use in step.after if use in tree.uses for inner in tree.uses[use].steps}
    return tuple(
        name
        for name in dict.fromkeys(wanted)
        if name in known and name != step.id and name not in inside
    )


def _readings(step: Step) -> tuple[str, ...]:
    """The steps whose readings a formula in this step's limits is worked out from."""
    try:
        return formula_sources(step.limits or {})
    except FaulttreeError:
        return ()


def _actions(
    tree: Tree, steps: Mapping[str, Step], tests: Mapping[str, object], power: Sequence[str]
) -> dict[str, Action]:
    actions = [step for name, step in steps.items() if name not in tests]
    called = {name for step in steps.values() for name in step.after}
    uses = [use for name, use in tree.uses.items() if name in called and name not in steps]
    known = {*tests, *(step.id for step in actions), *(use.id for use in uses), *power}
    made = {
        step.id: Action(step.cost, _states(tree, step.access), _first(tree, step, known), step.live)
        for step in actions
    }
    for use in uses:
        passed = [steps[name] for name in graph_of(tree).path_through(use, minutes=True)]
        outside = [
            name for step in passed for name in step.after
            if name in known and name not in use.steps and name != use.id
        ]  # fmt: skip
        made[use.id] = Action(
            sum(step.cost for step in passed),
            _states(tree, [state for step in passed for state in step.access]),
            tuple(dict.fromkeys(outside)),
        )
    return made


def _entries(
    tree: Tree, tests: Mapping[str, tuple[str, ...]]
) -> dict[tuple[str, str], tuple[str, ...]]:
    entries: dict[tuple[str, str], tuple[str, ...]] = {}
    graph = graph_of(tree)
    for name, fault in tree.faults.items():
        signs = _signs(tree, tests, fault.signs)
        for test, outcomes in tests.items():
            led = {outcome for outcome in outcomes if name in graph.faults_beyond(test, outcome)}
            shown = signs.get(test)
            # A sign is the more exact word; where it and the way to the fault exclude
            # each other, ruling the fault out on the author's slip would be worse.
            said = led if shown is None else (led & shown or led | shown)
            entries[name, test] = tuple(said)
    return entries


def _signs(
    tree: Tree, tests: Mapping[str, tuple[str, ...]], signs: Mapping[str, tuple[str, ...]]
) -> dict[str, set[str]]:
    """Signs by test; a sign of a procedure's exit becomes signs of the steps within."""
    shown: dict[str, set[str]] = {}
    for where, gives in signs.items():
        if where in tests:
            wanted = {o for word in gives for o in _spread(word)} & set(tests[where])
            if wanted:
                shown[where] = wanted
        elif where in tree.uses:
            shown.update(_exit_signs(tree, tests, where, set(gives)))
    return shown


def _spread(outcome: str) -> tuple[str, ...]:
    return ("outside", "low", "high") if outcome == "outside" else (outcome,)


def _exit_signs(
    tree: Tree, tests: Mapping[str, tuple[str, ...]], use: str, exits: set[str]
) -> dict[str, set[str]]:
    inside = {name: step for name, step in tree.steps.items() if name.startswith(f"{use}.")}
    taking = {
        (step.id, outcome)
        for step in inside.values()
        for outcome, left in step.leaves.items()
        if any(name == use and exit_ in exits for name, exit_ in left)
    }
    onward = {name: [to for to in s.targets.values() if to in inside] for name, s in inside.items()}
    leads = reach(reversed_edges(onward), [name for name, _ in taking])
    return {
        name: shown
        for name, step in inside.items()
        if name in tests
        and (shown := {o for o in tests[name] if (name, o) in taking or step.targets[o] in leads})
    }


# -- behind the safety checks -------------------------------------------------------------


def guarded_table(tree: Tree) -> FaultTable:
    """The tree's fault table, each test behind the safety checks that come before it there.

    Raises:
        TableError: steps that wait for one another.
    """
    return guarded(table_from_tree(tree))


def guarded(table: FaultTable) -> FaultTable:
    """The table with every test and action behind the safety checks of the tree it came from.

    Where every path of the tree to a step passes a safety check, that check becomes one of
    the things that come first (``after``). A check that no step names in its own ``after``
    holds once it is done, also when the unit is powered later: the tree asks it once.
    A table without a tree is given back as it is, and so is one that was guarded before.
    """
    tree = table.source
    if tree is None:
        return table
    graph, waits = graph_of(tree), _waits(table)
    named = {name for names in waits.values() for name in names}
    for name in waits:
        use = tree.uses.get(name)
        for check in graph.checks_before(use.start if use else name):
            if use is None or check not in use.steps:
                put_before(check, name, waits)
    checks = {check for node in graph.reached for check in graph.checks_before(node)}
    lasting = table.lasting | frozenset(checks & set(table.tests) - named)
    return replace(
        table,
        after=tuple(waits[test] for test in table.tests),
        actions={
            name: replace(action, after=waits[name]) for name, action in table.actions.items()
        },
        spoils=possible_spoils(table.spoils, waits),
        lasting=lasting,
    )


def _waits(table: FaultTable) -> Waits:
    waits = dict(zip(table.tests, table.after, strict=True))
    waits.update({name: action.after for name, action in table.actions.items()})
    return waits
