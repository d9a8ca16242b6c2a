"""The proof of a repair: its conditions, which of them are met, and what follows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from faulttree.walk.folding.progress import Goal
from faulttree.walk.repair import gives
from faulttree.walk.state import Repair, outcome_of

if TYPE_CHECKING:
    from faulttree.tree.model import Confirm, Step
    from faulttree.walk import events as ev
    from faulttree.walk.folding.progress import Progress

__all__ = ["after_failed_repair", "conclude", "next_condition", "note_safety", "to_proof"]


def to_proof(progress: Progress) -> list[Goal]:
    """Where the repair being tried is proved, if the tree says so."""
    conditions = conditions_of(progress)
    failed = next((one for one in conditions if is_met(progress, one) is not True), None)
    wanted = failed or next(iter(conditions), None)
    return [Goal(progress.entry(wanted.step), wanted.step)] if wanted else []


def conditions_of(progress: Progress) -> tuple[Confirm, ...]:
    """What proves the repair being tried, in order."""
    fault = progress.tree.faults.get(progress.repairs[-1].fault) if progress.repairs else None
    return fault.confirms if fault else ()


def is_met(progress: Progress, condition: Confirm) -> bool | None:
    """Whether a condition was met in this round; None where nothing was decided yet."""
    outcome = outcome_of(progress.tree, progress.visits, progress.round, condition.step)
    if outcome is None or outcome == "undecided":
        return None
    return gives(outcome, condition.gives)


def next_condition(progress: Progress) -> None:
    """Head for the next condition of the proof, unless one failed already."""
    for condition in conditions_of(progress):
        met = is_met(progress, condition)
        if met is None:
            progress.goals = [Goal(progress.entry(condition.step), condition.step)]
        if not met:
            return


def note_safety(progress: Progress, step: Step, outcome: str) -> None:
    """Note a safety condition of the proof that failed, or that is met again."""
    given = {step.id: outcome, **dict(step.leaves.get(outcome, ()))}
    if outcome == "undecided":
        return
    for fault in progress.tree.faults.values():
        for one in fault.confirms:
            if not one.safety or one.step not in given:
                continue
            if gives(given[one.step], one.gives):
                progress.failed.pop(one.step, None)
            elif progress.phase == "confirming" and one in conditions_of(progress):
                progress.failed[one.step] = given[one.step]


def conclude(progress: Progress, event: ev.Confirmed | ev.NotConfirmed, *, held: bool) -> None:
    """Note whether the repair being tried held; one that was not recorded is added."""
    if not progress.repairs or progress.repairs[-1].held is not None:
        progress.new_round()
        progress.repairs.append(Repair(event.fault, progress.round))
    progress.repairs[-1] = replace(
        progress.repairs[-1],
        held=held,
        step=event.step,
        outcome=event.outcome,
        reading=event.reading,
        verdict=event.verdict,
        seen=event.seen,
    )


def after_failed_repair(progress: Progress, event: ev.NotConfirmed) -> str:
    """Go on from what the confirming step showed; without one, from the start."""
    if event.step in progress.tree.uses:
        return progress.tree.uses[event.step].exits.get(event.outcome, progress.tree.start)
    step = progress.tree.steps.get(event.step)
    return step.targets.get(event.outcome, progress.tree.start) if step else progress.tree.start
