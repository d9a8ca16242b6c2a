"""A session driven by typed lines, without a screen."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from faulttree.reading import Bench
from faulttree.session import (
    Accepted,
    Ask,
    Context,
    Message,
    Position,
    Prompt,
    Refused,
    Show,
    follow,
    next_prompt,
    read_typed,
    reply,
)
from faulttree.tree import Tree, build
from faulttree.walk import events as ev
from faulttree.walk.state import State


@dataclass
class Driver:
    """Answers prompts one by one and keeps what was asked and told.

    A fault that was walked to without a jump or skip is found, unless ``likely_below`` is set.
    """

    tree: Tree
    events: list[ev.Event] = field(default_factory=list)
    asked: list[Prompt] = field(default_factory=list)
    told: list[Message] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)
    views: list[str] = field(default_factory=list)
    left: bool = False
    onward: str = ""
    meter: str = ""
    likely_below: float = 0.0
    bench: Bench | None = None
    _open: Prompt | None = None

    def __post_init__(self) -> None:
        if not self.events:
            self.events = [ev.Opened(at="t", tree=self.tree.id, tree_hash=self.tree.hash)]
        self._keep(follow(self.position, self.context, Accepted()))

    @property
    def position(self) -> Position:
        return Position(self.tree, "case-1", tuple(self.events))

    @property
    def state(self) -> State:
        return self.position.state

    @property
    def context(self) -> Context:
        bench = self.bench or Bench(likely_below=self.likely_below)
        return Context(now="2026-02-11T10:00:00Z", bench=bench, meter=self.meter)

    @property
    def prompt(self) -> Prompt:
        return self._open or next_prompt(self.position, self.context)

    def type(self, *lines: str) -> Prompt:
        for line in lines:
            prompt = self.prompt
            self.asked.append(prompt)
            result = reply(self.position, self.context, prompt, read_typed(prompt, line))
            again = reply(self.position, self.context, prompt, read_typed(prompt, line))
            assert again == result or isinstance(result, Refused)
            if isinstance(result, Ask):
                self._open = result.prompt
                self.told += result.prompt.messages
            elif isinstance(result, Refused):
                self.refusals.append(result.error.message)
            elif isinstance(result, Show):
                self.views.append(result.view)
            else:
                self._open = None
                self._keep(result)
        return self.prompt

    def _keep(self, result: Accepted) -> None:
        self.events += result.events
        self.told += result.messages
        self.left = self.left or result.leave
        self.onward = result.onward or self.onward
        if result.meter is not None:
            self.meter = result.meter

    @property
    def said(self) -> str:
        return "\n".join(message.text for message in self.told)


LAMP: dict[str, Any] = {
    "title": "A lamp, dark",
    "family": "lamp",
    "start": "plug",
    "modules": ["holder", "lead"],
    "cautions": ["mains"],
    "steps": {
        "plug": {"ask": "Is it plugged in?", "answers": {"yes": "unplug", "no": "not-plugged"}},
        "unplug": {"do": "Pull the plug", "then": "bulb", "wait": "2 s"},
        "bulb": {
            "measure": "Resistance of the bulb",
            "in_circuit": "never",
            "cautions": ["hot", "live"],
            "limits": {"min": "10 ohm", "max": "100 ohm", "source": "marked on it"},
            "results": {"low": "shorted", "inside": "contact", "high": "burnt"},
        },
        "contact": {
            "ask": "Is the contact clean?",
            "answers": {"clean": "elsewhere", "dirty": "loose"},
        },
    },
    "faults": {
        "not-plugged": {"title": "Not plugged in", "remedy": "Plug it in."},
        "burnt": {
            "title": "Bulb burnt",
            "remedy": "Replace it.",
            "confirm": {"step": "bulb", "gives": "inside"},
        },
        "shorted": {"title": "Bulb shorted", "remedy": "Replace it."},
        "loose": {
            "title": "Contact loose",
            "remedy": "Bend it.",
            "evidence": [{"kind": "reported", "source": "a visitor"}],
        },
    },
    "stops": {"elsewhere": {"title": "Beyond this tree", "reason": "out-of-scope"}},
}

CAUTIONS = {
    "mains": {"signal": "WARNING", "text": "Pull the plug.", "covers": ["voltage"]},
    "hot": {"signal": "CAUTION", "text": "It stays hot.", "covers": ["heat"]},
    "live": {"signal": "DANGER", "text": "It can kill.", "covers": ["voltage"]},
}


def lamp(**more: Any) -> Tree:
    return build(
        {
            "id": "lamp/dark",
            "tree": {**LAMP, **more},
            "procedures": {},
            "cautions": CAUTIONS,
            "instruments": {},
        }
    )
