"""What the program computes, put in words: why this step, who is still suspect."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.session.prompts import asks
from faulttree.terminal import screens
from faulttree.texts import minutes_text
from faulttree.walk.advisor import (
    better,
    both,
    none_of_these,
    possible,
    ranking,
    spoken_against,
    table_for,
    worth,
)
from faulttree.walk.answer import limits_of
from faulttree.walk.meter import known_bench
from faulttree.walk.prerequisites import preparations_before

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from faulttree.odds import Suspect
    from faulttree.reading import Bench
    from faulttree.terminal.console import Line
    from faulttree.tree.model import Step, Tree
    from faulttree.walk.state import State

__all__ = [
    "remark",
    "suspects_before_stopping",
    "suspects_view",
    "why_view",
    "worth_view",
]

MOST = 6
"""Suspects shown at once: more is not read at a bench."""


def remark(state: State, bench: Bench | None, meter: str, width: int) -> list[Line]:
    """Before a step: whether another test would be better, or no meter can decide it."""
    lines: list[Line] = []
    found = better(state)
    if found is not None:
        text = f"{asks(state, found.step)}: saves about {minutes_text(found.saves)}"
        lines += screens.labelled("Faster", f"{text} (go {found.step})", width, style="answer")
    return lines + _meter_remark(state, bench, meter, width)


def _meter_remark(state: State, bench: Bench | None, meter: str, width: int) -> list[Line]:
    from faulttree.reading import ask_before

    step = state.ask
    if bench is None or not bench.instruments or step is None or step.kind != "measure":
        return []
    limits = limits_of(state, step)
    if limits is None or limits.missing:
        return []
    bench = known_bench(state.tree, bench)
    held = meter if meter in bench.instruments else None
    try:
        text = ask_before(limits, bench, using=held)
    except FaulttreeError:
        return []
    if text:
        return screens.labelled("Meter", text, width, style="warning")
    fitting = [
        one.id
        for one in bench.instruments.values()
        if one.measures(limits.unit, limits.kind) and limits.takes(one.kind, one.offers)
    ]
    if held is not None or not fitting:
        return []
    text = f"'meter {fitting[0]}' has its uncertainty counted"
    return screens.labelled("Meter", f"{text}; without it the verdict is plain.", width)


def why_view(state: State, width: int) -> list[Line]:
    """Why the tree asks this now: what it tells apart, and where its figures come from."""
    step = state.ask
    if step is None:
        return suspects_view(state, width)
    lines: list[Line] = [[("title", f"Why {step.id}")]]
    if state.pending:
        lines += screens.labelled("Because", f"It must come before '{state.pending}'.", width)
    if step.use:
        use = state.tree.uses[step.use]
        lines += screens.labelled("From", f"procedure {use.procedure}: {use.title}", width)
    for outcome in step.targets:
        named = _speaking(state, step, outcome)
        if named:
            lines += screens.labelled(f"{outcome}", f"would point to {named}", width)
    ranked = {one.test: one for one in ranking(state)}
    here = ranked.get(step.id)
    if here is not None:
        text = (
            f"{minutes_text(here.minutes)}, and {minutes_text(here.minutes_to_go)} "
            "expected to the end by this test"
        )
        lines += screens.labelled("Minutes", text, width)
        for other in list(ranked.values())[:3]:
            if other.test != step.id:
                text = f"{minutes_text(other.minutes_to_go)} to the end by '{other.test}'"
                lines += screens.labelled("Or", text, width)
    elif step.kind == "do":
        lines += screens.labelled(
            "Worth", "It tells nothing itself; what follows rests on it.", width
        )
    limits = limits_of(state, step) if step.kind == "measure" else None
    source = (limits.source if limits else "") or step.source
    if step.kind == "measure":
        lines += screens.labelled("Source", source or "the tree gives none", width)
    return lines


def _speaking(state: State, step: Step, outcome: str) -> str:
    """The likeliest faults that would show this outcome here and not any other."""
    table = table_for(state)
    if step.id not in table.test_index:
        return ""
    shares = possible(state)
    shown = [
        fault
        for fault in shares
        if fault in table.fault_index and table.entry(fault, step.id) == (outcome,)
    ]
    named = [f"{table.title(fault)} ({screens.share_text(shares[fault])})" for fault in shown[:4]]
    more = len(shown) - len(named)
    return "; ".join(named) + (f"; and {more} more" if more > 0 else "")


def suspects_view(state: State, width: int) -> list[Line]:
    """What is still possible, the likeliest first; then what an answer speaks against."""
    shares, speaking, tree = possible(state), spoken_against(state), state.tree
    lines: list[Line] = [[("title", "Still possible")]]
    fitting = {
        fault: (share, _title(tree, fault) + (NO_STEP if fault in tree.loose else ""))
        for fault, share in shares.items()
        if fault not in speaking
    }
    none = none_of_these(state)
    if none > 0.001:
        fitting[""] = (none, "none of these")
    lines += _shares(fitting, width)
    if speaking:
        lines.append([("title", "An answer speaks against")])
        others = {
            fault: (share, f"{_title(tree, fault)} ({speaking[fault].standing} by "
                    f"'{speaking[fault].test}': {speaking[fault].outcome})")
            for fault, share in shares.items() if fault in speaking
        }  # fmt: skip
        lines += _shares(others, width)
    lines += _disagreement(state, width)
    for fault in sorted(state.excluded):
        text = f"{tree.faults[fault].title if fault in tree.faults else fault}: repaired, not it"
        lines += screens.labelled("excluded", text, width)
    return lines + _both_view(state, width)


NO_STEP = " (no step leads to it)"


def _title(tree: Tree, fault: str) -> str:
    return tree.faults[fault].title if fault in tree.faults else fault


def _shares(named: Mapping[str, tuple[float, str]], width: int) -> list[Line]:
    """Probabilities with words, the likeliest first, those beyond the most together."""
    lines: list[Line] = []
    ranked = sorted(named.values(), key=lambda one: -one[0])
    shown = [*ranked[:MOST]]
    if rest := ranked[MOST:]:
        shown.append((sum(share for share, _ in rest), f"{len(rest)} more together"))
    for share, text in shown:
        lines += screens.labelled(f"{screens.share_text(share):>9}", text, width)
    return lines


def _disagreement(state: State, width: int) -> list[Line]:
    """Why the fault that the walk came to is not the likeliest one; nothing where it is."""
    if state.end is None or state.end.kind != "fault" or state.cured is not None:
        return []
    shares, found = possible(state), state.end.id
    above = [fault for fault, share in shares.items() if share > shares.get(found, 0.0)]
    if not above:
        return []
    title, other = _title(state.tree, found), _title(state.tree, above[0])
    answer = spoken_against(state).get(above[0])
    why = (
        f"'{answer.test}' speaks against it, but one answer may be wrong and it is the commoner"
        if answer is not None
        else "no answer speaks against it"
    )
    text = f"The steps lead to '{title}'. '{other}' has the higher probability: {why}."
    return screens.text_lines(text, width, style="warning")


def _both_view(state: State, width: int) -> list[Line]:
    """Which second fault would explain everything, after a repair that did not help."""
    found = both(state)
    if not found:
        return []
    first = state.tree.faults[found[0].faults[0]].title
    head = f"If '{first}' was true and something else is wrong too, that is"
    lines = screens.text_lines(head, width, style="title")
    for pair in found:
        text = state.tree.faults[pair.faults[1]].title
        lines += screens.labelled(f"{screens.share_text(pair.probability):>9}", text, width)
    return lines


def suspects_before_stopping(state: State, suspects: Sequence[Suspect], width: int) -> list[Line]:
    """Before giving up: who is still open, the cheap and likely first, once and briefly."""
    from faulttree.odds import would_settle

    lines: list[Line] = [[("", "")], [("title", "Before you stop: not tested yet")]]
    sentence = would_settle(suspects)
    if sentence:
        lines += screens.text_lines(sentence, width, style="answer")
    for number, suspect in enumerate(suspects[:MOST], 1):
        fault = state.tree.faults[suspect.fault]
        label = f"{number:>2} {screens.share_text(suspect.probability)}"
        lines += screens.labelled(label, fault.title, width)
        lines += screens.text_lines(_way(state, suspect), width, indent=_inset(width))
        told = [one for one in fault.evidence if one.kind != "contradicted"]
        if told:
            said = f"{told[-1].kind}: {told[-1].source}"
            lines += screens.text_lines(said, width, style="dim", indent=_inset(width))
    rest = len(suspects) - MOST
    if rest > 0:
        lines += screens.text_lines(f"and {rest} more, each less likely for its minutes", width)
    return lines


def worth_view(state: State, bench: Bench | None, width: int) -> list[Line]:
    """Advice where the bench file gives an hour's rate and the unit's value; never a bar."""
    value = bench.unit_values.get(state.tree.family) if bench else None
    if bench is None or value is None or bench.labour_rate is None:
        return []
    found = worth(state, value=value, labour=bench.labour_rate)
    text = (
        f"to find it and for the part about {found.cost:.3g} {bench.currency}".rstrip()
        + f", the work of the repair not counted; a working one is worth {value:.3g}"
    )
    if not found.worth_it:
        text += ". By these figures it costs more than it gives; you decide"
    return screens.labelled("Worth it?", f"{text}.", width)


def _inset(width: int) -> str:
    return " " * (2 if width < screens.NARROW else 10)


def _way(state: State, suspect: Suspect) -> str:
    if not suspect.tests:
        return "a loose suspect: no test of it is in the tree"
    many = len(suspect.tests)
    steps = f"'{suspect.tests[0]}'" if many == 1 else f"{many} steps from '{suspect.tests[0]}'"
    gear = f"; needs {', '.join(suspect.gear)}" if suspect.gear else ""
    first = ", ".join(f"'{action}'" for action in _skipped_before(state, suspect.tests))
    made_up = f", with {first} made up for" if first else ""
    return f"{minutes_text(suspect.minutes)} by {steps}{made_up}{gear}"


def _skipped_before(state: State, tests: Sequence[str]) -> list[str]:
    """The skipped actions that some of these tests rest on: their minutes are still to be spent."""
    tree = state.tree
    needed: set[str] = set()
    for test in tests:
        needed.update(preparations_before(tree, test))
        for name in tree.steps[test].after if test in tree.steps else ():
            needed.update(tree.uses[name].steps if name in tree.uses else (name,))
    return [name for name in state.skipped if name in needed and tree.steps[name].kind == "do"]
