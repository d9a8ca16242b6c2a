"""What a technician is shown: lines for a step, a fault, the suspects, the way so far."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from faulttree.reading import limits_text
from faulttree.reading.verdict_text import sources_in, verdict_text
from faulttree.session.prompts import leads_to
from faulttree.texts import minutes_text, one_line, wrapped
from faulttree.walk.answer import limits_of, ratings_of
from faulttree.walk.meter import is_meter_fact
from faulttree.walk.standing import not_made

if TYPE_CHECKING:
    from faulttree.cases.other_cases import SimilarCase
    from faulttree.errors import FaulttreeError
    from faulttree.terminal.console import Line
    from faulttree.tree.model import Caution, Fault, Step
    from faulttree.walk.state import State

__all__ = [
    "brief_view",
    "caution_view",
    "fault_view",
    "heading",
    "labelled",
    "likely_view",
    "path_view",
    "refusal_lines",
    "share_text",
    "similar_view",
    "step_view",
    "text_lines",
    "verdict_view",
]

VERBS = {"ask": "ASK", "measure": "MEASURE", "do": "DO", "use": "USE"}
SIGNALS = {"DANGER": "danger", "WARNING": "warning", "CAUTION": "caution"}
NARROW = 56
"""Below so many columns what belongs to a label is set in by two columns only."""


def text_lines(text: str, width: int, *, style: str = "", indent: str = "") -> list[Line]:
    """Text wrapped to the width, in one style; its own line ends are kept."""
    lines: list[Line] = []
    for part in text.splitlines() or [""]:
        lines += [[(style, line)] for line in wrapped(part, width, indent, indent)]
    return lines


def labelled(label: str, text: str, width: int, *, style: str = "") -> list[Line]:
    """A label with its text beside it; where the terminal is narrow, in less room."""
    narrow = width < NARROW
    name = label.strip()
    colon = ":" if name[-1:].isalpha() else ""
    head = f"{name}{colon} " if narrow else f"{label:<9} "
    inset = "  " if narrow else " " * 10
    first, *rest = wrapped(one_line(text), width, " " * max(len(head), len(inset)), inset)
    start: Line = [("label", head), (style, first[len(head) :])]
    return [start, *([(style, line)] for line in rest)]


def share_text(share: float) -> str:
    """A probability for people, never rounded up to certainty."""
    if 0 < share < 0.005:
        return "under 1 %"
    if 0.995 <= share < 1:
        return "over 99 %"
    return f"{share * 100:.0f} %"


def refusal_lines(error: FaulttreeError, width: int) -> list[Line]:
    """What does not fit, and what would."""
    remedy = text_lines(error.remedy, width, indent="  ") if error.remedy else []
    return [*text_lines(f"✗ {error.message}", width, style="bad"), *remedy]


def heading(state: State, title: str, width: int) -> list[Line]:
    """A rule with the place in the walk."""
    opened = state.opened
    unit = opened.unit if opened else {}
    marked = "invented data" if state.tree.invented else ""
    of_unit = (str(unit[key]) for key in ("serial", "tag") if unit.get(key))
    parts = [part for part in (state.tree.id, marked, *of_unit, title) if part]
    text = one_line(" · ".join(parts))
    if len(text) > width - 4:
        # The tree is known from the screens before.
        text = one_line(" · ".join(parts[1:]))
    if len(text) > width - 4:
        return [[("", "")], *text_lines(text, width, style="title")]
    return [[("", "")], [("title", f"── {text} " + "─" * max(0, width - len(text) - 4))]]


def caution_view(caution: Caution | None, name: str, width: int) -> list[Line]:
    """A caution: its signal word first, then what it says."""
    if caution is None:
        return text_lines(f"! {name}: ask what this caution means before you go on.", width)
    style = SIGNALS[caution.signal]
    head: Line = [(style, f" ! {caution.signal} "), ("label", f" {caution.id}")]
    return [head, *text_lines(one_line(caution.text), width, indent="  ")]


def step_view(
    state: State,
    step: Step,
    width: int,
    *,
    meter: str = "",
    full: bool = False,
    short: bool = False,
) -> list[Line]:
    """A step as it is put to the technician: how, gear, what is expected, what follows.

    ``full`` shows its cautions in full; ``short`` leaves out minutes, gear and what follows.
    """
    spent = minutes_text(state.minutes)
    name = re.sub(r"^(before-power|close|closing)\.", "", step.id)
    lines = heading(state, f"{_place(state)} · {name} · {spent} so far", width)
    if state.pending is not None and not (short and step.role == "before-power"):
        lines += text_lines(f"This must come before '{state.pending}'.", width, style="warning")
    if step.live or step.role in ("before-power", "close"):
        lines += open_view(state, width, step)
    lines += _reminders(state, step, width, full=full)
    lines += labelled(VERBS[step.kind], step.text, width, style="title")
    lines += _opening(state, step, width)
    if step.how:
        lines += labelled("How", step.how, width)
    if not short:
        lines += labelled("Takes", _cost_text(state, step), width)
    gear = [] if short else [_gear(state, name) for name in step.needs]
    if gear or meter:
        lines += labelled(
            "Gear", ", ".join([*gear, *([f"in use: {meter}"] if meter else [])]), width
        )
    if step.conditions:
        lines += labelled("While", ", ".join(step.conditions), width)
    if step.kind == "measure":
        lines += labelled("Expect", _expected(state, step), width)
    return lines if short and not state.confirming else lines + _leads(state, step, width)


def brief_view(state: State, step: Step, width: int) -> list[Line]:
    """A step that is well known here: what to do and what is expected; 'how' shows the rest."""
    lines: list[Line] = [[("", "")]]
    if state.pending is not None:
        lines += text_lines(f"This must come before '{state.pending}'.", width, style="warning")
    if step.live or step.role in ("before-power", "close"):
        lines += open_view(state, width, step)
    lines += _reminders(state, step, width, full=False)
    number = f"{len(state.path) + 1} " if state.phase == "finding" else ""
    label = f"{number}{VERBS[step.kind]}"
    lines += labelled(label, step.text, width, style="title")
    lines += _opening(state, step, width)
    if step.kind == "measure":
        lines += labelled("Expect", _expected(state, step), width)
    if state.phase == "confirming":
        lines += _leads(state, step, width)
    return lines


def similar_view(found: Sequence[SimilarCase], width: int) -> list[Line]:
    """Closed cases like this one: what was found, how it was repaired, whether it lasted."""
    if not found:
        return [[("", "No closed case agrees with this one.")]]
    lines: list[Line] = [[("title", "Closed cases like this one")]]
    for one in found:
        case = one.case
        unit = " ".join(filter(None, [case.model or case.family, case.tag or case.serial]))
        head = f"case {case.number}, {(case.closed or '')[:10]}, {unit}: {one.agree} alike"
        lines += text_lines(f"{head}, {one.differ} different" if one.differ else head, width)
        what = one.found or case.result
        done = f"; repaired: {one.repair}" if one.repair else ""
        came_back = {True: "; it has lasted so far", False: "; it came back"}
        told = f"{what}{done}{came_back.get(one.lasted, f'; {case.result}')}."  # type: ignore[arg-type]
        lines += text_lines(told, width, indent="  ")
    return lines


def _place(state: State) -> str:
    """What the step is for: one of the search by its number, the proof, or a last check."""
    role = state.ask.role if state.ask is not None else "finding"
    if role in ("before-power", "close"):
        return "before power"
    if state.phase == "confirming":
        return "proof"
    if state.phase == "closing":
        return "before it goes back"
    return f"step {len(state.path) + 1}"


def _reminders(state: State, step: Step, width: int, *, full: bool) -> list[Line]:
    """Cautions already read, by name; in full when asked for."""
    read = [name for name in state.cautions_at(step) if name in state.cautions_read]
    book = state.tree.known_cautions
    if full:
        return [line for name in read for line in caution_view(book.get(name), name, width)]
    if not read:
        return []
    known = [book[name] for name in read if name in book]
    known.sort(key=lambda caution: list(SIGNALS).index(caution.signal))
    words = ", ".join(f"{caution.signal} {caution.id}" for caution in known)
    return labelled("Caution", words, width, style="warning") if words else []


def _opening(state: State, step: Step, width: int) -> list[Line]:
    lines: list[Line] = []
    for name in step.access:
        access = state.tree.access.get(name)
        if access is None or name in state.access:
            continue
        cost = f" ({minutes_text(access.minutes)})" if access.minutes else ""
        lines += labelled("First", f"{name}{cost}: {access.how}".rstrip(": "), width)
    return lines


def _cost_text(state: State, step: Step) -> str:
    opening = state.access_minutes if state.ask is step else 0.0
    text = minutes_text(step.cost)
    if step.minutes is None:
        text += ", assumed"
    if opening:
        text += f", and {minutes_text(opening)} to open it"
    if step.wait:
        from faulttree.texts import spell

        counted = step.cost * 60 >= step.wait
        text += f", {spell(step.wait)} of it waiting" if counted else f"; wait {spell(step.wait)}"
    return text


def _gear(state: State, name: str) -> str:
    known = state.tree.known_instruments.get(name)
    return known.title if known else name


def _expected(state: State, step: Step) -> str:
    limits = limits_of(state, step)
    if limits is None:
        return f"a value in {step.unit}" if step.unit else "a value"
    text = limits_text(limits)
    if limits.missing:
        text = f"not known: {', '.join(limits.missing)} is missing"
        if limits.missing[0] in state.tree.ratings:
            text += f"; 'set {limits.missing[0]} VALUE' gives it"
    source = limits.source or step.source
    return f"{text}  [{source}]" if source else f"{text}  [no source given]"


def _leads(state: State, step: Step, width: int) -> list[Line]:
    """Where each outcome leads, in words; while a repair is proved, what must be seen."""
    if step.kind == "do":
        return []
    repair = state.confirming
    fault = state.tree.faults.get(repair.fault) if repair else None
    confirm = next((one for one in fault.confirms if one.step == step.id), None) if fault else None
    if confirm is not None:
        return labelled("Proof", f"must give '{confirm.gives}'", width, style="title")
    lines: list[Line] = []
    for number, outcome in enumerate(step.targets, 1):
        name = f"{number} {outcome}" if step.kind == "ask" else outcome
        leads = leads_to(state, step, outcome)
        lines += labelled("If" if number == 1 else "", f"{name} → {leads}", width)
    return lines


def verdict_view(
    verdict: Mapping[str, Any] | None,
    outcome: str,
    width: int,
    *,
    told: Collection[str] = (),
    short: bool = False,
) -> list[Line]:
    """What a reading came to: the sentence, without the clauses told already, then the scale.

    ``short`` leaves out of a reading inside its limits what the step said before: the sources.
    """
    if verdict is None:
        return []
    if short and outcome == "inside":
        sentence = verdict_text(verdict, known={*told, *sources_in(verdict)})
        return text_lines(f"  = {sentence}", width, style="good")
    sentence = verdict_text(verdict, known=told)
    style = "good" if outcome == "inside" else "warning" if outcome == "undecided" else "bad"
    lines: list[Line] = [[("label", "  = "), (style, outcome.upper())]]
    lines += text_lines(sentence, width, indent="    ")
    scale = str(verdict.get("scale") or "")
    lines += [[("dim", f"    {row}")] for row in scale.splitlines() if len(row) <= width - 4]
    return lines


def fault_view(state: State, fault: Fault, width: int) -> list[Line]:
    """A fault found: what it is, how to remedy it, how to prove the repair, why it is known."""
    likely = state.reached is not None and state.reached.standing == "likely"
    lines = heading(state, "taken for the cause, not proved" if likely else "found", width)
    lines += labelled("FAULT", fault.title, width, style="bad")
    lines += _evidence(state, width)
    if fault.part or fault.module:
        where = ", ".join(part for part in (fault.part, fault.module) if part)
        lines += labelled("Part", where, width)
    for name in fault.cautions:
        lines += caution_view(state.tree.known_cautions.get(name), name, width)
    lines += labelled("Remedy", fault.remedy, width)
    if fault.part_cost is not None:
        lines += labelled("Part cost", f"{fault.part_cost:g}", width)
    for confirm in fault.confirms:
        step = state.tree.steps.get(confirm.step)
        what = step.text if step else f"procedure {confirm.step}"
        lines += labelled("Proof", f"{what}: must give '{confirm.gives}'", width)
    for evidence in fault.evidence:
        told = (evidence.source, evidence.date or "", evidence.reason)
        said = ", ".join(part for part in told if part)
        lines += labelled(evidence.kind.capitalize(), said, width)
    lines += labelled("So far", minutes_text(state.minutes), width)
    return lines


def likely_view(state: State, fault: Fault, width: int) -> list[Line]:
    """A fault that is not proved: how likely it is, what else it may be, and what was not made."""
    lines = heading(state, "likely, not proved", width)
    lines += labelled("LIKELY", fault.title, width, style="warning")
    lines += _evidence(state, width)
    reached = state.reached
    if reached is None:
        return lines
    for rival in reached.rivals:
        name = str(rival["fault"])
        known = state.tree.faults.get(name)
        title = known.title if known else name or "none of these"
        lines += labelled("Or", f"{title} ({share_text(float(rival['probability']))})", width)
    left = not_made(state)
    if left:
        lines += labelled("Not made", ", ".join(left), width, style="warning")
    return lines


def _evidence(state: State, width: int) -> list[Line]:
    """How likely the fault is by everything seen, as it was decided."""
    reached = state.reached
    if reached is None or reached.probability is None:
        return []
    text = share_text(reached.probability)
    if reached.standing == "likely" and reached.threshold is not None:
        text += f" by all that was seen; called found from {share_text(reached.threshold)} on"
    return labelled("Likely", text, width)


def facts_view(state: State, width: int) -> list[Line]:
    """What is known of the unit, property by property."""
    lines: list[Line] = [[("title", "The unit")]]
    for known in state.tree.properties.values():
        value = state.facts.get(known.id, "not asked yet")
        lines += text_lines(f"· {known.id}: {value} ({', '.join(known.values)})", width)
    for name, value in state.facts.items():
        if is_meter_fact(name):
            lines += text_lines(f"· {name}: {value}", width)
    for name in set(state.tree.ratings).difference(ratings_of(state)):
        lines += text_lines(f"· {name}: not known ({state.tree.ratings[name].unit})", width)
    lines += [row for text in _told_at_intake(state) for row in text_lines(f"· {text}", width)]
    return lines


def open_view(state: State, width: int, step: Step | None = None) -> list[Line]:
    """What is open on the bench: covers, and what a step lifted, took out or clipped on.

    Args:
        state: where the walk stands.
        width: columns to write in.
        step: the step that is shown; what it needs open itself is left out.
    """
    needed = step.access if step is not None else ()
    parts = [name for name in state.tree.access if name in state.access and name not in needed]
    parts += [f"{kind} {', '.join(of)}" for kind, of in state.left_open.items()]
    text = f"{'; '.join(parts)}. Put it back before power."
    return labelled("Open now", text, width, style="warning") if parts else []


def path_view(state: State, width: int) -> list[Line]:
    """The way so far: each step with its reading and outcome."""
    lines: list[Line] = [[("title", "So far")]]
    lines += [row for text in _told_at_intake(state) for row in text_lines(f"· {text}", width)]
    told = len(lines)
    for number, visit in enumerate(state.visits, 1):
        kept = visit.event.reading
        reading = f" {kept['text']}" if kept else ""
        mark = f" (round {visit.round + 1})" if visit.round else ""
        said = f"{visit.step}:{reading} {visit.outcome}{mark}"
        lines += text_lines(f"{number} {said}", width)
    lines += [[("dim", f"· {step}: skipped")] for step in state.skipped]
    return lines if len(lines) > told else [*lines, [("", "No answer yet.")]]


def _told_at_intake(state: State) -> Iterator[str]:
    """What the unit is said to be, each by the name that 'correct' takes."""
    opened = state.opened
    if opened is None:
        return
    unit, rated = opened.unit, ratings_of(state)
    named = {"model": unit.get("model"), "tag": unit.get("serial"), "complaint": opened.complaint}
    if opened.owner_words != opened.complaint:
        named["owner-words"] = opened.owner_words
    named |= {name: rated[name].text for name in state.tree.ratings if name in rated}
    yield from (f"{name}: {value}" for name, value in named.items() if value)
