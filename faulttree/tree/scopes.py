"""Where names hold: the tree itself, and each use of a procedure, one inside another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from faulttree.tree.model import Kind, Role, Where

KINDS: tuple[Kind, ...] = ("ask", "measure", "do", "use")
CLOSING = "closing"
BEFORE_POWER = "before-power"


@dataclass(slots=True)
class NameScope:
    """What a use says of every step inside it."""

    access: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    live: bool = False
    in_circuit: Any = None
    source: str = ""
    on: tuple[str, ...] = ()
    charges: tuple[str, ...] | None = None


@dataclass(slots=True)
class ScopeEntry:
    """What a use says of the first step inside it."""

    how: str = ""
    wait: float | None = None
    minutes: float | None = None
    stop_if: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


@dataclass(slots=True)
class Scope:
    """One document at work: the tree itself, or a procedure for one use."""

    document: str
    steps: Mapping[str, Mapping[str, Any]]
    start: str = ""
    prefix: str = ""
    use: str | None = None
    procedure: str = ""
    exits: tuple[str, ...] = ()
    targets: Mapping[str, str] = field(default_factory=dict)
    takes: tuple[str, ...] = ()
    given: Mapping[str, Any] = field(default_factory=dict)
    parent: Scope | None = None
    where: Where = field(default_factory=lambda: Where("tree", ()))
    cautions: tuple[str, ...] = ()
    holds: NameScope = field(default_factory=NameScope)
    entry: ScopeEntry = field(default_factory=ScopeEntry)
    role: Role = "finding"
    discharges: tuple[str, ...] = ()
    proves_dead: tuple[str, ...] = ()
    cells_known: tuple[str, ...] = ()
    uses: dict[str, Scope] = field(default_factory=dict)

    def chain(self) -> list[str]:
        """The procedures at work here, outermost first."""
        above = self.parent.chain() if self.parent else []
        return [*above, self.procedure] if self.procedure else above

    def resolve(self, name: str) -> tuple[str, tuple[tuple[str, str], ...]]:
        """Where a target leads, and the exits taken on the way."""
        scope = self
        leaves: list[tuple[str, str]] = []
        while name not in scope.steps and scope.use is not None and name in scope.exits:
            leaves.append((scope.use, name))
            if scope.use.startswith(f"{CLOSING}.") and scope.parent and scope.parent.use is None:
                return f"{scope.use}:{name}", tuple(leaves)
            if name not in scope.targets or scope.parent is None:
                return f"{scope.use}:{name}", tuple(leaves)
            name, scope = scope.targets[name], scope.parent
        while name in scope.uses:
            scope = scope.uses[name]
            name = scope.start
        return (scope.prefix + name if name in scope.steps else name), tuple(leaves)

    def pending(self, name: str) -> bool:
        """Whether a step is named that is not emitted yet."""
        head, _, rest = name.partition(".")
        if rest:
            return head in self.uses and self.uses[head].pending(rest)
        return head in self.steps

    def all_steps(self) -> Iterator[str]:
        """Full ids of the steps here and in the procedures used here, in order."""
        for name in self.steps:
            if name in self.uses:
                yield from self.uses[name].all_steps()
            else:
                yield self.prefix + name


def kind_of(raw: Mapping[str, Any]) -> Kind:
    """Which of the four kinds of step this is; a question where it does not say."""
    for kind in KINDS:
        if kind in raw:
            return kind
    return "ask"
