"""A shared procedure as the test of a cause: the values it takes, and its steps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from faulttree.authoring.cause import Test, step_of
from faulttree.errors import TreeError
from faulttree.tree import Library, Tree, assemble, filling
from faulttree.tree.finding import near
from faulttree.tree.graph import graph_of


def with_procedure(test: Test, library: Library, part: str) -> Test:
    """Add the library's data about its procedure to a test; a test without one is unchanged.

    Args:
        test: the test.
        library: whose procedures.
        part: the part at fault; given to a procedure that takes one.

    Raises:
        TreeError: there is no such procedure, it is broken, it lacks something or does not
            take what it is given.
    """
    if not test.use:
        return test
    procedures = dict(_closure(library, test.use))
    takes = filling.takes_of(procedures[test.use].get("takes"))
    given = dict(test.given)
    if "part" in takes:
        given.setdefault("part", part)
    for name, unit in takes.items():
        _given(test.use, name, unit, given.get(name, ""))
    for name in given:
        if name not in takes:
            remedy = near(name, takes) or f"It takes {', '.join(takes) or 'nothing'}."
            raise TreeError(f"The procedure `{test.use}` does not take `{name}`.", remedy=remedy)
    exits = tuple(map(str, procedures[test.use]["exits"]))
    for name in test.leads:
        if name not in exits or name == test.shows:
            remedy = (
                f"Others than the fault's own: {', '.join(e for e in exits if e != test.shows)}."
            )
            raise TreeError(f"`{name}` is no other exit of `{test.use}`.", remedy=remedy)
    return replace(test, given=given, exits=exits, procedures=procedures)


def takes_of(library: Library, procedure: str) -> Mapping[str, str]:
    """What a procedure takes, each with its unit or an empty text.

    Raises:
        TreeError: there is no such procedure, or it is broken.
    """
    return filling.takes_of(dict(_closure(library, procedure))[procedure].get("takes"))


def exits_of(library: Library, procedure: str) -> tuple[str, ...]:
    """The exits of a procedure.

    Raises:
        TreeError: there is no such procedure, or it is broken.
    """
    return tuple(map(str, dict(_closure(library, procedure))[procedure]["exits"]))


def _given(procedure: str, name: str, unit: str, value: str) -> None:
    if not value:
        option = "--part" if name == "part" else f"--with {name}=VALUE"
        text = f"The procedure `{procedure}` takes `{name}`, which is not given."
        raise TreeError(text, remedy=f"Give {option}.")
    wrong = filling.wrong_unit(value, unit) if name != "part" else ""
    if wrong:
        remedy = f"Write a figure with its unit, {unit} or a multiple."
        raise TreeError(f"`{name}` must be given in {unit}: {wrong}", remedy=remedy)


def _closure(library: Library, name: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """A procedure and all procedures that it uses, directly or indirectly."""
    todo, seen = [name], {name}
    while todo:
        here = todo.pop()
        found = library.procedure(here)
        if found is None:
            known = library.procedures()
            remedy = near(here, known) or "Write it in shared/procedures, or name another."
            raise TreeError(f"There is no procedure `{here}`.", remedy=remedy)
        document, findings = found
        for finding in (*document.findings, *findings):
            if finding.level == "error":
                raise finding.error()
        yield here, document.data
        for step in document.data["steps"].values():
            used = step.get("use")
            if isinstance(used, str) and used not in seen:
                seen.add(used)
                todo.append(used)


def way_to_show(test: Test, tree: Tree) -> tuple[Mapping[str, str], float]:
    """Answers of the faulty unit at each step of the test, and the minutes in all.

    For a procedure: the shortest path to the exit.

    Raises:
        TreeError: no path through the procedure reaches this exit.
    """
    if not test.use:
        return {test.step: test.bad}, 1.0 if test.minutes is None else test.minutes
    data = {
        "title": tree.title,
        "family": tree.family,
        "start": test.step,
        "steps": {test.step: step_of(replace(test, after=(), leads={}), "at-fault", "passed")},
        "faults": {"at-fault": {"title": "At fault", "remedy": "None."}},
        "stops": {"passed": {"title": "Passed", "reason": "out-of-scope"}},
        "access": tree.bundle["tree"].get("access") or {},
    }
    alone, _ = assemble({"id": tree.id, "tree": data, "procedures": test.procedures}, schema=False)
    use = alone.uses.get(test.step) if alone else None
    way = graph_of(alone).path_through(use, test.bad) if alone and use else {}
    if alone is None or not way:
        text = f"No path through the procedure `{test.use}` reaches `{test.bad}`."
        raise TreeError(text, remedy="Name another exit, or correct the procedure.")
    return way, sum(alone.steps[name].cost for name in way)
