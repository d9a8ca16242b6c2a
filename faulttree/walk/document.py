"""A walk as one plain document, for ``--json`` and for whoever reads it next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from faulttree.walk.advisor import both, none_of_these, possible, spoken_against, untested

if TYPE_CHECKING:
    from faulttree.odds import Against
    from faulttree.walk.state import Repair, State, Visit

__all__ = ["document"]


def document(state: State, case: str) -> dict[str, Any]:
    """The walk of ``case``: unit, path, end, what is possible and untested, minutes."""
    opened, speaking = state.opened, spoken_against(state)
    return {
        "case": case,
        "tree": state.tree.id,
        "tree_hash": state.tree.hash,
        "unit": dict(opened.unit) if opened else {},
        "complaint": opened.complaint if opened else "",
        "path": [_visit(visit) for visit in state.path],
        "end": _end(state),
        **_reached(state),
        "possible": [
            {"fault": fault, "probability": share, **_standing(speaking.get(fault))}
            for fault, share in possible(state).items()
        ],
        "none_of_these": none_of_these(state),
        "untested": [
            {
                "fault": suspect.fault,
                "probability": suspect.probability,
                "minutes": suspect.minutes,
                "steps": list(suspect.tests),
            }
            for suspect in untested(state)
        ],
        "both": [
            {"faults": list(pair.faults), "probability": pair.probability} for pair in both(state)
        ],
        "minutes": state.minutes,
        "round": state.round,
        "skipped": sorted(state.skipped),
        "withdrawn": [{"step": gone.step, "outcome": gone.outcome} for gone in state.withdrawn],
        "repairs": [_repair(repair) for repair in state.repairs],
        "closing": dict(state.closing),
        "closing_open": list(state.closing_open),
        "closing_result": state.closing_result,
        "result": state.closed.result if state.closed else None,
    }


def _standing(speaking: Against | None) -> dict[str, Any]:
    """``open``, or ``cleared`` or ``contradicted`` by a step."""
    if speaking is None:
        return {"standing": "open"}
    return {"standing": speaking.standing, "by": speaking.test}


def _visit(visit: Visit) -> dict[str, Any]:
    event = visit.event
    return {
        "step": event.step,
        "outcome": event.outcome,
        "reading": dict(event.reading) if event.reading else None,
        "verdict": dict(event.verdict) if event.verdict else None,
        "instrument": event.instrument or None,
        "in_circuit": event.in_circuit,
        "note": event.note or None,
        "round": visit.round,
    }


def _end(state: State) -> dict[str, Any]:
    if state.end is None:
        return {"kind": "open", "id": state.ask.id if state.ask else None}
    end: dict[str, Any] = {"kind": state.end.kind, "id": state.end.id or None}
    if state.end.reason:
        end["reason"] = state.end.reason
    stop = state.tree.stops.get(state.end.id) if state.end.kind == "stop" else None
    if stop is not None and stop.see:
        end["see"] = stop.see
    return end


def _reached(state: State) -> dict[str, Any]:
    """``reached``: how sure the fault is that the walk stands at; nothing where not decided."""
    came_to = state.reached
    if came_to is None:
        return {}
    kept = {
        "fault": came_to.fault,
        "standing": came_to.standing,
        "accepted": came_to.standing == "likely" and state.phase != "likely",
        "probability": came_to.probability,
        "rivals": [dict(rival) for rival in came_to.rivals],
        "open_tests": list(came_to.open_tests),
        "threshold": came_to.threshold,
    }
    return {"reached": kept}


def _repair(repair: Repair) -> dict[str, Any]:
    return {
        "fault": repair.fault,
        "round": repair.round,
        "confirmed": repair.held,
        "what": repair.what or None,
        "step": repair.step or None,
        "outcome": repair.outcome or None,
        "reading": dict(repair.reading) if repair.reading else None,
        "verdict": dict(repair.verdict) if repair.verdict else None,
        "seen": repair.seen or None,
    }
