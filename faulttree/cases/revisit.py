"""Units that were given up, and what trees have learnt since that may explain them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from faulttree.cases.historical_tree import tree_of
from faulttree.walk.advisor import evidence, table_for, table_of
from faulttree.walk.fold import fold
from faulttree.walk.renames import known_as

if TYPE_CHECKING:
    from faulttree.cases.case import Case
    from faulttree.cases.store import Store
    from faulttree.tree.model import Fault, Tree


Identity = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Chance:
    """A suspect that may explain a case that was given up.

    Attributes:
        case: the case, as it stands.
        tree: id of the tree that knows the suspect.
        fault: its id there.
        title: what it is called.
        part: the part at fault.
        probability: P(fault | what the case saw), 0 to 1; for a suspect of a module, its
            share among the faults of that module.
        minutes: to settle it; None where no test of it is known.
        steps: the tests that would tell, in order.
        module: the module it was matched by, empty where the tree is the case's own.
        new: why it is new to the case: ``fault`` or ``step``; empty where it was open before.
    """

    case: Case
    tree: str
    fault: str
    title: str
    part: str
    probability: float
    minutes: float | None
    steps: tuple[str, ...]
    module: str = ""
    new: str = "fault"

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        case = self.case
        return {
            "case": case.id,
            "number": case.number,
            "unit": dict(case.unit),
            "complaint": case.complaint,
            "case_tree": case.tree,
            "result": case.result,
            "became": case.became,
            "kept": list(case.kept),
            "tree": self.tree,
            "fault": self.fault,
            "title": self.title,
            "part": self.part,
            "probability": self.probability,
            "minutes": self.minutes,
            "steps": list(self.steps),
            "module": self.module or None,
            "new": self.new or None,
        }


def revisit(
    store: Store,
    trees: Sequence[Tree],
    *,
    everything: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Chance, ...]:
    """What trees have learnt that may explain units given up, the most probable first.

    A suspect counts where the tree as it was then did not have it, or had no such test of
    it, and the case never took a test that would tell.

    Args:
        store: the record.
        trees: the trees as they are now.
        everything: suspects that were open already too.
        progress: told how many cases of how many are done.

    Raises:
        RecordError: the record cannot be read.
    """
    by_id = {tree.id: tree for tree in trees}
    by_module = modules_of(trees)
    retired = list(given_up(store))
    then = lru_cache(maxsize=64)(lambda tree_hash: tree_of(store, tree_hash))
    chances: list[Chance] = []
    for done, case in enumerate(retired, 1):
        was = then(case.tree_hash)
        now = by_id.get(case.tree)
        if now is not None and (everything or was is None or was.hash != now.hash):
            chances += of_own_tree(store, case, was, now, everything=everything)
        chances += of_modules(store, case, was, now, by_module, everything=everything)
        if progress is not None:
            progress(done, len(retired))
    chances.sort(key=lambda one: (-one.probability, one.minutes or 0.0, one.case.number))
    return tuple(chances)


def given_up(store: Store) -> Iterator[Case]:
    """Closed cases without a fault whose unit, or a module of it, can still be tested."""
    seen: set[str] = set()
    for wanted in (
        {"result": "unsolved"},
        {"became": ["waiting", "kept-for-parts"]},
        {"became": "scrapped"},
    ):
        for case in store.each(state="closed", **wanted):
            gone = case.became == "scrapped" and not case.kept
            if case.id not in seen and case.result not in {"fixed", "found"} and not gone:
                seen.add(case.id)
                yield case


def modules_of(trees: Sequence[Tree]) -> Mapping[str, list[tuple[Tree, str]]]:
    """Module → the faults of it, with the tree that knows them."""
    found: dict[str, list[tuple[Tree, str]]] = {}
    for tree in trees:
        for name, fault in tree.faults.items():
            if fault.module:
                found.setdefault(fault.module, []).append((tree, name))
    return found


def of_own_tree(
    store: Store, case: Case, was: Tree | None, now: Tree, *, everything: bool
) -> Iterator[Chance]:
    """Suspects of the case's own tree as it is now."""
    from faulttree.odds import posterior, untested

    state = fold(now, store.events(case.id))
    table, seen = table_for(state), evidence(state)
    beliefs = posterior(table, seen, excluded=state.excluded)
    taken = {visit.step for visit in state.visits if visit.outcome != "undecided"}
    for suspect in untested(table, beliefs, seen):
        fault = now.faults.get(suspect.fault)
        if fault is None or (suspect.tests and set(suspect.tests) <= taken):
            continue
        if not at_hand(case, fault.module):
            continue
        why = new_to(was, now, suspect.fault, suspect.tests)
        if why or everything:
            yield Chance(
                case,
                now.id,
                suspect.fault,
                fault.title,
                fault.part,
                suspect.probability,
                suspect.minutes if suspect.tests else None,
                suspect.tests,
                new=why,
            )


