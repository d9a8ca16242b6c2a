"""What a walk has come to: the frozen state of its progress."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.tree.safety import HARD_STOPS
from faulttree.walk.folding.route import holding, settle
from faulttree.walk.state import End, State
from faulttree.walk.unit_state import holds

if TYPE_CHECKING:
    from faulttree.tree.model import Step
    from faulttree.walk.events import Answered, Reached
    from faulttree.walk.folding.progress import Progress
    from faulttree.walk.state import Phase

__all__ = ["end_of", "freeze"]


def end_of(progress: Progress) -> End | None:
    """The fault or stop that the search has come to, if any."""
    node = progress.stopped_at or (progress.goals[-1].node if progress.goals else "")
    stop = progress.tree.stops.get(node)
    if stop is not None and stop.reason in HARD_STOPS:
        return End("stop", node, stop.reason)
    if progress.phase in ("confirming", "closing"):
        return None
    if progress.given_up is not None:
        return End("stop", "", progress.given_up.reason or "given up")
    if node in progress.tree.faults and node not in progress.excluded:
        return End("fault", node)
    if node in progress.tree.stops:
        return End("stop", node, progress.tree.stops[node].reason)
    return None


def found(progress: Progress) -> End | None:
    """The fault whose repair was proved in this round, if any."""
    last = progress.repairs[-1] if progress.repairs else None
    cured = last is not None and last.held and last.round == progress.round
    cured = cured and progress.phase != "finding"
    return End("fault", last.fault) if last is not None and cured else None


def freeze(progress: Progress, withdrawn: tuple[Answered, ...]) -> State:
    """The state that a progress has come to; ``withdrawn`` are the answers taken back."""
    block = settle(progress)
    end, phase, reached = come_to(progress)
    ask = asked(progress, phase) if block is None else None
    entered, minutes = states_and_minutes(progress)
    return State(
        tree=progress.tree,
        phase=phase,
        opened=progress.opened,
        closed=progress.closed,
        ask=ask,
        pending=progress.goals[-2].node if ask and len(progress.goals) > 1 else None,
        end=end,
        round=progress.round,
        visits=tuple(progress.visits),
        withdrawn=withdrawn,
        skipped=dict(progress.skips),
        block=block,
        facts=dict(progress.unit.facts),
        needs_fact=progress.tree.properties.get(progress.needs_fact),
        known_answer=known_answer(progress, ask),
        power_barred=power_barred(progress),
        open_states=tuple(progress.unit.open),
        left_open={kind: tuple(parts) for kind, parts in progress.unit.left_open.items() if parts},
        handled=progress.unit.handled,
        unreachable=frozenset(progress.unreachable),
        excluded=frozenset(progress.excluded),
        repairs=tuple(progress.repairs),
        closing=dict(progress.closing),
        failed=dict(progress.failed),
        cautions_read=frozenset(progress.cautions_read),
        declined=progress.declined,
        start=progress.start,
        reached=reached,
        holding=frozenset(holding(progress)),
        access=frozenset(entered).union(progress.unit.open),
        minutes=minutes,
    )


def come_to(progress: Progress) -> tuple[End | None, Phase, Reached | None]:
    """How the search ended, the phase, and how sure the fault is that it came to."""
    end = found(progress) or end_of(progress)
    phase = phase_of(progress, end)
    reached = progress.reached if end is not None and is_reached(progress, end) else None
    if reached is not None and reached.standing == "likely" and not progress.accepted:
        # Nobody took it for the cause: the search has not ended there.
        end, phase = None, "likely" if phase == "found" else phase
    return end, phase, reached


def is_reached(progress: Progress, end: End) -> bool:
    """Whether it was decided how sure the fault is at which the search ended."""
    return end.kind == "fault" and progress.reached is not None and progress.reached.fault == end.id


def asked(progress: Progress, phase: Phase) -> Step | None:
    """The step to be asked, where the way to it is open."""
    asking = phase in ("finding", "confirming", "closing")
    if progress.needs_fact or not progress.goals or not asking:
        return None
    return progress.tree.steps.get(progress.goals[-1].node)


def known_answer(progress: Progress, ask: Step | None) -> str | None:
    """The answer of a step that asks for a property which is known already."""
    if ask is None or ask.property is None or ask.id in progress.ask_again:
        return None
    value = progress.unit.facts.get(ask.property, "")
    return value if value in ask.targets else None


def power_barred(progress: Progress) -> bool:
    """Whether a live step would be blocked: a check was skipped, or cannot be decided."""
    return any(
        holds(check.when, progress.unit.facts) is None
        or not progress.set_aside.isdisjoint(progress.tree.uses[check.use].steps)
        for check in progress.unit.owed()
        if not set(check.when).difference(progress.unit.facts)
    )


def phase_of(progress: Progress, end: End | None) -> Phase:
    """The phase that is shown: an end, or a case that is closed, comes before the progress."""
    if progress.closed is not None:
        return "closed"
    if end is not None and (progress.phase == "finding" or end.reason in HARD_STOPS):
        return "found" if end.kind == "fault" else "ended"
    if progress.given_up is not None:
        return "ended"
    return progress.phase


def states_and_minutes(progress: Progress) -> tuple[frozenset[str], float]:
    """The states the unit is in, and all minutes so far: entered once, paid once."""
    entered = frozenset[str]()
    minutes, states = 0.0, progress.tree.access.values()
    for visit in progress.visits:
        step = progress.tree.steps.get(visit.step)
        if step is None:
            continue
        minutes += step.cost
        if step.role == "close":
            entered -= {one.id for one in states if one.closing_step == step.id}
        entering, entered = progress.tree.enter(step.access, entered)
        minutes += entering
    return entered, minutes
