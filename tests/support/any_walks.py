"""Any tree and any events, as hypothesis draws them."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from faulttree.tree import Tree, build
from faulttree.walk import Event, State
from faulttree.walk import events as ev
from faulttree.walk.advisor import choose
from faulttree.walk.answer import TypedAnswer, answer
from faulttree.walk.repair import conclude, conclude_by_sight
from tests.support.counts import SOAK, examples

SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large]

MANY = settings(max_examples=examples(400, 40), derandomize=not SOAK, suppress_health_check=SLOW)

NAMES = ("a", "b", "c", "d", "e", "f")

FAULTS = ("f-one", "f-two", "f-three")

STOPS = {
    "soft": {"title": "Beyond", "reason": "out-of-scope"},
    "hard": {"title": "Not safe", "reason": "unsafe"},
}

DRAIN = {
    "procedure": "drain",
    "title": "Drain",
    "start": "bleed",
    "exits": ["safe", "charged"],
    "steps": {
        "bleed": {"do": "Bleed", "then": "check"},
        "check": {"ask": "Below 5 V?", "answers": {"yes": "safe", "no": "charged"}},
    },
}

SOAK_TEST = {
    "procedure": "soak",
    "title": "Soak",
    "start": "run",
    "exits": ["pass", "fail"],
    "steps": {"run": {"ask": "Ran?", "answers": {"yes": "pass", "no": "fail"}}},
}


@st.composite
def trees(draw: st.DrawFn) -> Tree:
    """Trees with cycles, prerequisites, live steps, procedures, proofs and closing checks."""
    names = NAMES[: draw(st.integers(1, len(NAMES)))]
    target = st.sampled_from([*names, *FAULTS, *STOPS])
    steps: dict[str, Any] = {}
    for name in names:
        kind = draw(st.sampled_from(["ask", "ask", "measure", "do", "use"]))
        step: dict[str, Any]
        if kind == "ask":
            step = {"ask": "So?", "answers": {"yes": draw(target), "no": draw(target)}}
            if draw(st.booleans()):
                step["answers"]["undecided"] = draw(target)
        elif kind == "measure":
            step = {
                "measure": "Rail",
                "limits": {"min": "10 V"},
                "results": {"low": draw(target), "inside": draw(target)},
            }
        elif kind == "do":
            step = {"do": "Do", "then": draw(target)}
        else:
            step = {"use": "drain", "exits": {"safe": draw(target), "charged": draw(target)}}
        if kind != "use" and draw(st.booleans()):
            step["live"] = draw(st.booleans())
        after = draw(st.lists(st.sampled_from(names), max_size=2, unique=True))
        if kept := [other for other in after if other < name]:
            step["after"] = kept
        if draw(st.booleans()):
            step["access"] = [draw(st.sampled_from(["open", "flipped"]))]
        step["minutes"] = draw(st.integers(1, 9))
        steps[name] = step
    faults = {}
    for name in FAULTS:
        faults[name] = {"title": name, "remedy": "Repair it."}
        proof = draw(st.none() | st.sampled_from(names))
        if proof is not None:
            gives = {"ask": "yes", "measure": "inside", "do": "done", "use": "safe"}
            kind = next(key for key in gives if key in steps[proof])
            faults[name]["confirm"] = {"step": proof, "gives": gives[kind]}  # type: ignore[assignment]
    data = {
        "title": "T",
        "family": "unit",
        "start": names[0],
        "steps": steps,
        "faults": faults,
        "stops": STOPS,
        "closing": draw(st.sampled_from([[], ["soak"]])),
        "access": {
            "open": {"minutes": 3, "group": "side"},
            "flipped": {"minutes": 2, "group": "side"},
        },
    }
    bundle = {"id": "unit/t", "tree": data, "procedures": {"drain": DRAIN, "soak": SOAK_TEST}}
    return build(bundle, strict=False)


STEP = st.sampled_from([*NAMES, "a.bleed", "b.check", "closing.soak.run", "gone"])

WORD = st.sampled_from(["yes", "no", "low", "inside", "done", "undecided", "odd"])

FAULT = st.sampled_from([*FAULTS, "gone"])

KEPT = st.none() | st.just({"value": 4.0, "unit": "V", "text": "4 V"})

EVENTS = st.lists(
    st.one_of(
        st.builds(ev.Answered, step=STEP, outcome=WORD, reading=KEPT),
        st.builds(ev.Skipped, step=STEP),
        st.builds(ev.Jumped, step=STEP),
        st.builds(ev.WentBack, steps=st.integers(-1, 4)),
        st.builds(ev.Noted, text=st.just("n")),
        st.builds(ev.CautionRead, caution=st.just("mains")),
        st.builds(ev.RepairTried, fault=FAULT),
        st.builds(ev.Confirmed, fault=FAULT, step=STEP),
        st.builds(ev.NotConfirmed, fault=FAULT, step=STEP, outcome=WORD),
        st.builds(ev.Declined),
        st.builds(ev.Stopped),
        st.builds(ev.Closed, result=st.just("found"), fault=FAULT),
        st.builds(ev.Reopened),
    ),
    max_size=25,
)


def moved(state: State, draw: st.DataObject) -> list[Event]:
    """What a technician may do where the walk stands; empty where it is over."""
    step = state.ask
    if step is not None:
        pick = draw.draw(st.integers(0, 9))
        if pick == 0:
            return [ev.Skipped(step=step.id)]
        if pick == 1:
            return [ev.Jumped(step=draw.draw(st.sampled_from(state.tree.diagnostic)))]
        names = {"ask": [*step.targets, "undecided"], "do": ["done"], "measure": ["4 V", "12 V"]}
        typed = draw.draw(st.sampled_from(names[step.kind]))
        return [answer(state, step, TypedAnswer(typed=(typed,)))]
    if state.phase == "found":
        assert state.end is not None
        return [ev.RepairTried(fault=state.end.id)]
    if state.confirming is not None:
        conclusion = conclude(state)
        known = state.tree.faults[state.confirming.fault].confirm
        held = known is None and draw.draw(st.booleans())
        return [conclusion or conclude_by_sight(state, "seen", held=held)]
    jump = choose(state)
    return [jump] if jump is not None else []
