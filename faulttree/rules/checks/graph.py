"""Rules about the graph: every way leads to an end, and none leads round."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from faulttree.rules.context import RuleContext
from faulttree.rules.registry import rule
from faulttree.tree.finding import Finding
from faulttree.tree.graph import cycles, reach
from faulttree.tree.model import Where

MAX_DEPTH = 40
"""Steps on one way. Common practice, no source: more is not followed in one sitting."""

MAX_MINUTES = 480.0
"""Minutes on one way: a working day. Common practice, no source."""


@rule("graph", "error")
def ring_of_steps(subject: RuleContext) -> Iterator[Finding]:
    """A walk that comes to a step it has left goes round for ever: the technician repeats
    work, with the unit in pieces, and never comes to an end. Every ring is printed whole;
    the place is the target that leads back.

    Example:
        lead:   {ask: Is the lead whole?, answers: {whole: switch, broken: broken-lead}}
        switch: {ask: Does the switch click?, answers: {clicks: lead, stuck: worn-switch}}
    """
    for ring in rings(subject):
        step, outcome = ring[-1]
        place = subject.edge_place(subject.tree.steps[step], outcome)
        names = [subject.name(name, place) for name, _ in ring]
        shown = " → ".join([*names, names[0]])
        yield Finding(
            place,
            f"The steps lead round in a ring: {shown}.",
            f"Let `{outcome}` of `{names[-1]}` lead on to a step, fault or stop "
            "that is not on this way.",
        )


def rings(subject: RuleContext) -> Iterator[list[tuple[str, str]]]:
    """One shortest cycle, as (step, outcome), for each group of steps that lead to one another.

    It begins at the step that a walk reaches first; its last outcome leads back there.
    """
    outcome: dict[tuple[str, str], str] = {}
    for step in subject.tree.steps.values():
        for name, target in step.targets.items():
            outcome.setdefault((step.id, target), name)
    for _, ring in _cycles(subject):
        yield [
            (name, outcome[name, to]) for name, to in zip(ring, [*ring[1:], ring[0]], strict=True)
        ]


def _cycles(subject: RuleContext) -> list[tuple[Collection[str], list[str]]]:
    graph = subject.graph
    far, written = len(graph.reached), {name: at for at, name in enumerate(subject.tree.steps)}

    def rank(name: str) -> tuple[int, int]:
        return graph.reached.get(name, far), written.get(name, 0)

    return list(cycles(graph.onward, rank)) if graph.has_cycle else []


@rule("graph", "error")
def dead_end(subject: RuleContext) -> Iterator[Finding]:
    """From this step no way leads to a fault or a stop, only into a ring. Whoever comes
    here is left alone with an open unit and no verdict.

    Example:
        open-it: {do: Open the housing, then: look}      # from here there is no way out
        look:    {do: Look closer, then: again}
        again:   {do: Look again, then: look}
    """
    groups = _cycles(subject)
    if not groups:
        return
    graph, steps = subject.graph, subject.tree.steps
    safe = reach(graph.into, [name for name in graph.into if name not in graph.onward])
    in_ring = {name for group, _ in groups for name in group}
    for step in steps.values():
        if step.id not in safe and step.id not in in_ring:
            yield Finding(
                step.where,
                f"No way leads from `{subject.name(step.id)}` to a fault or a stop.",
                "Give it, or a step behind it, an outcome that leads to an end.",
                of_key=True,
            )


@rule("graph", "warning")
def step_never_reached(subject: RuleContext) -> Iterator[Finding]:
    """No way from the start leads to this step, so no walk will ever ask it. Mostly an
    outcome lost its target or leads to the wrong one, and the faults behind the step
    cannot be found.

    Example:
        start: lead
        steps:
          lead:   {ask: Is the lead whole?, answers: {whole: hand-over, broken: broken-lead}}
          switch: {ask: Does the switch click?, answers: {clicks: hand-over, stuck: worn-switch}}
    """
    if subject.own == "tree" and subject.tree.start not in subject.tree.steps:
        return
    seen: dict[Where, bool] = {}
    for step in subject.tree.steps.values():
        seen[step.where] = seen.get(step.where, False) or step.id in subject.graph.reached
    used = {use.procedure: False for use in subject.tree.uses.values()}
    for use in subject.tree.uses.values():
        used[use.procedure] = used[use.procedure] or use.start in subject.graph.reached
        if use.start not in subject.graph.reached and use.role == "finding":
            yield _unreached(use.where, use.id.rpartition(".")[2])
    for where, reached in seen.items():
        procedure = where.document.removeprefix("procedure:")
        if not reached and used.get(procedure, True):
            yield _unreached(where, str(where.keys[-1]))


def _unreached(where: Where, name: str) -> Finding:
    return Finding(
        where,
        f"No way leads to the step `{name}`.",
        "Let an outcome lead to it, or take it out.",
        of_key=True,
    )


@rule("graph", "note")
def stop_never_reached(subject: RuleContext) -> Iterator[Finding]:
    """No outcome leads to this stop. Either it is left over, or an outcome that should end
    the walk leads elsewhere.

    Example:
        stops:
          hand-over: {title: Beyond this tree, reason: out-of-scope}    # no outcome leads here
    """
    led_to = {target for _, _, target in subject.tree.edges()}
    for stop in subject.tree.stops.values():
        own = subject.own == "tree" and stop.where.keys
        if stop.id not in led_to and own:
            yield Finding(
                stop.where,
                f"No outcome leads to the stop `{stop.id}`.",
                "Let an outcome lead to it, or take it out.",
                of_key=True,
            )


@rule("graph", "note")
def loose_suspect(subject: RuleContext) -> Iterator[Finding]:
    """No step leads to this fault. That is allowed: a walk that ends without a fault names
    it. It is said so that nobody takes it for one that the tree can find.

    Example:
        faults:
          cracked-joint: {title: Cracked joint, remedy: Resolder it.}   # no step leads here
    """
    if subject.own != "tree":
        return
    for name in subject.tree.loose:
        yield Finding(
            subject.tree.faults[name].where,
            f"No step leads to the fault `{name}`: it is a loose suspect.",
            "Add a step that finds it, or accept this with a reason.",
            of_key=True,
        )


@rule("graph", "warning")
def exit_never_taken(subject: RuleContext) -> Iterator[Finding]:
    """A procedure promises an exit that none of its steps takes. Every tree that uses it
    must say where that exit leads, and waits for an outcome that never comes.

    Example:
        procedure: fuse-test
        exits: [good, blown, wrong]       # no step of it leads to `wrong`
    """
    taken: dict[str, set[str]] = {}
    for use in subject.tree.uses.values():
        taken.setdefault(use.procedure, set())
    for step in subject.tree.steps.values():
        for pairs in step.leaves.values():
            for name, exit_ in pairs:
                if name in subject.tree.uses:
                    taken[subject.tree.uses[name].procedure].add(exit_)
    for procedure, exits in taken.items():
        document = f"procedure:{procedure}"
        listed = subject.data(document).get("exits")
        for number, name in enumerate(listed if isinstance(listed, list) else ()):
            if name not in exits:
                yield Finding(
                    Where(document, ("exits", number)),
                    f"No step of `{procedure}` takes the exit `{name}`.",
                    "Let an outcome lead to it, or take it out of `exits`.",
                )


@rule("graph", "warning")
def one_answer_only(subject: RuleContext) -> Iterator[Finding]:
    """A question with one answer asks nothing: whoever would answer otherwise has nowhere
    to go, and picks the one answer there is.

    Example:
        lead: {ask: Is the lead whole?, answers: {whole: hand-over}}
    """
    for step in subject.tree.steps.values():
        answers = [outcome for outcome in step.targets if outcome != "undecided"]
        if step.kind == "ask" and len(answers) == 1:
            yield Finding(
                step.where.under("answers"),
                f"`{subject.name(step.id)}` has the one answer `{answers[0]}`.",
                "Add the other answers, or make it a `do`.",
            )


@rule("graph", "note")
def nothing_turns_on_it(subject: RuleContext) -> Iterator[Finding]:
    """Every outcome of this step leads to the same place, so nothing turns on it. Often one
    of the targets was meant to be another; else the minutes could be saved.

    Example:
        lead: {ask: Is the lead whole?, answers: {whole: switch, broken: switch}}
    """
    for step in subject.tree.steps.values():
        ends = {
            (target, step.leaves.get(outcome, ())[:1]) for outcome, target in step.targets.items()
        }
        if len(step.targets) > 1 and len(ends) == 1:
            yield _same(step.where, subject.name(step.id))
    for use in subject.tree.uses.values():
        # By the words of the file: an exit of the procedure around it is a place of its own.
        written = subject.raw(use.where.under("exits"))
        targets = list(written.values()) if isinstance(written, Mapping) else []
        if len(use.exits) > 1 and len(targets) == len(use.exits) and len(set(targets)) == 1:
            yield _same(use.where, str(use.where.keys[-1]))


def _same(where: Where, name: str) -> Finding:
    return Finding(
        where,
        f"Every outcome of `{name}` leads to the same place.",
        "Let one of them lead elsewhere, or take the step out.",
        of_key=True,
    )


@rule("graph", "warning")
def fault_without_test(subject: RuleContext) -> Iterator[Finding]:
    """A fault is named before any step could tell it from its siblings: nothing was asked
    or measured on the way, so the remedy is a guess.

    Example:
        start: open-it
        steps:
          open-it: {do: Open the housing, then: broken-lead}    # nothing was tested yet
    """
    tree = subject.tree
    name, last = tree.start, None
    passed: set[str] = set()
    while name in tree.steps and name not in passed:
        passed.add(name)
        last = tree.steps[name]
        targets = set(last.targets.values())
        if len(targets) != 1:
            return
        name = targets.pop()
    if last is not None and name in tree.faults and len(tree.faults) > 1:
        yield Finding(
            subject.edge_place(last, next(iter(last.targets))),
            f"The fault `{name}` is named before any step could tell it from the others.",
            "Put a step before it whose outcome decides.",
        )


@rule("graph", "note")
def far_end(subject: RuleContext) -> Iterator[Finding]:
    """The longest way through the tree is long: more than 40 steps or 480 minutes. Common
    practice, no source: such a way is not finished in one sitting, and what was measured in
    the morning no longer holds in the evening. The figures are counted over the steps, each
    access state paid once.

    Example:
        # a way of more than 40 steps, or of more than a working day
    """
    if subject.graph.order is None or subject.own != "tree":
        return
    depth, minutes = longest(subject)
    for value, end, most, unit in (
        (*depth, MAX_DEPTH, "steps"),
        (*minutes, MAX_MINUTES, "minutes"),
    ):
        if value > most:
            yield Finding(
                Where("tree", ("start",)),
                f"The way to `{end}` takes {value:.0f} {unit}.",
                "Split the tree, or hand over earlier.",
            )


def longest(subject: RuleContext) -> tuple[tuple[float, str], tuple[float, str]]:
    """The deepest and the longest way from the start, each with its last node.

    The access states of the whole tree are added once to the minutes: an upper bound.
    """
    tree = subject.tree
    best = {tree.start: (0.0, 0.0)}
    for name in subject.graph.order or ():
        if name not in best or name not in tree.steps:
            continue
        step = tree.steps[name]
        depth, minutes = best[name][0] + 1, best[name][1] + step.cost + (step.wait or 0.0) / 60
        for target in step.targets.values():
            known = best.get(target, (0.0, 0.0))
            best[target] = (max(known[0], depth), max(known[1], minutes))
    entering = sum(state.minutes for state in tree.access.values())
    deep = max(best, key=lambda name: best[name][0])
    slow = max(best, key=lambda name: best[name][1])
    return (best[deep][0], deep), (best[slow][1] + entering, slow)


@rule("graph", "error")
def waits_in_ring(subject: RuleContext) -> Iterator[Finding]:
    """Steps wait for one another by `after`: none of them can ever be done first, and a walk
    that comes to one of them is stuck.

    Example:
        open-it: {do: Open the housing, after: [drain], then: drain}
        drain:   {do: Drain the tank, after: [open-it], then: look}
    """
    waits = {
        step.id: [name for name in step.after if name in subject.tree.steps]
        for step in subject.tree.steps.values()
        if step.after
    }
    for _, ring in cycles(waits, rank=list(subject.tree.steps).index):
        first = subject.tree.steps[ring[0]]
        names = [subject.name(one, first.where) for one in ring]
        yield Finding(
            first.where.under("after"),
            f"These steps wait for one another: {' → '.join([*names, names[0]])}.",
            "Take one of them out of `after`.",
            of_key=True,
        )


@rule("graph", "warning")
def states_exclude(subject: RuleContext) -> Iterator[Finding]:
    """A step needs two states of the unit that exclude each other, being of one group: it
    cannot be done as it is written.

    Example:
        access:
          upright:  {group: position}
          face-down: {group: position}
        steps:
          look: {ask: Is it clean?, access: [upright, face-down], …}
    """
    states = subject.tree.access
    for step in subject.tree.steps.values():
        seen: dict[str, str] = {}
        for name in step.access:
            group = states[name].group if name in states else None
            if group is not None and group in seen:
                yield Finding(
                    step.where.under("access"),
                    f"`{subject.name(step.id)}` needs `{seen[group]}` and `{name}`, which "
                    "exclude each other.",
                    "Keep one of them, or split the step.",
                    of_key=True,
                )
            elif group is not None:
                seen[group] = name
