"""Taking a unit in: one line is enough, and only what is missing is asked."""

from __future__ import annotations

from typing import Any

import pytest

from faulttree.session import (
    Accepted,
    Ask,
    Context,
    Position,
    Refused,
    begin_intake,
    next_prompt,
    read_intake,
    read_typed,
    reply,
)
from faulttree.session.intake import DRAFT
from faulttree.tree import Tree, build
from faulttree.walk import events as ev
from tests.session.samples import LAMP

RATINGS = {"full": {"unit": "V", "ask": "Full-charge voltage", "models": {"two": "8.4 V"}}}
SYMPTOMS = [{"text": "stays dark"}, {"text": "hums"}]


def lamp(**more: Any) -> Tree:
    tree = {**LAMP, "cautions": [], "ratings": RATINGS, "symptoms": SYMPTOMS, **more}
    known = {"procedures": {}, "cautions": {}, "instruments": {}}
    steps = {name: {**step, "cautions": []} for name, step in LAMP["steps"].items()}
    return build({"id": "lamp/dark", "tree": {**tree, "steps": steps}, **known})


def taken_in(*lines: str, **known: str) -> tuple[list[str], list[str], ev.Opened | None]:
    """The questions asked, what was refused, and the opening where it came to one."""
    tree, context = lamp(), Context(now="2026-02-11T10:00:00Z")
    result, typed = begin_intake(tree, context, known), list(lines)
    asked, refused = [], []
    while isinstance(result, Ask) and typed:
        prompt = result.prompt
        asked.append(prompt.id.subject)
        answer = read_typed(prompt, typed.pop(0))
        outcome = reply(Position(tree, DRAFT, ()), context, prompt, answer)
        if isinstance(outcome, Refused):
            refused.append(outcome.error.message)
        else:
            assert isinstance(outcome, Ask | Accepted)
            result = outcome
    opened = result.events[0] if isinstance(result, Accepted) else None
    assert opened is None or isinstance(opened, ev.Opened)
    return asked, refused, opened


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("two-channel tag 14: hums", {"model": "two-channel", "serial": "tag 14"}),
        ("TWO-channel  tag 14 : hums", {"model": "two-channel", "serial": "tag 14"}),
        ("tag 14 two-channel: hums", {"model": "two-channel", "serial": "tag 14"}),
        ("two tag 3: hums", {"model": "two", "serial": "tag 3"}),
        ("green one tag 3: hums", {"model": "green one", "serial": "tag 3"}),
        ("tag 14: hums", {"serial": "tag 14"}),
        ("twofold: hums", {"serial": "twofold"}),
        (": hums", {}),
    ],
)
def test_left_of_the_colon_stand_model_and_tag(line: str, told: dict[str, str]) -> None:
    assert read_intake(line, ["two", "two-channel"]) == {**told, "complaint": "hums"}


def test_a_second_colon_belongs_to_the_complaint() -> None:
    assert read_intake("tag 1: shows E:5")["complaint"] == "shows E:5"
    assert read_intake("tag 1") == {"serial": "tag 1"}


def test_one_line_opens_the_case() -> None:
    asked, _, opened = taken_in("two tag 14: hu")
    assert asked == ["unit"]
    assert opened is not None
    assert opened.unit == {"family": "lamp", "model": "two", "serial": "tag 14"}
    assert (opened.complaint, opened.owner_words) == ("hums", "hu")


def test_only_what_is_missing_is_asked() -> None:
    asked, _, opened = taken_in("tag 14", "2")
    assert asked == ["unit", "complaint"]
    assert opened is not None
    assert opened.complaint == "hums"
    # A rating is asked at the first step that needs it.
    asked, _, opened = taken_in(serial="tag 14", complaint="flickers", who="ab")
    assert asked == []
    assert opened is not None
    assert (opened.complaint, opened.who, opened.ratings) == ("flickers", "ab", {})


def test_back_and_pause_are_no_answers() -> None:
    tree, context = lamp(), Context()
    prompt = next_prompt(Position(tree, DRAFT, ()), context)
    assert prompt.kind == "intake"
    left = reply(Position(tree, DRAFT, ()), context, prompt, read_typed(prompt, "pause"))
    assert isinstance(left, Accepted)
    assert left.leave
    result = begin_intake(tree, context, {"serial": "tag 1"})
    assert isinstance(result, Ask)
    answer = read_typed(result.prompt, "back")
    again = reply(Position(tree, DRAFT, ()), context, result.prompt, answer)
    assert isinstance(again, Accepted)
    assert not again.events
