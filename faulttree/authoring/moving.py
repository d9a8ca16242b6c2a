"""A step taken out of its place and put onto another way, where nothing is harmed by it."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from faulttree.authoring.adding import expected_minutes
from faulttree.authoring.again import Answers, answers_of, walk_again, way_through
from faulttree.authoring.files import sound
from faulttree.authoring.fitness import Fitness
from faulttree.authoring.keeping import spoilt
from faulttree.authoring.others import Moved, stands
from faulttree.authoring.proposal import Unfit
from faulttree.errors import TreeError
from faulttree.rules.finding import Finding
from faulttree.tree import Library, Tree, assemble, shape_of
from faulttree.tree.edit import Change, DataEdits, Editor
from faulttree.tree.problems import near
from faulttree.tree.source import decode
from faulttree.walk.fold import fold
from faulttree.walk.renames import follow
from faulttree.walk.state import HARD_STOPS

if TYPE_CHECKING:
    from faulttree.cases import Store

__all__ = ["StepMove", "move_step"]

Keys = tuple[str | int, ...]
Targets = dict[Keys, str]


@dataclass(frozen=True)
class StepMove:
    """A step in another place; nothing is written yet.

    Attributes:
        step: what is moved.
        after, outcome: what it comes behind now; empty texts for the start.
        onward: what comes next where it was, once it is gone.
        before: what comes next where it is now.
        minutes: expected minutes (before, after) over all faults of the tree.
        moved: recorded cases whose own answers would lead elsewhere.
        findings: warnings that the new order would have and the old one has not.
    """

    tree: str
    step: str
    after: str
    outcome: str
    onward: str
    before: str
    minutes: tuple[float, float]
    moved: tuple[Moved, ...] = ()
    findings: tuple[Finding, ...] = ()
    changes: tuple[Change, ...] = field(default=(), repr=False)

    def __str__(self) -> str:
        where = f"after `{self.after}: {self.outcome}`" if self.after else "first of all"
        return f"{where}, before `{self.before}`"

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON, numbers not rounded."""
        return {
            "kind": "step",
            "tree": self.tree,
            "step": self.step,
            "after": self.after or None,
            "outcome": self.outcome or None,
            "before": self.before,
            "onward": self.onward,
            "minutes": {"before": self.minutes[0], "after": self.minutes[1]},
            "changed_cases": [one.as_dict() for one in self.moved],
            "findings": [one.as_dict() for one in self.findings],
            "diff": "".join(change.diff() for change in self.changes),
        }


def move_step(
    library: Library,
    where: str,
    step: str,
    after: tuple[str, str] | None,
    *,
    passed: str = "",
    even_so: bool = False,
    store: Store | None = None,
    progress: Callable[[int], None] | None = None,
) -> StepMove:
    """Take a step out of its place and put it behind an outcome of another one.

    What led to it leads to where it sent a unit that passed; from its new place it sends such
    a unit to where the outcome led. All its other outcomes keep their targets.

    Args:
        library: whose tree.
        where: id of the tree.
        step: the step or use to move.
        after: (step or use, outcome or exit) it comes behind; None for first of all.
        passed: its outcome for a unit that passed, where the file leaves that open.
        even_so: move it although the rules warn of it.
        store: the record, for the odds and to walk the tree's cases again.
        progress: told how many cases were walked again.

    Raises:
        TreeError: there is no such step or place, a prerequisite, a guard or an access would
            be broken, or a rule speaks against the new text.
    """
    path = library.path_of(where)
    raw = path.read_bytes()
    examined = library.examine_text(decode(raw, path), path)
    tree = sound(examined)
    data = tree.bundle["tree"]
    for name in (step, *(after[:1] if after else ())):
        _known(data, where, name)
    own_outcome, onward = _onward(data, step, passed)
    edits, before = _edits(data, step, onward, after)
    new = _assembled(tree, edits)
    place = StepMove(where, step, *(after or ("", "")), onward, before, (0.0, 0.0))
    why = spoilt(tree, new, step, before)
    if why:
        mend = "Choose another place for it, or move what it goes with first."
        raise TreeError(f"`{step}` cannot stand {place}: {why}.", path=path, mend=mend)
    editor = Editor(examined.documents["tree"], raw, shape_of("tree"))
    for keys, target in edits.items():
        editor.set(keys, target)
    change = editor.change()
    found = Fitness(library).new(path, change.before, change.text)
    warned = all(one.level != "error" for one in found)
    if found and not (even_so and warned):
        text = f"The tree would not be fit: {found[0].message} [{found[0].rule}]"
        mend = f"{found[0].mend} --even-so writes it with this warning." if warned else ""
        raise Unfit(text, found, path=path, mend=mend or found[0].mend)
    history = _history(store)
    passing = _passing(tree, step, own_outcome)
    moved = _led_elsewhere(store, tree, new, passing, progress) if store is not None else ()
    minutes = (expected_minutes(tree, history), expected_minutes(new, history))
    return replace(place, minutes=minutes, moved=tuple(moved), findings=found, changes=(change,))


