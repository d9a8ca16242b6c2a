"""Order constraints: safety guards first, prerequisites done, the unit not opened early.

The rules check one tree by itself. This module compares two orders of the same steps and
finds constraints that the old order meets and the new one breaks.
"""

from __future__ import annotations

from collections.abc import Iterator

from faulttree.reading import formula_sources
from faulttree.tree import Step, Tree
from faulttree.tree.graph import TreeGraph, graph_of
from faulttree.tree.safety import is_guard, sees_complaint


def spoilt(old: Tree, new: Tree, moved: str, before: str) -> str:
    """The reason why a step must not be in a new place; empty if it may.

    Args:
        old: the tree before the move.
        new: the tree after the move.
        moved: the step or use.
        before: what comes next in its new place.
    """
    were, are = graph_of(old), graph_of(new)
    for reasons in (
        _not_met(were, are),
        _verified_late(old, new),
        _too_late(were, are),
        _undone(were, are),
        _unwarned(were, are),
        _opened_early(were, are, moved, before),
    ):
        for reason in reasons:
            return reason
    return ""


def _members(tree: Tree, name: str) -> tuple[str, ...]:
    """Ids of the step, or of the steps of the use."""
    return tree.uses[name].steps if name in tree.uses else (name,)


def _first(tree: Tree, name: str) -> str:
    """The step, or the first one of the use."""
    return tree.uses[name].start if name in tree.uses else name


def _not_met(were: TreeGraph, are: TreeGraph) -> Iterator[str]:
    for name in were.tree.diagnostic:
        if name in were.reached and name not in are.reached:
            yield f"no walk would reach `{name}` any more"


def _verified_late(old: Tree, new: Tree) -> Iterator[str]:
    if new.start != old.start and sees_complaint(old, old.steps[old.start]):
        yield f"it would come before `{old.start}`, which sees whether the complaint is there"


def _too_late(were: TreeGraph, are: TreeGraph) -> Iterator[str]:
    """Steps that lost a guard or a prerequisite that came before them on all paths."""
    for step in _looked_at(were):
        for guard in _guards(were.tree, step):
            if were.passes(guard, step.id) and not are.passes(guard, step.id):
                yield f"`{step.id}` would come before `{guard}`, which may end the work as unsafe"
        for done in _rests_on(were, step):
            if not are.passes(_first(are.tree, done), step.id):
                yield f"`{step.id}` would come before `{done}`, which must be done first"
        for read in formula_sources(step.limits or {}):
            if were.passes(read, step.id) and not are.passes(read, step.id):
                yield f"`{step.id}` would come before `{read}`, by whose reading it is judged"


def _undone(were: TreeGraph, are: TreeGraph) -> Iterator[str]:
    """Live steps that are now between a step and its prerequisite, and were not before."""
    live = [step.id for step in were.tree.steps.values() if step.live and step.id in were.reached]
    for step in _looked_at(were):
        for done in _rests_on(were, step):
            for powered in live:
                if _between(are, done, powered, step) and not _between(were, done, powered, step):
                    yield f"`{powered}` is live and would undo `{done}`, which `{step.id}` needs"


def _between(graph: TreeGraph, done: str, powered: str, step: Step) -> bool:
    if powered == step.id or powered in _members(graph.tree, done):
        return False
    first = _first(graph.tree, done)
    return step.id in graph.beyond(*graph.onward.get(powered, ()), without=(first,))


def _unwarned(were: TreeGraph, are: TreeGraph) -> Iterator[str]:
    """Cautions that came before a step on all paths, and no longer do."""
    tree = were.tree
    for caution in dict.fromkeys(name for step in tree.steps.values() for name in step.cautions):
        bearing = frozenset(s.id for s in tree.steps.values() if caution in s.cautions)
        unread, now = (one.beyond(one.tree.start, without=bearing) for one in (were, are))
        for name in tree.diagnostic:
            if name in were.reached and name not in unread and name in now:
                yield f"a walk could reach `{name}` before the caution `{caution}` is read"


def _opened_early(were: TreeGraph, are: TreeGraph, moved: str, before: str) -> Iterator[str]:
    """Access states that the moved step would enter before a step that does not need them."""
    tree, following = were.tree, _first(were.tree, before)
    if following not in tree.steps:
        return
    later = were.beyond(following)
    for name in dict.fromkeys(n for one in _members(tree, moved) for n in tree.steps[one].access):
        entering = {step.id for step in tree.steps.values() if name in step.access}
        without = frozenset(entering.difference(_members(tree, moved)))
        entered = _first(are.tree, moved) not in are.beyond(are.tree.start, without=without)
        if not entered and following not in entering and not entering.isdisjoint(later):
            yield f"it would need `{name}` before `{before}`, which does not need it"


def _looked_at(graph: TreeGraph) -> Iterator[Step]:
    for name in graph.tree.diagnostic:
        if name in graph.reached:
            yield graph.tree.steps[name]


def _guards(tree: Tree, step: Step) -> Iterator[str]:
    """Steps that may end the walk as unsafe and must come before this step."""
    for other in tree.diagnostic:
        guard = tree.steps[other]
        if guard is not step and is_guard(tree, guard) and set(guard.access) <= set(step.access):
            yield other


def _rests_on(graph: TreeGraph, step: Step) -> Iterator[str]:
    """Prerequisites of a step that are done before it on all paths.

    An unpowered step inside the unit needs every ``do`` step before it, even if ``after`` does
    not name it.
    """
    tree = graph.tree
    for name in step.after:
        if graph.passes(_first(tree, name), step.id):
            yield name
    if step.access and not step.live:
        for name in tree.diagnostic:
            action = tree.steps[name].kind == "do" and name not in (step.id, *step.after)
            if action and graph.passes(name, step.id):
                yield name
