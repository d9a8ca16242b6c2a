"""A plan written as a tree document: plain data that can be saved, checked and walked.

Every place of the plan becomes a step. Where the plan ends with faults that no test tells
apart, the tree goes on as a technician would: remedy the likeliest, see whether the complaint
is gone, else it is the next. Those questions take no minutes of their own, for repairs are
not what a plan computes. An outcome that no possible fault shows leads to a stop that says so.

A plan of a tree keeps what its steps say, and its actions, cautions and access. What a test
rests on comes before it on every path, and so do the safety checks that guard it in the tree.
A result that the tree ends as unsafe or for licensed people only ends the plan as well, and
so does a first step that does not reproduce the complaint.
"""

from __future__ import annotations

import copy
import re
import unicodedata
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from faulttree.odds.last_checks import Endings
from faulttree.odds.planning.plan_graph import Place, PlanGraph
from faulttree.odds.planning.search import Draft
from faulttree.odds.table import FaultTable, TableError
from faulttree.tree.ids import free_id
from faulttree.tree.model import Step, Tree, Use
from faulttree.tree.safety import HARD_STOPS, sees_complaint

__all__ = ["plan_tree"]

MOST_STEPS = 20_000
NOTHING = "none-of-these"


def plan_tree(table: FaultTable, graph: PlanGraph, draft: Draft) -> dict[str, Any]:
    """The tree document of a plan.

    Args:
        table: the whole table; faults that the plan left out become loose suspects.
        graph, draft: the places and the plan.

    Raises:
        TableError: where the tree would have more than 20,000 steps.
    """
    writer = _Writer(table, graph, draft)
    start = writer.write()
    if start in writer.fault_ids.values() or start in writer.stops:
        start = writer.only(start)
    return writer.document(start)


KEPT = (
    *("title", "family", "modules", "symptoms", "cautions"),
    *("access", "ratings", "properties", "stores", "before_power"),
)
"""What a plan of a tree keeps as the tree has it."""


@dataclass(frozen=True)
class _Preparation:
    """What is done before a test: a action, or a test that only leads on here.

    Attributes:
        item: the action, use or test of the table.
        step: the plan's copy of it.
        made: the copies on the way here that it may rest on.
    """

    item: str
    step: str
    made: Mapping[str, str]


