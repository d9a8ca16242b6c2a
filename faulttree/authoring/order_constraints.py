"""What an order of steps keeps: guards first, prerequisites done, the unit opened late.

The rules look at what a tree says of itself. Here two orders of the same steps are compared,
for what the old one kept and the new one would lose without saying so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import lru_cache

from faulttree.reading import formula_sources
from faulttree.tree import Step, Tree
from faulttree.tree.safety import HARD_STOPS

__all__ = ["spoilt"]


def spoilt(old: Tree, new: Tree, moved: str, before: str) -> str:
    """Why a step must not stand in a new place; empty where it may.

    Args:
        old: the tree as it is.
        new: the same with the step in its new place.
        moved: the step or use.
        before: what comes next in its new place.
    """
    were, are = _Ways(old), _Ways(new)
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


class _Ways:
    """Which steps of a tree a walk can come to, and by way of what."""

    def __init__(self, tree: Tree) -> None:
        self.tree = tree
        self.onward: dict[str, set[str]] = {}
        for step, _, target in tree.edges():
            self.onward.setdefault(step, set()).add(target)
        self.met = self.reach([tree.start])
        self.without = lru_cache(maxsize=None)(self._without)

    def reach(self, begin: Iterable[str], without: frozenset[str] = frozenset()) -> frozenset[str]:
        """The steps that a walk from here can come to, itself included, never by way of some."""
        found = {name for name in begin if name in self.tree.steps and name not in without}
        todo = list(found)
        while todo:
            for name in self.onward.get(todo.pop(), ()):
                if name in self.tree.steps and name not in found and name not in without:
                    found.add(name)
                    todo.append(name)
        return frozenset(found)

    def _without(self, first: str) -> frozenset[str]:
        return self.reach([self.tree.start], frozenset([first]))

    def always(self, first: str, then: str) -> bool:
        """Whether a walk comes to one step only by way of another."""
        return then in self.met and then not in self.without(first)

    def members(self, name: str) -> tuple[str, ...]:
        """The step, or the steps of the use."""
        return self.tree.uses[name].steps if name in self.tree.uses else (name,)

    def first(self, name: str) -> str:
        """The step, or the first one of the use."""
        return self.tree.uses[name].start if name in self.tree.uses else name


def _not_met(were: _Ways, are: _Ways) -> Iterator[str]:
    for name in were.tree.diagnostic:
        if name in were.met - are.met:
            yield f"no walk would come to `{name}` any more"


def _verified_late(old: Tree, new: Tree) -> Iterator[str]:
    first = old.steps[old.start]
    ends = [old.stops[to].reason for to in first.targets.values() if to in old.stops]
    if new.start != old.start and "no-fault-found" in ends:
        yield f"it would come before `{old.start}`, which sees whether the complaint is there"


def _too_late(were: _Ways, are: _Ways) -> Iterator[str]:
    """What a walk came to only after a guard or a prerequisite, and now without it."""
    for step in _looked_at(were):
        for guard in _guards(were.tree, step):
            if were.always(guard, step.id) and not are.always(guard, step.id):
                yield f"`{step.id}` would come before `{guard}`, which may end the work as unsafe"
        for done in _rests_on(were, step):
            if not are.always(are.first(done), step.id):
                yield f"`{step.id}` would come before `{done}`, which must be done first"
        for read in formula_sources(step.limits or {}):
            if were.always(read, step.id) and not are.always(read, step.id):
                yield f"`{step.id}` would come before `{read}`, by whose reading it is judged"


def _undone(were: _Ways, are: _Ways) -> Iterator[str]:
    """What is powered up between a step and what it rests on, and was not before."""
    live = [step.id for step in were.tree.steps.values() if step.live and step.id in were.met]
    for step in _looked_at(were):
        for done in _rests_on(were, step):
            for powered in live:
                if _between(are, done, powered, step) and not _between(were, done, powered, step):
                    yield f"powered up, `{powered}` would undo what `{step.id}` rests on (`{done}`)"


def _between(ways: _Ways, done: str, powered: str, step: Step) -> bool:
    if powered == step.id or powered in ways.members(done):
        return False
    return step.id in ways.reach(ways.onward.get(powered, ()), frozenset([ways.first(done)]))


def _unwarned(were: _Ways, are: _Ways) -> Iterator[str]:
    """A caution that every walk had read before a step, and not every walk would have now."""
    tree = were.tree
    for caution in dict.fromkeys(name for step in tree.steps.values() for name in step.cautions):
        bearing = frozenset(s.id for s in tree.steps.values() if caution in s.cautions)
        unread, now = (ways.reach([ways.tree.start], bearing) for ways in (were, are))
        for name in tree.diagnostic:
            if name in were.met - unread and name in now:
                yield f"`{name}` could be come to before the caution `{caution}` is read"


def _opened_early(were: _Ways, are: _Ways, moved: str, before: str) -> Iterator[str]:
    """A state that the step would enter before a step that does without and came before it."""
    tree, following = were.tree, were.first(before)
    if following not in tree.steps:
        return
    later = were.reach([following])
    for name in dict.fromkeys(n for one in were.members(moved) for n in tree.steps[one].access):
        entering = {step.id for step in tree.steps.values() if name in step.access}
        without = frozenset(entering.difference(were.members(moved)))
        entered = are.first(moved) not in are.reach([are.tree.start], without)
        if not entered and following not in entering and later & entering:
            yield f"it would need `{name}` before `{before}`, which does without"


def _looked_at(ways: _Ways) -> Iterator[Step]:
    for name in ways.tree.diagnostic:
        if name in ways.met:
            yield ways.tree.steps[name]


def _guards(tree: Tree, step: Step) -> Iterator[str]:
    """Steps that may find the unit unsafe to go as far into as this one does."""
    for other in tree.diagnostic:
        guard = tree.steps[other]
        ends = [tree.stops[to].reason for to in guard.targets.values() if to in tree.stops]
        if other != step.id and HARD_STOPS & set(ends) and set(guard.access) <= set(step.access):
            yield other


def _rests_on(ways: _Ways, step: Step) -> Iterator[str]:
    """What is always done before a step that needs it, as the tree says or by its kind.

    What was done by a ``do`` is needed by every unpowered step inside the unit, said or not.
    """
    tree = ways.tree
    for name in step.after:
        if ways.always(ways.first(name), step.id):
            yield name
    if step.access and not step.live:
        for name in tree.diagnostic:
            deed = tree.steps[name].kind == "do" and name not in (step.id, *step.after)
            if deed and ways.always(name, step.id):
                yield name
