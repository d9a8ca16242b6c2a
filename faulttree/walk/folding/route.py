"""The way through the tree: what comes next, what must come first, where an outcome leads."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.reading import formula_sources
from faulttree.tree.safety import HARD_STOPS
from faulttree.walk.folding.closing_checks import closing_fact, leave_closing
from faulttree.walk.folding.progress import Goal
from faulttree.walk.folding.proof import next_condition, to_proof
from faulttree.walk.prerequisites import preparations_before
from faulttree.walk.safe_order import Block, NeedsFact, NeedsStep, needed_at_power, needed_at_touch
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from faulttree.tree.model import Step, Use
    from faulttree.walk.folding.progress import Progress

__all__ = ["ask_again", "head_for", "holding", "leave", "refused", "settle", "sources_of"]


def head_for(progress: Progress, node: str) -> None:
    """Go to a step directly. While a repair is proved or closed it is a detour."""
    step = progress.tree.steps.get(node)
    serves = step is not None and step.role in ("before-power", "close")
    aside = serves or progress.phase in ("confirming", "closing", "ended")
    base = (
        (to_proof(progress) if progress.phase == "confirming" else progress.goals[:1])
        if aside
        else []
    )
    if base and base[0].node == node:
        progress.goals = base
    else:
        check = progress.check_of(node)
        until = (check.id if check else node) if aside else None
        progress.goals = [*base, Goal(node, until, chosen=True)]


def ask_again(progress: Progress, name: str) -> None:
    """A step chosen anew is asked, and so is what must come before it."""
    progress.set_aside.discard(name)
    step = progress.tree.steps.get(name)
    if step is not None and (step.live or step.role == "before-power"):
        progress.set_aside -= {
            other
            for other in progress.set_aside
            if other in progress.tree.steps
            and progress.tree.steps[other].role in ("before-power", "close")
        }
    for before in (*step.after, *preparations_before(progress.tree, name)) if step else ():
        if before in progress.set_aside:
            ask_again(progress, before)
        elif before in progress.tree.uses:
            progress.set_aside.difference_update(progress.tree.uses[before].steps)


def leave(progress: Progress, step: Step, outcome: str) -> None:
    """Go from an answered step where its outcome leads."""
    goal = progress.goals[-1]
    if outcome == "undecided":
        if progress.phase == "confirming":
            return  # Nothing was proved: the step is asked again.
        if "undecided" not in step.targets or goal.until is not None:
            # What must come first was not made sure of: it stands in the way as if skipped.
            progress.skip(step.id)
            return
    exits = step.leaves.get(outcome, ())
    if len(progress.goals) > 1 and refused(progress, step, outcome):
        # What must come first says that nobody may go on: that ends the walk at once.
        progress.goals = [Goal(step.targets[outcome])]
        return
    if goal.until is not None and (goal.until == step.id or goal.until in dict(exits)):
        progress.goals.pop()
        if progress.phase == "confirming" and not progress.goals:
            next_condition(progress)
        elif progress.phase == "finding":
            follow_unsafe(progress, step, outcome)
        return
    if fails_power(progress, step, outcome):
        # The unit must not get power as it is: what the check found is looked after first.
        progress.phase, progress.goals = "finding", [Goal(step.targets[outcome])]
        return
    for use, exit_ in exits:
        if use in progress.tree.closing:
            leave_closing(progress, use, exit_)
            return
    if outcome in step.targets:
        goal.move(step.targets[outcome])
    else:
        progress.goals = []


def follow_unsafe(progress: Progress, step: Step, outcome: str) -> None:
    """Go where a step leads that was put first for safety and did not make the unit safe.

    A store that still holds charge is discharged again by the step that was put first.
    """
    if fails_power(progress, step, outcome):
        progress.goals = [Goal(step.targets[outcome])]
        return
    made: list[tuple[Step | Use, bool]] = [(step, outcome == step.normal_outcome)]
    for name, exit_ in step.leaves.get(outcome, ()):
        made.append((progress.tree.uses[name], exit_ == progress.passing_exit(name)))
    failed = any(not passed and (one.proves_dead or one.cells_known) for one, passed in made)
    target = step.targets.get(outcome, "")
    onward = progress.tree.steps.get(target)
    if failed and progress.tree.node(target) != "unknown" and not (onward and onward.discharges):
        progress.goals = [Goal(target)]


def fails_power(progress: Progress, step: Step, outcome: str) -> bool:
    """Whether an outcome leaves a check before power by another exit than the passing one."""
    checks = {check.use for check in progress.tree.before_power}
    exits = step.leaves.get(outcome, ())
    return any(use in checks and exit_ != progress.passing_exit(use) for use, exit_ in exits)


def settle(progress: Progress) -> Block | None:
    """Move on over what is known already and down to what must come first.

    Returns why the step there cannot be asked, where the way is blocked.
    """
    progress.needs_fact, progress.stopped_at = closing_fact(progress), ""
    seen: set[str] = set()
    while progress.goals:
        goal = progress.goals[-1]
        step = progress.tree.steps.get(goal.node)
        if step is None:
            return None
        if goal.node in seen:
            return Block(step.id, "circle")
        known = known_outcome(progress, step) if goal.until is None else None
        if known is not None:
            seen.add(goal.node)
            goal.move(step.targets[known])
            continue
        if step.id in progress.set_aside:
            return Block(step.id, "skipped")
        need = need_before(progress, step, goal)
        if isinstance(need, NeedsFact):
            if need.name not in progress.tree.properties:
                # A tree of the record may name what it does not have: nobody can be asked.
                progress.unit.facts[need.name] = NOT_KNOWN
                continue
            progress.needs_fact = need.name
            return None
        if need is None or isinstance(need, Block):
            return ended_by(progress, need)
        if need.name in {other.until for other in progress.goals}:
            return Block(step.id, "circle", (need.name,))
        use = progress.tree.uses.get(need.name)
        progress.goals.append(Goal(use.start if use else need.name, need.name))
    return None


def need_before(progress: Progress, step: Step, goal: Goal) -> Block | NeedsFact | NeedsStep | None:
    """What must come before a step; checks before power first, closing last."""
    first = needed_at_power(progress.unit, step)
    if first is not None:
        return first
    missing = missing_before(progress, step, goal)
    if missing is not None:
        return NeedsStep(missing)
    return needed_at_touch(progress.unit, step, progress.set_aside)


def ended_by(progress: Progress, block: Block | None) -> Block | None:
    """A block, kept as the end of the walk where the unit is one that a step stops at."""
    progress.stopped_at = block.names[0] if block and block.cause == "stopped" else ""
    return block


def known_outcome(progress: Progress, step: Step) -> str | None:
    """The outcome a step gave in this round, where it need not be asked again."""
    if progress.phase != "finding" or step.id in progress.ask_again:
        return None
    for visit in reversed(progress.visits):
        if visit.round == progress.round and visit.step == step.id:
            void = visit.index < progress.last_live or visit.index <= progress.round_began
            stale = step.kind == "do" and void
            return visit.outcome if visit.outcome in step.targets and not stale else None
    return None


def missing_before(progress: Progress, step: Step, goal: Goal) -> str | None:
    """The first thing that must come before a step and was not done, or no longer holds."""
    wanted = list(step.after)
    if goal.chosen and not step.live:
        prepared = preparations_before(progress.tree, step.id)
        wanted += [name for name in prepared if name not in wanted]
    held = holding(progress) if wanted else set()
    missing = next((name for name in wanted if name not in held), None)
    if missing is None and progress.phase == "confirming":
        missing = unread_source(progress, step)
    return missing


def unread_source(progress: Progress, step: Step) -> str | None:
    """A step whose reading the limits are worked out from and this round has not taken.

    A reading from before the repair could prove it, or not, by a figure that the fault
    itself had put wrong. A rating of the same name gives the value without a reading.
    """
    taken = {
        visit.step
        for visit in progress.visits
        if visit.round == progress.round and visit.event.reading
    }
    tree = progress.tree
    return next(
        (
            name
            for name in sources_of(step)
            if name in tree.steps and name not in tree.ratings and name not in taken
        ),
        None,
    )


def holding(progress: Progress) -> set[str]:
    """Steps and uses done that still hold: a repair or a later live step voids them."""
    held: set[str] = set()
    for visit in reversed(progress.visits):
        if visit.index <= progress.round_began or visit.index < progress.last_live:
            break
        step = progress.tree.steps.get(visit.step)
        if visit.outcome == "undecided" or (step and refused(progress, step, visit.outcome)):
            continue
        held.add(visit.step)
        if step is not None:
            held.update(use for use, _ in step.leaves.get(visit.outcome, ()))
    return held


def refused(progress: Progress, step: Step, outcome: str) -> bool:
    """Whether an outcome said that nobody may go on: then nothing was made safe by it."""
    stop = progress.tree.stops.get(step.targets.get(outcome, ""))
    return stop is not None and stop.reason in HARD_STOPS


def sources_of(step: Step) -> tuple[str, ...]:
    """The steps and ratings that a formula in a step's limits takes its values from."""
    if step.limits is None:
        return ()
    try:
        return formula_sources(step.limits)
    except FaulttreeError:
        return ()