@dataclass
class _Writer:
    table: FaultTable
    graph: PlanGraph
    draft: Draft
    steps: dict[str, Any] = field(default_factory=dict)
    stops: dict[str, Any] = field(default_factory=dict)
    copies: dict[str, list[str]] = field(default_factory=dict)
    fault_ids: dict[str, str] = field(default_factory=dict)
    _taken: set[str] = field(default_factory=lambda: {NOTHING})
    _known: dict[Any, str] = field(default_factory=dict)
    _failed: list[str] = field(default_factory=list)
    _todo: deque[tuple[Place, list[_Preparation], dict[str, str], str, int]] = field(
        default_factory=deque
    )

    def __post_init__(self) -> None:
        tree = self.table.source
        self._endings = Endings(self.table, self.graph.problem)
        self._taken.update(tree.stops if tree else ())
        for fault in self.table.faults:
            self.fault_ids[fault] = fault if tree else self._name(fault, "fault")
        self._taken.update(self.fault_ids.values())

    # -- names -------------------------------------------------------------------------

    def _name(self, text: str, otherwise: str) -> str:
        """A new id made from a text, the first time as near to it as can be."""
        plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
        base = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-") or otherwise
        name = free_id(base, self._taken)
        self._taken.add(name)
        return name

    def _copy(self, of: str) -> str:
        """A new step that stands for a test or action."""
        if len(self.steps) >= MOST_STEPS:
            raise TableError(
                f"the plan has more than {MOST_STEPS} steps",
                remedy="Say more of the faults in the table, so that tests can tell them apart.",
            )
        name = self._name(of, "test")
        self.copies.setdefault(of, []).append(name)
        self.steps[name] = {}
        return name

    def _built_in(self, name: str) -> bool:
        """Whether a walk asks it by itself: the steps of checks before power."""
        tree = self.table.source
        node = (tree.steps.get(name) or tree.uses.get(name)) if tree else None
        return node is not None and node.role == "before-power"

    # -- places ------------------------------------------------------------------------

    def write(self) -> str:
        """Write every step of the plan; gives the id that it starts with."""
        start = self.place(self.graph.root, {}, self.graph.state)
        while self._todo:
            self._fill(*self._todo.popleft())
        return start

    def place(self, place: Place, made: Mapping[str, str], state: int) -> str:
        """The id that stands for a place; its step is written later.

        ``made`` are the copies of actions and tests on the way here that later steps may rest
        on; places met on different ways share a step only where nothing of that matters.
        ``state`` is what holds there (see :class:`faulttree.odds.planning.problem.Prerequisites`).
        """
        ended = place not in self.draft.tests
        key = (place, tuple(sorted(made.items())), state) if self._endings.asked else place
        if key not in self._known:
            if ended:
                self._known[key] = self._confirmed(self.graph.names(place), made, state)
            elif self._built_in(self.table.tests[self.draft.tests[place]]):
                self._known[key] = self._passed(place, made, state)
            else:
                self._known[key] = self._begin(place, made, state)
        return self._known[key]

    def _passed(self, place: Place, made: Mapping[str, str], state: int) -> str:
        """What follows a check before power where it passes.

        A walk asks the check by itself before it gives power to the unit, and its other exits
        lead where the tree says.
        """
        test, tree = self.draft.tests[place], self.table.source
        assert tree is not None
        step = tree.steps[self.table.tests[test]]
        outcomes = self.table.outcomes[test]

        def passes(end: tuple[int, float, Place]) -> tuple[bool, float]:
            left = step.leaves.get(outcomes[end[0]], ())
            return any(tree.uses[use].passes == exit_ for use, exit_ in left), end[1]

        _, _, following = max(self.graph.ends(place, test), key=passes)
        return self.place(following, made, self.graph.after(place, test, state))

    def _confirmed(self, faults: Sequence[str], made: Mapping[str, str], state: int) -> str:
        """The end of a plan, behind the checks that the tree makes before it."""
        wanted = [
            item
            for _, items, name in self._endings.missing(faults, made, state)
            for item in (*items, name)
        ]
        end = self._end(faults)
        for one in reversed(self._prepare(wanted, dict(made))):
            self.steps[one.step] = self._passing(one.item, end, one.made, ends=True)
            end = one.step
        return end

    def _prepare(self, items: Iterable[str], own: dict[str, str]) -> list[_Preparation]:
        """A copy of each action and test among some items; ``own`` learns of the latest ones.

        An item may come twice: what a powered test in between undid is done again.
        """
        prepared = []
        for item in items:
            if item not in self.table.states and not self._built_in(item):
                prepared.append(_Preparation(item, self._copy(item), dict(own)))
                own[item] = prepared[-1].step
        return prepared

    def _begin(self, place: Place, made: Mapping[str, str], state: int) -> str:
        test = self.draft.tests[place]
        own = dict(made)
        prepared = self._prepare(self.graph.items(place, test), own)
        here = self._copy(self.table.tests[test])
        self._todo.append((place, prepared, own, here, state))
        return prepared[0].step if prepared else here

    def _fill(
        self,
        place: Place,
        prepared: list[_Preparation],
        own: dict[str, str],
        here: str,
        state: int,
    ) -> None:
        test = self.draft.tests[place]
        name = self.table.tests[test]
        later = {**own, name: here} if name in self._endings.asked else own
        self.steps[here] = self._step(name, self._targets(place, later, state), own)
        following = here
        for one in reversed(prepared):
            self.steps[one.step] = self._passing(one.item, following, one.made)
            following = one.step

    def _targets(self, place: Place, made: Mapping[str, str], state: int) -> dict[str, str]:
        test = self.draft.tests[place]
        ends = {outcome: end for outcome, _, end in self.graph.ends(place, test)}
        targets, name = {}, self.table.tests[test]
        after = self.graph.after(place, test, state)
        for at, outcome in enumerate(self.table.outcomes[test]):
            final = self._final(name, outcome)
            left = self._showing(ends[at], name, outcome) if at in ends else False
            if final is not None and (at not in ends or self._must_stop(name, final, shown=left)):
                targets[outcome] = final
            elif at in ends:
                targets[outcome] = self.place(ends[at], made, after)
            else:
                targets[outcome] = self._nothing()
        return targets

    def _final(self, test: str, outcome: str) -> str | None:
        """The stop that the tree itself has for an outcome."""
        tree = self.table.source
        target = tree.steps[test].targets[outcome] if tree else None
        return target if tree and target in tree.stops else None

    def _showing(self, place: Place, test: str, outcome: str) -> bool:
        """Whether the table says of a fault that is possible that it shows this outcome."""
        return any(outcome in self.table.entry(fault, test) for fault in self.graph.names(place))

    def _must_stop(self, test: str, stop: str, *, shown: bool) -> bool:
        """Whether the plan ends at a stop too, although faults are left.

        ``shown``: whether one of them is said to show this outcome. Then the outcome alone
        does not tell that the rest is work for licensed people; an unsafe unit stays unsafe.
        """
        tree = self.table.source
        if tree is None:
            return False
        reason = tree.stops[stop].reason
        if reason == "no-fault-found":
            return sees_complaint(tree, tree.steps[test])
        return reason == "unsafe" or (reason in HARD_STOPS and not shown)

    def _nothing(self) -> str:
        self.stops[NOTHING] = {
            "title": "None of the faults of this plan shows this",
            "reason": "out-of-scope",
        }
        return NOTHING

    def _end(self, faults: Sequence[str]) -> str:
        """One fault, or the question which of several it is, likeliest first."""
        if len(faults) == 1:
            return self.fault_ids[faults[0]]
        weight = dict(zip(self.table.faults, self.table.weights, strict=True))
        ranked = sorted(faults, key=lambda fault: -weight[fault])
        key = ("group", tuple(ranked))
        if key not in self._known:
            following = self.fault_ids[ranked[-1]]
            for at in range(len(ranked) - 2, -1, -1):
                following = self._which(ranked[at], ranked[at + 1 :], following)
            self._known[key] = following
        return self._known[key]

    def _which(self, first: str, others: Sequence[str], following: str) -> str:
        step = self._copy(f"try-{self.fault_ids[first]}")
        titles = [f"“{self.table.title(fault)}”" for fault in others]
        rest = titles[0] if len(titles) == 1 else f"{', '.join(titles[:-1])} and {titles[-1]}"
        self.steps[step] = {
            "ask": f"No test left tells “{self.table.title(first)}” from {rest}. "
            "With the first of them repaired, is the complaint gone?",
            "how": "The likeliest is repaired first. The time of a repair is not counted here.",
            "minutes": 0,
            "answers": {"gone": self.fault_ids[first], "still there": following},
        }
        return step

    def only(self, end: str) -> str:
        """A first step for a plan that needs no test."""
        fault = next((f for f, name in self.fault_ids.items() if name == end), None)
        words = self.table.title(fault) if fault is not None else "none of the faults"
        step = self._copy("only-suspect")
        self.steps[step] = {
            "ask": f"Only “{words}” is known. With that repaired, is the complaint gone?",
            "minutes": 0,
            "answers": {"gone": end, "still there": self._nothing()},
        }
        return step

    # -- steps -------------------------------------------------------------------------

    def _step(self, name: str, targets: dict[str, str], made: Mapping[str, str]) -> dict[str, Any]:
        if self.table.source is not None:
            return self._source_step(self.table.source.steps[name], targets, made)
        test = self.table.test_index[name]
        step: dict[str, Any] = {"ask": f"What does the test “{name}” show?"}
        step["minutes"] = self.table.minutes[test]
        if self.table.access[test]:
            step["access"] = list(self.table.access[test])
        after = [made[earlier] for earlier in self.table.after[test] if earlier in made]
        if after:
            step["after"] = after
        step["answers"] = targets
        return step

    def _passing(
        self, item: str, following: str, made: Mapping[str, str], *, ends: bool = False
    ) -> dict[str, Any]:
        """A action, or a test that cannot tell anything here: it only leads on.

        Where it is the last check before the plan ``ends``, an outcome that the tree ends
        with a stop or a fault of its own still does so.
        """
        tree = self.table.source
        if tree is not None and item in tree.uses:
            return _use(tree, tree.uses[item], following, made)
        if item in self.table.actions:
            assert tree is not None
            step = tree.steps[item]
            return self._source_step(step, dict.fromkeys(step.targets, following), made)
        outcomes = self.table.outcomes[self.table.test_index[item]]
        targets = {}
        for outcome in outcomes:
            final = self._final(item, outcome)
            stop = final is not None and (ends or self._must_stop(item, final, shown=False))
            targets[outcome] = str(final) if stop else following
            own = tree.steps[item].targets[outcome] if tree is not None else following
            if ends and own in self.table.fault_index:
                targets[outcome] = own
        return self._step(item, targets, made)

    def _source_step(
        self, step: Step, targets: dict[str, str], made: Mapping[str, str]
    ) -> dict[str, Any]:
        out, say = _said_of(step, made), SAY[step.kind]
        # Where the tree ends the work because something is undecided, the plan does too.
        stop = self._final(step.id, "undecided") if "undecided" in step.targets else None
        if stop is not None and self._must_stop(step.id, stop, shown=False):
            targets = {**targets, "undecided": stop}
        if say == "ask":
            out["answers"] = targets
        elif say == "measure" and step.limits is not None:
            out["results"] = targets
        else:
            out["then"] = next(iter(targets.values()))
        return out

    # -- the document ------------------------------------------------------------------

    def document(self, start: str) -> dict[str, Any]:
        """The whole tree."""
        tree = self.table.source
        if tree is None:
            return {
                "title": f"Plan of {self.table.name}",
                "family": _kebab(self.table.name),
                **self._states(),
                "start": start,
                "steps": self._in_order(start),
                "faults": {name: self._fault(fault) for fault, name in self.fault_ids.items()},
                "stops": self.stops,
            }
        data = copy.deepcopy({key: tree.bundle["tree"][key] for key in KEPT
                              if key in tree.bundle["tree"]})  # fmt: skip
        faults = copy.deepcopy(tree.bundle["tree"]["faults"])
        for fault in faults.values():
            self._relink(tree, fault)
        if "symptoms" in data:
            data["symptoms"] = [self._symptom(one) for one in data["symptoms"]]
        self._keep_after_failed_checks(tree, data.get("before_power") or [])
        used = {to for step in self.steps.values() for to in _targets_of(step)}
        used.update(to for check in tree.before_power for to in tree.uses[check.use].exits.values())
        stops = copy.deepcopy(tree.bundle["tree"]["stops"])
        data |= {
            "start": start,
            "steps": self._in_order(start, *self._failed),
            "faults": faults,
            "stops": {**{s: stops[s] for s in stops if s in used}, **self.stops},
        }
        accepted = list(self._accepted(tree))
        if accepted:
            data["accepted"] = accepted
        if "closing" in tree.bundle["tree"]:
            data["closing"] = copy.deepcopy(tree.bundle["tree"]["closing"])
        return data

    def _keep_after_failed_checks(self, tree: Tree, checks: Sequence[Any]) -> None:
        """Keep the author's own steps behind a check before power that did not pass.

        The plan is one for units that pass the checks. Where a check sends the walk to a step,
        that step and those behind it are copied as they are.
        """
        raw = tree.bundle["tree"]["steps"]
        left = [check for check in checks if isinstance(check, dict) and "exits" in check]
        waiting, names = [to for check in left for to in check["exits"].values()], dict[str, str]()
        while waiting:
            name = waiting.pop()
            if name in raw and name not in names:
                names[name] = free_id(name, {*self.steps, *self._taken, *names.values()})
                waiting += _targets_of(raw[name])
        for name, own in names.items():
            step = _with_targets(_renamed(raw[name], names), names)
            known = [one for one in step.get("after", ()) if one in names or one in self.copies]
            step.pop("after", None)
            after = [names.get(one) or self.copies[one][0] for one in known]
            self.steps[own] = step | ({"after": after} if after else {})
            self.copies.setdefault(name, []).append(own)
        for check in left:
            check["exits"] = {key: names.get(to, to) for key, to in check["exits"].items()}
            self._failed += [to for to in check["exits"].values() if to in self.steps]

    def _accepted(self, tree: Tree) -> Iterable[dict[str, str]]:
        """What the tree's author accepted, at the plan's copies of each step."""
        for one in tree.bundle["tree"].get("accepted", ()):
            at = one.get("at")
            if at is None or at in tree.faults or at in self.stops or at in tree.stops:
                yield dict(one)
            for copied in self.copies.get(str(at), ()):
                yield {**one, "at": copied}

    def _states(self) -> dict[str, Any]:
        states: dict[str, dict[str, Any]] = {}
        for name, state in self.table.states.items():
            states[name] = {"minutes": state.minutes}
            if state.group is not None:
                states[name]["group"] = state.group
        return {"access": states} if states else {}

    def _in_order(self, *starts: str) -> dict[str, Any]:
        """The steps in the order in which a reader meets them."""
        found: dict[str, Any] = {}
        stack = [*reversed(starts)]
        while stack:
            name = stack.pop()
            if name in self.steps and name not in found:
                found[name] = self.steps[name]
                stack += reversed(list(_targets_of(self.steps[name])))
        return found

    def _fault(self, fault: str) -> dict[str, Any]:
        return {
            "title": self.table.title(fault),
            "remedy": "The fault table names no remedy: repair or replace what is at fault, "
            "then see whether the complaint is gone.",
            "weight": self.table.weights[self.table.fault_index[fault]],
        }

    def _relink(self, tree: Tree, fault: dict[str, Any]) -> None:
        """Point a fault's confirming step and signs to the plan's copies of those steps."""
        signs = fault.pop("signs", None) or {}
        linked = {
            copied: gives for step, gives in signs.items() for copied in self.copies.get(step, ())
        }
        if linked:
            fault["signs"] = linked
        given = fault.pop("confirm", None)
        conditions = [given] if isinstance(given, Mapping) else given or []
        kept = [linked for one in conditions for linked in self._confirm(tree, fault, one)]
        if kept:
            fault["confirm"] = kept if isinstance(given, list) else kept[0]

    def _confirm(
        self, tree: Tree, fault: dict[str, Any], condition: Mapping[str, Any]
    ) -> Iterable[Mapping[str, Any]]:
        """The condition at the plan's copy of its step; words in the remedy where there is none."""
        name = str(condition["step"])
        copies = [name] if self._built_in(name) else self.copies.get(name, [])
        if copies:
            yield {**condition, "step": copies[0]}
            return
        step = tree.steps.get(name)
        words = step.text if step is not None else name
        fault["remedy"] = f"{fault['remedy']} Then confirm: {words} gives {condition['gives']}."

    def _symptom(self, symptom: Any) -> Any:
        """A symptom that is seen at the plan's copies of steps."""
        if not isinstance(symptom, Mapping) or "seen_at" not in symptom:
            return symptom
        seen_at = symptom["seen_at"]
        names = [seen_at] if isinstance(seen_at, str) else seen_at
        copies = [copied for name in names for copied in self.copies.get(str(name), [])[:1]]
        rest = {key: value for key, value in symptom.items() if key != "seen_at"}
        return {**rest, "seen_at": copies} if copies else rest


