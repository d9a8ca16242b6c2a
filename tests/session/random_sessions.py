"""Sessions at random: whatever somebody may type at a prompt, in any order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from random import Random

from faulttree.session import (
    Accepted,
    Ask,
    Context,
    Position,
    Prompt,
    Refused,
    follow,
    next_prompt,
    read_typed,
    reply,
)
from faulttree.tree import Tree
from faulttree.walk import events as ev

MOVES: Mapping[str, int] = {
    "answer": 70, "skip": 5, "go": 5, "back": 4, "correct": 5, "pause": 5, "repaired": 2,
    "give up": 1, "note": 3,
}  # fmt: skip
"""Word → how often it is typed, beside the others."""

CONTEXT = Context(now="2026-02-11T10:00:00Z", brief=True)


@dataclass
class Session:
    """A session at work, driven by typed lines only."""

    tree: Tree
    random: Random
    moves: Mapping[str, int] = field(default_factory=lambda: MOVES)
    typed: list[str] = field(default_factory=list)
    pauses: int = 0

    def __post_init__(self) -> None:
        models = {model for one in self.tree.properties.values() for model in one.models}
        unit = {"model": self.random.choice(["", *sorted(models)])}
        opened = ev.Opened(tree=self.tree.id, tree_hash=self.tree.hash, unit=unit)
        self.position = Position(self.tree, "c", (opened,))
        self.open: Prompt | None = None
        self._keep(follow(self.position, CONTEXT, Accepted()))

    @property
    def prompt(self) -> Prompt:
        """What is asked now."""
        return self.open or next_prompt(self.position, CONTEXT)

    def _keep(self, result: Accepted) -> None:
        self.open = None
        self.position = self.position.after(*result.events)
        if result.leave:
            # Taken up again later: from the record alone.
            self.pauses += 1
            self.position = Position(self.tree, "c", self.position.events)
            self._keep(follow(self.position, CONTEXT, Accepted()))

    def move(self) -> None:
        """Type one line."""
        prompt = self.prompt
        word = self.random.choices(list(self.moves), list(self.moves.values()))[0]
        line = answer_to(prompt, self.random)
        if word != "answer" and word in prompt.actions:
            line = f"{word} {self._behind(word)}".strip()
        self.typed.append(line)
        result = reply(self.position, CONTEXT, prompt, read_typed(prompt, line))
        if isinstance(result, Accepted):
            self._keep(result)
        elif isinstance(result, Ask):
            self.open = result.prompt
        elif isinstance(result, Refused) and self.open is not None:
            self.open = None  # As after "back": a sub-question has recorded nothing.

    def _behind(self, word: str) -> str:
        """What is typed behind a word."""
        if word == "go":
            return self.random.choice(list(self.tree.diagnostic))
        if word == "correct":
            return str(self.random.randint(1, max(1, len(self.position.state.visits))))
        if word == "repaired":
            return self.random.choice(list(self.tree.faults))
        return "no time" if word in ("skip", "note") else ""


def answer_to(prompt: Prompt, random: Random) -> str:
    """A line that answers a prompt."""
    step = prompt.step
    if prompt.kind in ("step", "correct") and step is not None and step.kind != "do":
        normal = [step.normal_outcome] if step.normal_outcome else []
        return random.choice([*step.targets, *normal])
    if prompt.choices:
        return random.choice([one.id for one in prompt.choices])
    return "" if prompt.kind in ("cautions", "step", "correct") else "replaced"


def random_session(tree: Tree, seed: int, length: int, moves: Mapping[str, int] = MOVES) -> Session:
    """A session of that many lines, the same for the same seed."""
    session = Session(tree, Random(seed), moves)
    for _ in range(length):
        if session.prompt.kind == "done":
            break
        session.move()
    return session
