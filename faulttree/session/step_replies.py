"""Replies at a step: cautions, answers and readings, and what must be asked before they count."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from faulttree.errors import WalkError
from faulttree.session.choices import chosen
from faulttree.session.corrections import as_corrected, state_before
from faulttree.session.model import (
    Accepted,
    Ask,
    Carry,
    Choice,
    Message,
    Position,
    Prompt,
    Refused,
    Reply,
    Result,
    Wait,
)
from faulttree.session.prompts import WITHIN, YES_NO, prompt_of
from faulttree.walk import events as ev
from faulttree.walk.advisor import cleared
from faulttree.walk.answer import DoubtError, TypedAnswer, answer, match_outcome, parse_reading
from faulttree.walk.meter import ANOTHER_KIND, is_kind, is_meter_fact, meter_fact, meter_question

if TYPE_CHECKING:
    from faulttree.session.model import Context
    from faulttree.tree.model import Step
    from faulttree.walk.meter import MeterQuestion

__all__ = ["answered", "cautions_read", "isolated", "meant", "measured_again"]

READ = frozenset({"", "y", "yes", "read", "ok"})


def cautions_read(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """The cautions on the screen were read."""
    if given.text.casefold().strip() not in READ:
        remedy = "Press Enter once you have read it, then answer; 'pause' leaves."
        return Refused(WalkError("the caution comes first", remedy=remedy))
    return Accepted(
        tuple(
            ev.CautionRead(at=context.now, caution=name, step=prompt.id.subject)
            for name in prompt.cautions
        )
    )


def answered(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """An answer or readings; asked back where something must be known before they count."""
    step = _step(prompt)
    text = given.choice or given.text
    if not text.strip() and step.kind != "do":
        return Refused(WalkError("nothing was typed", remedy=_wanted(step)))
    named = match_outcome(step, text, loose=step.kind != "measure")
    if named is not None:
        return _kept(position, context, step, TypedAnswer(outcome=named), prompt.carry, given)
    before = prompt.carry.values if prompt.carry is not None else {}
    carry = Carry("answer", {**before, "text": (text,)})
    return _after_meter(position, context, step, carry, given)


def meter_told(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """What the meter is, asked once a case before a reading counts."""
    step, carry = _step(prompt), _carry(prompt)
    typed = given.choice or given.text
    named = prompt.choice(typed) or typed
    kinds = {*(one.id for one in prompt.choices), *position.tree.known_instruments}
    if is_kind(prompt.id.subject) and named not in kinds:
        named = chosen(prompt, given)
    value = meter_fact(prompt.id.subject, named)
    told = (*carry.values.get("told", ()), f"{prompt.id.subject}={value}")
    if prompt.id.part == "kind" and value not in {one.id for one in prompt.choices} - {
        ANOTHER_KIND
    }:
        facts = _facts(Carry("answer", {"told": told}), context)
        text = f"Not judged. {prompt.messages[0].text} Measure with such a meter."
        return Accepted(facts, (Message(text, "warning"),))
    return _after_meter(
        position, context, step, Carry("answer", {**carry.values, "told": told}), given
    )


def _after_meter(
    position: Position, context: Context, step: Step, carry: Carry, given: Reply
) -> Result:
    """Ask what must be known before a reading counts: of the meter, then of the circuit."""
    if step.kind == "measure":
        # The reading is understood first, so that a wrong unit is told before anything is asked.
        entry = _entry(carry, context)
        parsed = parse_reading(state_before(position, carry), step, entry, bench=context.bench)
        facts = {**position.state.facts, **entry.facts}
        question = None
        if parsed.limits is not None and not parsed.limits.missing:
            question = meter_question(
                position.tree, parsed.limits, parsed.quantities, parsed.instrument, facts
            )
        if question is not None:
            return Ask(_meter_prompt(position, step, carry, question))
    if step.kind == "measure" and step.in_circuit is not None:
        asked = (
            "Is the part isolated (one lead lifted, or out)?"
            if step.in_circuit == "never"
            else "Was it measured in circuit?"
        )
        return Ask(_sub(position, "in-circuit", asked, carry, step, YES_NO))
    return _judged(position, context, step, carry, given)


def _meter_prompt(position: Position, step: Step, carry: Carry, question: MeterQuestion) -> Prompt:
    return prompt_of(
        position,
        "fact",
        question.text,
        subject=question.name,
        part="kind" if is_kind(question.name) else "frequency",
        step=step,
        choices=tuple(Choice(one, one) for one in question.choices),
        carry=carry,
        messages=(Message(question.reason),),
        actions=WITHIN,
    )


def isolated(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """Whether the part was still in circuit: some readings mean nothing there."""
    step, carry = _step(prompt), _carry(prompt)
    yes = chosen(prompt, given)
    isolated = (yes == "yes") == (step.in_circuit == "never")
    values = {**carry.values, "in_circuit": ("no" if isolated else "yes",)}
    return _judged(position, context, step, Carry("answer", values), given)


def meant(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """A reading that may be a slip: as typed, or measured again."""
    step, carry = _step(prompt), _carry(prompt)
    wanted = chosen(prompt, given)
    if wanted == "again":
        return Accepted()
    text = carry.values["meant" if wanted == "meant" else "text"]
    sure = Carry("answer", {**carry.values, "text": text, "sure": ("yes",)})
    return _judged(position, context, step, sure, given)


def measured_again(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """An undecided reading: kept as a remark when the step is taken again at once."""
    step, carry = _step(prompt), _carry(prompt)
    yes = chosen(prompt, given)
    event = answer(
        position.state,
        step,
        _entry(carry, context, sure=True),
        at=context.now,
        bench=context.bench,
    )
    assert isinstance(event, ev.Answered)
    if yes == "no":
        return _with_facts(_recorded(position, step, _timed(event, given.seconds)), carry, context)
    assert event.reading is not None
    where = " in circuit" if event.in_circuit else ""
    text = f"read {event.reading['text']}{where}: undecided, measured again"
    noted = Accepted((ev.Noted(at=context.now, text=text, step=step.id),))
    return _with_facts(noted, carry, context)


def _facts(carry: Carry, context: Context) -> tuple[ev.FactGiven, ...]:
    """What was said of the meter and is not recorded yet."""
    told = (one.partition("=") for one in carry.values.get("told", ()))
    return tuple(
        ev.FactGiven(at=context.now, name=name, value=value, source="asked")
        for name, _, value in told
    )


def _with_facts(result: Accepted, carry: Carry, context: Context) -> Accepted:
    return replace(result, events=(*_facts(carry, context), *result.events))


def _judged(position: Position, context: Context, step: Step, carry: Carry, given: Reply) -> Result:
    """Judge what was carried; what was said of the meter is kept with it."""
    result = _judged_alone(position, context, step, carry, given)
    return _with_facts(result, carry, context) if isinstance(result, Accepted) else result


def _judged_alone(
    position: Position, context: Context, step: Step, carry: Carry, given: Reply
) -> Result:
    """Judge what was carried; a doubt about it is asked first."""
    entry = _entry(carry, context)
    try:
        known = state_before(position, carry)
        # The meter is what it is, also where an earlier answer is corrected.
        meter = {n: v for n, v in position.state.facts.items() if is_meter_fact(n)}
        entry = replace(entry, facts={**meter, **entry.facts})
        event = answer(known, step, entry, at=context.now, bench=context.bench)
    except DoubtError as doubt:
        return Ask(_sub(position, "slip", doubt.question, *_slip(carry, step, doubt)))
    if not isinstance(event, ev.Answered):
        return Accepted((event,))
    if carry.one("target"):
        return as_corrected(position, context, int(carry.one("target")), event)
    open_ = event.outcome == "undecided" and "undecided" not in step.targets
    if open_ and event.reading:
        prompt = _sub(position, "again", "Undecided. Measure again now?", carry, step, YES_NO)
        return Ask(replace(prompt, messages=(_verdict(event),)))
    return _recorded(position, step, _timed(event, given.seconds))


def _slip(carry: Carry, step: Step, doubt: DoubtError) -> tuple[Carry, Step, tuple[Choice, ...]]:
    """What a doubt offers: as typed, as it was probably meant, or measured again."""
    typed = carry.one("text")
    meant = typed.replace(doubt.typed, doubt.meant, 1) if doubt.typed and doubt.meant else typed
    choices = [Choice("typed", f"as typed: {typed}")]
    if meant != typed:
        choices.append(Choice("meant", f"as meant: {meant}"))
        carry = Carry("answer", {**carry.values, "meant": (meant,)})
    return carry, step, (*choices, Choice("again", "measure again, or type it again"))


def _kept(
    position: Position,
    context: Context,
    step: Step,
    entry: TypedAnswer,
    carry: Carry | None,
    given: Reply,
) -> Accepted:
    event = answer(position.state, step, entry, at=context.now, bench=context.bench)
    if not isinstance(event, ev.Answered):
        return Accepted((event,))
    if carry is not None and carry.one("target"):
        return as_corrected(position, context, int(carry.one("target")), event)
    return _recorded(position, step, _timed(event, given.seconds))


def _recorded(position: Position, step: Step, event: ev.Answered) -> Accepted:
    """The answer with its verdict, and what it cleared."""
    after = position.after(event)
    messages = [_verdict(event)] if event.verdict else []
    for name in cleared(after.state):
        fault = position.tree.faults[name]
        said = [one.source for one in fault.evidence if one.kind == "reported" and one.source]
        who = f" (suspected by {said[0]})" if said else ""
        messages.append(Message(f"Ruled out: {fault.title}{who}.", "good"))
    wait = Wait(step.id, step.wait) if step.kind == "do" and step.wait else None
    return Accepted((event,), tuple(messages), wait=wait)


def _verdict(event: ev.Answered) -> Message:
    return Message("", verdict=event.verdict, outcome=event.outcome)


def _timed(event: ev.Answered, seconds: float | None) -> ev.Answered:
    """The answer with the seconds it took; less than one tells nothing."""
    if seconds is None or seconds < 1:
        return event
    return replace(event, seconds=round(seconds, 1))


def _entry(carry: Carry, context: Context, *, sure: bool = False) -> TypedAnswer:
    readings = tuple(part.strip() for part in carry.one("text").split(";") if part.strip())
    in_circuit = carry.one("in_circuit")
    return TypedAnswer(
        typed=readings,
        instrument=context.meter,
        in_circuit=None if not in_circuit else in_circuit == "yes",
        sure=sure or carry.one("sure") == "yes",
        facts=dict(one.split("=", 1) for one in carry.values.get("told", ())),
    )


def _sub(
    position: Position,
    kind: str,
    text: str,
    carry: Carry,
    step: Step,
    choices: tuple[Choice, ...],
) -> Prompt:
    part = "/".join(f"{name}={'|'.join(values)}" for name, values in carry.values.items())
    return prompt_of(
        position,
        kind,  # type: ignore[arg-type]
        text,
        subject=step.id,
        part=part,
        step=step,
        choices=choices,
        carry=carry,
        actions=WITHIN,
    )


def _step(prompt: Prompt) -> Step:
    assert prompt.step is not None
    return prompt.step


def _carry(prompt: Prompt) -> Carry:
    assert prompt.carry is not None
    return prompt.carry


def _wanted(step: Step) -> str:
    """What an empty line should have been."""
    if step.kind == "measure":
        return "Type the reading as the meter shows it, like 150u or 12.5 V; '?' tells more."
    return "Type the answer, its first letters or its number; '?' tells more."