def _known(data: Mapping[str, Any], where: str, name: str) -> None:
    steps = data["steps"]
    if name in steps:
        return
    use = name.split(".")[0]
    if use in steps and "." in name:
        mend = f"Name `{use}`, the step that uses it, with its exit."
        raise TreeError(f"`{name}` is a step of a shared procedure.", mend=mend)
    mend = near(name, steps) or "Name one of its steps."
    raise TreeError(f"`{where}` has no step `{name}`.", mend=mend)


# -- targets ---------------------------------------------------------------------------


def _targets(data: Mapping[str, Any]) -> Iterator[tuple[Keys, str]]:
    """Every place of a tree file that names what comes next."""
    yield ("start",), str(data["start"])
    for name, step in data["steps"].items():
        if "then" in step:
            yield ("steps", name, "then"), str(step["then"])
        for group in ("answers", "results", "exits"):
            for outcome, target in (step.get(group) or {}).items():
                yield ("steps", name, group, outcome), str(target)


def _onward(data: Mapping[str, Any], step: str, passed: str) -> tuple[str, str]:
    """The outcome of a step for a unit that passed, and where that leads."""
    own = {str(keys[-1]): target for keys, target in _targets(data) if keys[:2] == ("steps", step)}
    if passed:
        if passed not in own:
            mend = f"It has {', '.join(own)}."
            raise TreeError(f"`{step}` has no outcome `{passed}`.", mend=mend)
        return passed, own[passed]
    hard = {name for name, stop in data["stops"].items() if stop["reason"] in HARD_STOPS}
    none = {*data["faults"], *hard, step}
    ways = {o: target for o, target in own.items() if o != "undecided" and target not in none}
    if "inside" in ways:
        return "inside", ways["inside"]
    if len(set(ways.values())) != 1:
        message = f"Which outcome of `{step}` a unit that passed gives is not told."
        raise TreeError(message, mend=f"Give --passed: {', '.join(own)}.")
    return next(iter(ways.items()))


def _edits(
    data: Mapping[str, Any], step: str, onward: str, after: tuple[str, str] | None
) -> tuple[Targets, str]:
    """The targets that change, and what comes behind the step in its new place."""
    old = dict(_targets(data))
    new = {
        keys: onward if target == step and keys[:2] != ("steps", step) else target
        for keys, target in old.items()
    }
    edge = ("start",) if after is None else _edge(old, step, *after)
    before = new[edge]
    for keys, target in old.items():
        if keys[:2] == ("steps", step) and target == onward:
            new[keys] = before
    new[edge] = step
    changed = {keys: target for keys, target in new.items() if target != old[keys]}
    if not changed:
        raise TreeError(f"`{step}` stands there already.", mend="Name another place.")
    if new["start",] not in data["steps"]:
        message = f"Without `{step}` in its place the tree would begin with an end."
        raise TreeError(message, mend="Move another step first of all.")
    return changed, before


def _edge(targets: Targets, step: str, after: str, outcome: str) -> Keys:
    if after == step:
        raise TreeError(f"`{step}` cannot come after itself.", mend="Name another step.")
    own = {
        "done" if len(keys) == 3 else str(keys[-1]): keys
        for keys in targets
        if keys[:2] == ("steps", after)
    }
    wanted = "done" if outcome in ("taken", "then") and "done" in own else outcome
    if wanted not in own:
        mend = f"It has {', '.join(own)}, as its file says."
        raise TreeError(f"`{after}` has no outcome `{outcome}`.", mend=mend)
    return own[wanted]


def _assembled(tree: Tree, edits: Targets) -> Tree:
    changed = DataEdits(copy.deepcopy(tree.bundle["tree"]))
    for keys, target in edits.items():
        changed.set(keys, target)
    new, _ = assemble({**tree.bundle, "tree": changed.data}, schema=False)
    assert new is not None
    return new


# -- the record ------------------------------------------------------------------------


def _history(store: Store | None) -> Mapping[tuple[str, str], float]:
    from faulttree.cases.counts import confirmed

    return {} if store is None else confirmed(store)


def _passing(tree: Tree, step: str, outcome: str) -> Mapping[str, str]:
    """What a unit that passed answers at a step, or at those of a use."""
    if step in tree.uses:
        return way_through(tree, step, outcome)
    known = tree.steps[step].targets
    if outcome in known:
        return {step: outcome}
    return {step: next(iter(known))}  # `then`, and `outside` for low and high


def _led_elsewhere(
    store: Store,
    old: Tree,
    new: Tree,
    passing: Mapping[str, str],
    progress: Callable[[int], None] | None,
) -> Iterator[Moved]:
    """The cases whose own answers end elsewhere on the new text.

    A case that never came to the step counts as one that passed it.
    """
    for done, case in enumerate(store.each(tree=old.id), 1):
        events = tuple(follow(old, store.events(case.id)))
        state = fold(old, events)
        said = answers_of(state, events)
        answers = Answers({**passing, **said.outcomes}, said.skipped, said.failed)
        before, after = stands(walk_again(old, answers)), stands(walk_again(new, answers))
        if after not in (before, stands(state)):
            yield Moved(case.id, case.number, stands(state), after)
        if progress is not None:
            progress(done)
