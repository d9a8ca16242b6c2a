"""A session driven by typed lines, without a screen."""

from __future__ import annotations

from dataclasses import dataclass, field

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
from faulttree.tree import Tree
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