def at_hand(case: Case, module: str | None) -> bool:
    """Whether what a fault is in still stands on a shelf, where the case says what was kept."""
    if case.became == "scrapped":
        return module in case.kept
    if case.became == "kept-for-parts" and case.kept:
        return module is None or module in case.kept
    return True


def new_to(was: Tree | None, now: Tree, fault: str, tests: Sequence[str]) -> str:
    """Why a suspect is new: the fault itself, or a test that would tell of it."""
    if was is None or not known_as(now, fault) & identities(was):
        return "fault"
    return "step" if any(test not in was.steps for test in tests) else ""


def identities(tree: Tree) -> set[Identity]:
    """The causes a tree knows."""
    return {tree.identity(fault) for fault in tree.faults}


def of_modules(
    store: Store,
    case: Case,
    was: Tree | None,
    now: Tree | None,
    by_module: Mapping[str, list[tuple[Tree, str]]],
    *,
    everything: bool,
) -> Iterator[Chance]:
    """Suspects that another tree knows of a module in the unit, or kept from it.

    What another tree was like on the day of the case is not on record with it; a suspect
    with evidence dated before that day was known then.
    """
    built_in = {*case.kept, *case.modules, *(was.modules if was else ())}
    inside = {module for module in built_in if at_hand(case, module)}
    candidates = [(module, *one) for module in sorted(inside) for one in by_module.get(module, ())]
    if not candidates:
        return
    known = {identity for tree in (was, now) if tree is not None for identity in identities(tree)}
    taken = {one.step for one in store.steps(case.id) if not one.skipped}
    told: set[Identity] = set()
    for module, tree, name in candidates:
        identity = tree.identity(name)
        if tree.id == case.tree or known_as(tree, name) & known or identity in told:
            continue
        if not everything and said_before(tree.faults[name], case.opened):
            continue
        chance = of_module(case, tree, name, module, taken)
        if chance is not None:
            told.add(identity)
            yield chance


def said_before(fault: Fault, day: str) -> bool:
    """Whether there is evidence of a fault dated before this day: it is not news since."""
    return any(one.date is not None and one.date < day[:10] for one in fault.evidence)


def of_module(case: Case, tree: Tree, name: str, module: str, taken: set[str]) -> Chance | None:
    """One such suspect; None where the case took its tests already.

    What the case saw was seen on another tree, so only the weights of the module's own
    faults are compared.
    """
    from faulttree.odds import posterior, untested

    table = table_of(tree)
    beliefs = posterior(table, ())
    suspect = next((one for one in untested(table, beliefs) if one.fault == name), None)
    if suspect is None or (suspect.tests and set(suspect.tests) <= taken):
        return None
    same = [other for other, fault in tree.faults.items() if fault.module == module]
    total = sum(beliefs.probabilities.get(other, 0.0) for other in same)
    share = suspect.probability / total if total else 0.0
    fault = tree.faults[name]
    minutes = suspect.minutes if suspect.tests else None
    return Chance(
        case, tree.id, name, fault.title, fault.part, share, minutes, suspect.tests, module
    )