SAY = {"ask": "ask", "measure": "measure", "do": "do", "use": "ask"}


def _said_of(step: Step, made: Mapping[str, str]) -> dict[str, Any]:
    """What a step says in a tree file, but for its outcomes."""
    out: dict[str, Any] = {SAY[step.kind]: step.text}
    said = {
        "how": step.how,
        "needs": list(step.needs),
        "minutes": step.minutes,
        "cautions": list(step.cautions),
        "access": list(step.access),
        "after": [made[name] for name in step.after if name in made],
        "live": step.live or None,
        "conditions": list(step.conditions),
        "wait": f"{step.wait:g} s" if step.wait else None,
        "in_circuit": step.in_circuit,
        "unit": step.unit,
        "source": step.source,
        "property": step.property,
        "stop_if": {name: dict(stops) for name, stops in step.stop_if.items()} or None,
        "discharges": list(step.discharges),
        "proves_dead": list(step.proves_dead),
        "on": list(step.on),
        "normal": step.normal,
        "leaves": {kind: list(parts) for kind, parts in step.leaves_open.items()} or None,
        "puts_back": list(step.puts_back),
        "disturbs": list(step.disturbs),
        "of": list(step.disturbs_of),
        "loads": list(step.loads),
        "cells_known": list(step.cells_known),
    }
    out |= {
        key: value
        for key, value in said.items()
        if value is not None and value != "" and value != []
    }
    if step.charges is not None:
        out["charges"] = list(step.charges)
    if step.limits is not None:
        out["limits"] = _renamed(step.limits, made)
    return out


