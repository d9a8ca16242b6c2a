"""Promises about reading what earlier versions of the record kept as sentences."""

from __future__ import annotations

import doctest
import json
from typing import get_args

from faulttree.reading import judge, parse_quantity, resolve_limits
from faulttree.reading import verdict_text as verdict_text_module
from faulttree.reading.verdict_text import said_once, verdict_text
from faulttree.session.jumps import jump_text
from faulttree.walk import events as ev
from faulttree.walk import legacy
from faulttree.walk.legacy import jump_purpose


def test_every_sentence_of_version_1_stands_for_a_cause() -> None:
    assert set(legacy.CAUSES.values()) <= set(get_args(ev.Cause))
    for text, cause in legacy.CAUSES.items():
        assert jump_purpose(ev.Jumped(step="rail", reason=text)) == (cause, "")


def test_the_step_behind_a_guard_is_read_from_either_version() -> None:
    old = ev.Jumped(step="fuse", reason="it may find the unit unsafe, before rail")
    new = ev.Jumped(step="fuse", cause="guard", then="rail")
    assert jump_purpose(old) == jump_purpose(new) == ("guard", "rail")
    assert jump_text(old) == jump_text(new) == "it may find the unit unsafe, before rail"


def test_any_other_sentence_is_shown_as_it_was_written() -> None:
    odd = ev.Jumped(step="rail", reason="the owner {asked} for it")
    assert jump_purpose(odd) == ("", "")
    assert jump_text(odd) == "the owner {asked} for it"


def test_an_event_of_version_1_is_written_as_it_was_read() -> None:
    kept = {"kind": "jumped", "at": "", "step": "rail", "reason": "skipped before"}
    assert ev.from_dict(kept).to_dict() == {key: kept[key] for key in ("kind", "step", "reason")}


def test_the_examples_are_right() -> None:
    assert doctest.testmod(legacy).failed == 0


def test_a_verdict_is_worded_when_shown_and_an_old_one_keeps_its_sentence() -> None:
    limits = resolve_limits({"min": "10 V"})
    verdict = judge(parse_quantity("4 V"), limits)
    kept = json.loads(json.dumps(verdict.to_record()))
    assert "text" not in kept
    assert verdict_text(kept) == verdict.sentence
    assert verdict_text(kept, known=said_once(kept)) == verdict.sentence.replace(
        "; plain acceptance, no instrument declared", ""
    )
    assert verdict_text({"verdict": "low", "text": "low: 4 V; as told."}) == "low: 4 V; as told."
    assert verdict_text(None) == ""
    assert doctest.testmod(verdict_text_module).failed == 0
