"""The fault table that a tree implies.

How a tree is read as a table:

* A test is a step with two or more outcomes outside the closing. A step with one outcome
  (a ``do``, a reading without limits) is a deed: it costs minutes and others rest on it.
* What a fault shows at a step are the outcomes from which the fault can still be reached.
  At a step that no way to the fault comes by, nothing is known, unless its ``signs`` say.
* A step that every way to a test comes by and that is a deed ("discharge it") comes before
  that test in any order, whether or not ``after`` says so: leaving it out could hurt.
* ``undecided`` is no outcome: nothing was seen.
* ``confirm`` is seen after the repair and says nothing before it.

A test that a tree only reaches behind others is written for that place. The table takes its
entries to hold anywhere; a step that would mean something else elsewhere says so with
``after``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set

from faulttree.errors import FaulttreeError
from faulttree.odds.table import Action, FaultTable, make_table
from faulttree.reading import formula_sources
from faulttree.tree.graph import graph_of, reach, reversed_edges
from faulttree.tree.model import Step, Tree

__all__ = ["table_from_tree"]

LEAST_WEIGHT = 1e-6
"""A weight of 0 in a tree means "hardly ever": nothing is ruled out by its prior alone."""


def table_from_tree(tree: Tree) -> FaultTable:
    """The table of a tree's faults and tests; see the module for how it is read.

    Raises:
        TableError: steps that wait for one another.
    """
    steps = {name: tree.steps[name] for name in tree.diagnostic}
    tests = {name: outcomes for name, step in steps.items() if len(outcomes := _outcomes(step)) > 1}
    deeds = _deeds(tree, steps, tests)
    known = {*tests, *deeds}
    return make_table(
        {name: _weight(fault.weight) for name, fault in tree.faults.items()},
        tests,
        _entries(tree, tests),
        minutes={name: steps[name].cost for name in tests},
        access={name: _states(tree, steps[name].access) for name in tests},
        after={name: _first(tree, steps[name], known) for name in tests},
        states=dict(tree.access),
        deeds=deeds,
        kinds=tuple(steps[name].kind for name in tests),
        live=frozenset(name for name in tests if steps[name].live),
        gear=tuple(steps[name].needs for name in tests),
        titles={name: fault.title for name, fault in tree.faults.items()},
        identities={name: tree.identity(name) for name in tree.faults},
        name=tree.title,
        source=tree,
    )


def _weight(given: float | None) -> float:
    return 1.0 if given is None else max(given, LEAST_WEIGHT)


def _outcomes(step: Step) -> tuple[str, ...]:
    return tuple(outcome for outcome in step.targets if outcome != "undecided")


def _states(tree: Tree, names: Iterable[str]) -> tuple[str, ...]:
    return tuple(name for name in dict.fromkeys(names) if name in tree.access)


def _first(tree: Tree, step: Step, known: Set[str]) -> tuple[str, ...]:
    before = graph_of(tree).before(step.id)
    deeds = (name for name in before if len(_outcomes(tree.steps[name])) < 2)
    wanted = (*step.after, *deeds, *_readings(step))
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


def _deeds(tree: Tree, steps: Mapping[str, Step], tests: Mapping[str, object]) -> dict[str, Action]:
    deeds = [step for name, step in steps.items() if name not in tests]
    called = {name for step in steps.values() for name in step.after}
    uses = [use for name, use in tree.uses.items() if name in called and name not in steps]
    known = {*tests, *(step.id for step in deeds), *(use.id for use in uses)}
    made = {
        step.id: Action(step.cost, _states(tree, step.access), _first(tree, step, known), step.live)
        for step in deeds
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