def _targets_of(step: Mapping[str, Any]) -> Iterable[str]:
    for key in ("answers", "results", "exits"):
        yield from step.get(key, {}).values()
    for stops in step.get("stop_if", {}).values():
        yield from stops.values()
    if "then" in step:
        yield step["then"]


def _with_targets(step: dict[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    """A step of a tree file with other names for some of its targets."""
    for key in ("answers", "results", "exits"):
        if key in step:
            step[key] = {outcome: names.get(to, to) for outcome, to in step[key].items()}
    if "then" in step:
        step["then"] = names.get(step["then"], step["then"])
    return step


def _renamed(limits: Mapping[str, Any], made: Mapping[str, str]) -> dict[str, Any]:
    """Limits whose formulas take their readings from the plan's copies of steps."""
    out: dict[str, Any] = {}
    for key, value in limits.items():
        if key == "from" and isinstance(value, Mapping):
            out[key] = {letter: made.get(str(step), str(step)) for letter, step in value.items()}
        elif isinstance(value, Mapping):
            out[key] = _renamed(value, made)
        else:
            out[key] = copy.deepcopy(value)
    return out


def _use(tree: Tree, use: Use, following: str, made: Mapping[str, str]) -> dict[str, Any]:
    out: dict[str, Any] = {"use": use.procedure}
    given = dict(use.given)
    part = given.pop("part", None)
    if part:
        out["part"] = part
    if given:
        out["with"] = given
    first = tree.steps.get(use.start)
    after = [made[name] for name in (first.after if first else ()) if name in made]
    if after:
        out["after"] = after
    for key in ("access", "cautions"):
        names = list(getattr(first, key)) if first else []
        if names:
            out[key] = names
    out["exits"] = {
        exit_: target if target in tree.stops else following for exit_, target in use.exits.items()
    }
    return out


def _kebab(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "unsorted"
