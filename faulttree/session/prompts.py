"""The next prompt of a case, from where the walk stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.session.intake import first_question
from faulttree.session.model import (
    Carry,
    Choice,
    Context,
    Kind,
    Message,
    Position,
    Prompt,
    PromptId,
    Wait,
)
from faulttree.tree.safety import HARD_STOPS
from faulttree.walk.advisor import untested, worth_repeating
from faulttree.walk.answer import limits_of
from faulttree.walk.block_text import block_text
from faulttree.walk.fitness import check_again, refused, titled
from faulttree.walk.history import is_still
from faulttree.walk.repair import failed_safety, next_proof
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from faulttree.odds import Suspect
    from faulttree.tree.model import Property, Rating, Step, Use
    from faulttree.walk.state import State

__all__ = [
    "ACTIONS",
    "TAKE_IT",
    "WITHIN",
    "asks",
    "confirm_prompt",
    "correct_prompt",
    "end_prompt",
    "ending_prompt",
    "leads_to",
    "modules_prompt",
    "next_prompt",
    "outcomes_of",
    "owed_prompt",
    "place_prompt",
    "prompt_of",
    "proof_prompt",
    "suspects_prompt",
    "text_prompt",
    "turn_of",
]

ACTIONS: Mapping[str, str] = {
    "?": "this help",
    "how": "show this step again, in full",
    "back": "take the last answer back",
    "correct": "put an earlier answer right: correct STEP, or its number in 'path'",
    "skip": "cannot test this now; say why",
    "note": "write a remark: note TEXT",
    "photo": "attach a photo: photo PATH, then words if any",
    "why": "why this step, and where its figures come from",
    "suspects": "what is still possible",
    "path": "what was found so far",
    "similar": "closed cases that agree best with this one",
    "go": "test another step: go STEP",
    "set": "say what the unit is, also later: set NAME VALUE",
    "meter": "name the instrument in use: meter ID",
    "repaired": "record a repair: repaired FAULT",
    "pause": "leave; the case stays open",
    "give up": "stop without a fault",
}
"""Word → what it does, besides an answer."""

WITHIN = ("note", "back", "pause", "?")
IN_PROOF = ("note", "back", "correct", "path", "pause", "?")
"""Words that work where something is asked before an answer counts."""

AT_END = ("back", "correct", "note", "photo", "path", "suspects", "similar", "set", "pause", "?")
"""Words that work where no step is asked."""

PLACES: Mapping[str, str] = {
    "returned": "back to its owner or the shelf",
    "waiting": "for a part, a tip or time",
    "kept-for-parts": "its good modules are kept",
    "scrapped": "gone for good",
}
UNSOLVED: Mapping[str, str] = {
    "unsolved": "the cause was not found",
    "referred": "somebody else goes on, licensed or better equipped",
    "no-fault-found": "it was tested and works as it should",
    "not-reproduced": "the complaint did not show; it may come back",
}
FOUND: Mapping[str, str] = {"found": "the cause is known and not repaired"}
UNFIT: Mapping[str, str] = {
    "repair": "it is repaired further; then the proof and every closing check again",
    "test-again": "the failed check is made again",
    "end": "the case is closed; the unit stays here",
}
UNFIT_RESULTS: Mapping[str, str] = {
    "found": "the fault is known and repaired, but the unit fails a closing check",
    "referred": "somebody else goes on, licensed or better equipped",
    "unsolved": "why the closing check fails was not found",
}
GO_ON = "go-on"
TAKE_IT = "take-it"
"""The choice that takes a likely fault for the cause."""
YES_NO = (Choice("yes", "yes"), Choice("no", "no"))
MOST = 6
"""Suspects shown at once: more is not read at a bench."""


def turn_of(position: Position) -> int:
    """How many events have moved the walk; remarks, photos and cautions have not."""
    return sum(not is_still(event) for event in position.events)


def prompt_of(
    position: Position,
    kind: Kind,
    text: str,
    *,
    subject: str = "",
    part: str = "",
    step: Step | None = None,
    choices: Mapping[str, str] | tuple[Choice, ...] = (),
    carry: Carry | None = None,
    messages: tuple[Message, ...] = (),
    unit: str = "",
    actions: tuple[str, ...] = AT_END,
) -> Prompt:
    """A prompt at this place of the case."""
    listed = (
        choices
        if isinstance(choices, tuple)
        else tuple(Choice(name, means) for name, means in choices.items())
    )
    return Prompt(
        id=PromptId(position.case, turn_of(position), kind, subject, part),
        text=text,
        step=step,
        choices=listed,
        unit=unit,
        carry=carry,
        messages=messages,
        actions=actions,
    )


def next_prompt(position: Position, context: Context) -> Prompt:
    """What is asked now.

    Args:
        position: the case as far as it has come, with everything recorded that follows by
            itself (:func:`faulttree.session.replies.follow`).
        context: the world as the face sees it.

    Returns:
        The prompt; of kind ``done`` once the case is closed.

    Raises:
        FaulttreeError: the limits of the step cannot be understood.
    """
    if not position.events:
        return first_question(position.tree)
    state = position.state
    if state.phase == "closed":
        return prompt_of(position, "done", "The case is closed.", actions=())
    if state.needs_fact is not None:
        return _fact_prompt(position, state.needs_fact)
    if state.ask is not None:
        return _step_prompt(position, context, state.ask)
    if state.phase == "likely":
        return _likely_prompt(position)
    if state.phase == "found":
        return _fault_prompt(position)
    if state.phase == "confirming" and failed_safety(state) is not None:
        return _unfit_prompt(position)
    late = _late_fact(position)
    if late is not None:
        return late
    if state.phase == "confirming":
        return proof_prompt(position)
    return end_prompt(position)


# -- what the unit is --------------------------------------------------------------------


def _fact_prompt(position: Position, known: Property, part: str = "", *told: Message) -> Prompt:
    """What the unit is, by a property of the tree; ``not-known`` is always an answer."""
    choices = {value: value for value in (*known.values, NOT_KNOWN)}
    if part:
        choices = {**choices, GO_ON: "it is not known now; go on without"}
    return prompt_of(
        position,
        "fact",
        known.ask or known.id,
        subject=known.id,
        part=part,
        choices=choices,
        messages=told,
        actions=tuple(ACTIONS),
    )


def _missing_rating(state: State, step: Step) -> Rating | None:
    """A rating that the limits of a step need, that is not known and was not asked here yet."""
    try:
        limits = limits_of(state, step)
    except FaulttreeError:
        return None
    missing = limits.missing if limits is not None else ()
    asked = (name for name in missing if name in state.tree.ratings and name not in state.facts)
    return state.tree.ratings.get(next(asked, ""))


def _rating_prompt(position: Position, rating: Rating) -> Prompt:
    """A value that nobody knew at the intake, before the first step that needs it."""
    question = rating.ask or f"{rating.id} of this model"
    return prompt_of(
        position,
        "fact",
        f"{question}, in {rating.unit} (Enter: not known)",
        subject=rating.id,
        unit=rating.unit,
        choices={NOT_KNOWN: NOT_KNOWN},
        messages=(Message("The limits of the next step are computed from it."),),
        actions=tuple(ACTIONS),
    )


def _late_fact(position: Position) -> Prompt | None:
    """Once more what stands in the way of power because nobody knew it."""
    state = position.state
    if state.block is None or state.block.cause != "not-known" or state.cured is not None:
        return None
    known = state.tree.properties[state.block.names[0]]
    return _fact_prompt(position, known, "late", Message(block_text(state), "warning"))


# -- a step ----------------------------------------------------------------------------


def _step_prompt(position: Position, context: Context, step: Step) -> Prompt:
    state = position.state
    rating = _missing_rating(state, step)
    if rating is not None:
        return _rating_prompt(position, rating)
    unread = tuple(name for name in state.cautions_at(step) if name not in state.cautions_read)
    if unread:
        return _cautions_prompt(position, step, unread)
    unit = unit_of(state, step)
    choices: tuple[Choice, ...] = ()
    if step.kind == "ask":
        choices = tuple(
            Choice(outcome, outcome, leads_to(state, step, outcome))
            for outcome in outcomes_of(step)
        )
    text = {"ask": "Answer", "measure": "Reading", "do": "Done"}.get(step.kind, "Answer")
    prompt = prompt_of(
        position,
        "step",
        text,
        subject=step.id,
        step=step,
        choices=choices,
        unit=unit,
        actions=tuple(ACTIONS),
    )
    wait = Wait(step.id, step.wait) if step.wait and step.kind != "do" else None
    return replace(prompt, wait=wait, brief=_brief(state, context, step))


def _brief(state: State, context: Context, step: Step) -> bool:
    """Whether a step is put briefly: never one that safety rests on."""
    uses = [use for use in state.tree.uses.values() if step.id in use.steps]
    served: list[Step | Use] = [step, *uses]
    for made in served:
        if made.role != "finding" or made.discharges or made.proves_dead or made.cells_known:
            return False
    return context.brief or step.id in context.practised


def correct_prompt(
    state: State, position: Position, step: Step, carry: Carry, told: Message
) -> Prompt:
    """What an earlier step should have given; ``state`` is the walk as it stood before it."""
    choices = tuple(
        Choice(outcome, outcome, leads_to(state, step, outcome)) for outcome in outcomes_of(step)
    )
    return prompt_of(
        position,
        "correct",
        f"What should '{step.id}' have given?",
        subject=step.id,
        part=carry.one("target"),
        step=step,
        choices=choices if step.kind == "ask" else (),
        unit=unit_of(state, step),
        carry=carry,
        messages=(told,),
        actions=WITHIN,
    )


def _cautions_prompt(position: Position, step: Step, unread: tuple[str, ...]) -> Prompt:
    """The cautions of a step on one screen; those of DANGER alone, one after another."""
    known = position.tree.known_cautions
    danger = [name for name in unread if name in known and known[name].signal == "DANGER"]
    shown = (danger[0],) if danger else unread
    prompt = prompt_of(
        position,
        "cautions",
        "Have you read this, and will you follow it?",
        subject=step.id,
        part=",".join(shown),
        step=step,
        actions=tuple(ACTIONS),
    )
    return replace(prompt, cautions=shown)


def unit_of(state: State, step: Step) -> str:
    """The unit of a reading at a step, with its kind where the limits name one."""
    if step.kind != "measure":
        return ""
    from faulttree.reading.units import unit_text

    try:
        limits = limits_of(state, step)
    except FaulttreeError:
        return step.unit or ""
    if limits is None:
        return step.unit or ""
    return unit_text(limits.unit, limits.kind) if limits.kind else limits.place or ""


def outcomes_of(step: Step) -> tuple[str, ...]:
    """What can be answered at a question; one about a property can always stay open."""
    unknown = (NOT_KNOWN,) if step.property else ()
    return tuple(dict.fromkeys((*step.targets, *unknown)))


def leads_to(state: State, step: Step, outcome: str) -> str:
    """Where an outcome leads, in words."""
    tree, target = state.tree, step.targets.get(outcome, "")
    if target in tree.faults:
        return f"fault: {tree.faults[target].title}"
    if target in tree.stops:
        return f"stop: {tree.stops[target].title}"
    if target in tree.steps:
        return tree.steps[target].text
    powers = {check.use for check in tree.before_power}
    for use, exit_ in step.leaves.get(outcome, ()):
        passed = exit_ == tree.uses[use].passes
        if passed and (use in powers or use in tree.closing):
            return "passed"
        if use in tree.closing:
            return f"{exit_}: the unit must not go back"
    return target


# -- a fault, a repair, a proof ----------------------------------------------------------


def _fault_prompt(position: Position) -> Prompt:
    end = position.state.end
    assert end is not None
    text = "Repaired? Say what was done; 'pause' leaves it for later"
    return prompt_of(position, "fault", text, subject=end.id, actions=tuple(ACTIONS))


def _likely_prompt(position: Position) -> Prompt:
    """A fault that is not proved: the open tests, the best first, then to take it all the same."""
    state = position.state
    assert state.reached is not None
    again, share = worth_repeating(state, state.reached.fault)
    tests = tuple(
        Choice(name, f"make again: {asks(state, name)} ({share:.0%} if it gives the same)")
        if name == again
        else Choice(name, f"test first: {asks(state, name)}")
        for name in state.reached.open_tests
    )
    text = "Number of the test to make first" if tests else "No test is open that would tell"
    return prompt_of(
        position,
        "likely",
        f"{text}; '{TAKE_IT}' takes it for the cause",
        subject=state.reached.fault,
        choices=(*tests, Choice(TAKE_IT, "take it for the cause and repair it")),
        actions=tuple(word for word in ACTIONS if word not in ("skip", "how")),
    )


def asks(state: State, name: str) -> str:
    """What a test asks, in words: a step or a procedure."""
    use = state.tree.uses.get(name)
    if use is not None:
        return use.title or use.procedure
    return state.tree.steps[name].text if name in state.tree.steps else name


def proof_prompt(position: Position) -> Prompt:
    """A repair is open and no step is asked: the proof was skipped, or there is none."""
    state = position.state
    repair = state.confirming
    assert repair is not None
    fault = state.tree.faults.get(repair.fault)
    if fault is not None and fault.confirms:
        proof = next_proof(state)
        blocked = f"{block_text(state)} " if state.block is not None else ""
        told = (
            f"{blocked}The step that proves it, '{proof}', was not taken. Without it the case "
            "cannot be called fixed."
        )
        return prompt_of(
            position,
            "proof",
            "Take it now?",
            subject=repair.fault,
            part="skipped",
            choices=YES_NO,
            messages=(Message(told, "warning"),),
            actions=IN_PROOF,
        )
    return prompt_of(
        position,
        "proof",
        "Does the unit work again, tried as its owner uses it?",
        subject=repair.fault,
        choices=YES_NO,
        actions=IN_PROOF,
    )


# -- the end ---------------------------------------------------------------------------


def end_prompt(position: Position) -> Prompt:
    """How the case goes on where nothing is left to ask."""
    state = position.state
    if state.cured is not None:
        if state.unfit is not None:
            return _unfit_prompt(position)
        return owed_prompt(position, "fixed") or place_prompt(position, "fixed")
    stop = state.tree.stops.get(state.end.id) if state.end is not None else None
    if stop is not None and stop.see and not state.declined:
        text = f"Go on there now, with '{stop.see}', as a linked case?"
        return prompt_of(position, "other-tree", text, subject=stop.see, choices=YES_NO)
    return suspects_prompt(position) or ending_prompt(position)


def _unfit_prompt(position: Position) -> Prompt:
    """A safety or closing check failed."""
    state = position.state
    assert state.unfit is not None
    name = titled(state, state.unfit)
    told = f"FAILED: {name}. The unit must not go back. The repair stays on record."
    return prompt_of(
        position,
        "unfit",
        "What now?",
        subject=state.unfit,
        choices=UNFIT,
        messages=(Message(told, "bad"),),
    )


def open_suspects(state: State) -> tuple[Suspect, ...]:
    """The suspects to be shown before giving up; none after a stop for safety."""
    hard = state.end is not None and state.end.reason in HARD_STOPS
    return () if hard or state.declined else untested(state)


def suspects_prompt(position: Position) -> Prompt | None:
    """The suspects still open, once; None where there are none to be shown."""
    suspects = open_suspects(position.state)
    if not suspects:
        return None
    tree = position.tree
    choices = tuple(
        Choice(one.fault, tree.faults[one.fault].title, ", then ".join(one.tests))
        for one in suspects[:MOST]
        if one.tests
    )
    text = "Number of the suspect to test now" if choices else "Nothing can be tested"
    return prompt_of(
        position,
        "suspects",
        f"{text}; 'stop' ends the search",
        choices=(*choices, Choice("stop", "end the search")),
        actions=WITHIN,
    )


def ending_prompt(
    position: Position, carry: Carry | None = None, choices: Mapping[str, str] | None = None
) -> Prompt:
    """How it ended, where nothing was repaired."""
    state = position.state
    if choices is None:
        choices = {**FOUND, **UNSOLVED} if state.phase == "found" else UNSOLVED
    return prompt_of(position, "ending", "How did it end?", choices=choices, carry=carry)


def owed_prompt(position: Position, result: str) -> Prompt | None:
    """The safety checks that a unit handled here owes; None where it owes none."""
    state = position.state
    if state.unfit is not None or not state.safety_owed or state.phase == "closing":
        return None
    if check_again(state) is None:
        return None
    names = ", ".join(titled(state, use) for use in state.safety_owed)
    told = f"The unit was opened or powered here. It may go back only after: {names}."
    return prompt_of(
        position,
        "owed",
        "Make these checks now?",
        subject=result,
        choices=YES_NO,
        carry=Carry("owed", {"result": (result,)}),
        messages=(Message(told, "warning"),),
        actions=WITHIN,
    )


def place_prompt(position: Position, result: str, note: str = "") -> Prompt:
    """Where the unit goes; places that the closing checks forbid are not offered."""
    state = position.state
    places = {name: means for name, means in PLACES.items() if not refused(state, result, name)}
    told: tuple[Message, ...] = ()
    if result == "fixed" and state.closing_open:
        names = ", ".join(titled(state, use) for use in state.closing_open)
        told = (Message(f"Closing checks not made: {names}. The unit waits.", "warning"),)
        places = {"waiting": PLACES["waiting"]}
    return prompt_of(
        position,
        "place",
        "Where does the unit go now?",
        subject=result,
        choices=places,
        carry=Carry("close", {"result": (result,), "note": (note,)}),
        messages=told,
    )


def modules_prompt(position: Position, carry: Carry) -> Prompt:
    """Which modules are kept: by name or number, with commas between."""
    choices = tuple(Choice(name, name) for name in position.tree.modules)
    text = "Which modules are kept? Names or numbers, with commas between"
    return prompt_of(position, "modules", text, choices=choices, carry=carry)


def text_prompt(position: Position, text: str, carry: Carry, step: Step | None = None) -> Prompt:
    """Free words that an action still needs."""
    return prompt_of(
        position, "text", text, subject=carry.action, step=step, carry=carry, actions=WITHIN
    )


def confirm_prompt(
    position: Position,
    kind: Kind,
    text: str,
    carry: Carry,
    *told: Message,
    step: Step | None = None,
) -> Prompt:
    """A yes or no before something counts."""
    return prompt_of(
        position,
        kind,
        text,
        subject=carry.action,
        part="/".join(carry.values),
        step=step,
        choices=YES_NO,
        carry=carry,
        messages=told,
        actions=WITHIN,
    )
