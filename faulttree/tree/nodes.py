"""Nodes of a YAML text, composed in C within bounds, and ways through them."""

from __future__ import annotations

from typing import Any

from yaml.cyaml import CParser  # type: ignore[attr-defined]
from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

MAX_NODES = 50_000
"""Keys and values, each alias counted as what it stands for."""

MAX_DEPTH = 40
"""Levels of nesting; the deepest file of the format needs about ten."""

PLAIN = "plain"
QUOTED = "quoted"


class RefusedError(Exception):
    """Composing or building went over a bound."""

    def __init__(self, message: str, remedy: str, node: Node | None = None) -> None:
        super().__init__(message)
        self.message, self.remedy, self.node = message, remedy, node


class Composer(CParser):
    """Composes nodes in C; tags are only whether a scalar was plain."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.depth = 0
        self.nodes = 0

    def descend_resolver(self, parent: Node | None, index: Any) -> None:
        """Called before each node, before the C code goes deeper."""
        self.depth += 1
        self.nodes += 1
        if self.depth > MAX_DEPTH or self.nodes > MAX_NODES:
            raise too_deep(parent) if self.depth > MAX_DEPTH else too_many(parent)

    def ascend_resolver(self) -> None:
        """Called after each node."""
        self.depth -= 1

    def resolve(self, kind: type[Node], value: str, implicit: Any) -> str:
        """The tag of a node that has none written."""
        return PLAIN if kind is not ScalarNode or implicit[0] else QUOTED


def too_deep(node: Node | None) -> RefusedError:
    return RefusedError(
        f"Nested deeper than {MAX_DEPTH} levels.", "No file of a library needs that.", node
    )


def too_many(node: Node | None) -> RefusedError:
    return RefusedError(
        f"More than {MAX_NODES} keys and values.",
        "A tree is one complaint of one family; split it, or share procedures.",
        node,
    )


def child_of(node: Node | None, key: str | int) -> tuple[Node, Node] | None:
    """Key node and value node under a key or position; None where there is none."""
    if isinstance(node, SequenceNode):
        if isinstance(key, int) and 0 <= key < len(node.value):
            return node.value[key], node.value[key]
    elif isinstance(node, MappingNode):
        for key_node, value in node.value:
            if key_node.value == key:
                return key_node, value
    return None


def inside_of(node: Node) -> list[Node]:
    if isinstance(node, MappingNode):
        return [part for pair in node.value for part in pair]
    return list(node.value) if isinstance(node, SequenceNode) else []


def scalars_of(root: Node) -> list[ScalarNode]:
    found: dict[int, Node] = {}
    todo = [root]
    while todo:
        node = todo.pop()
        if id(node) not in found:
            found[id(node)] = node
            todo += inside_of(node)
    return [node for node in found.values() if isinstance(node, ScalarNode)]


def ring_in(root: Node) -> Node | None:
    """A node that holds itself through an alias, if there is one."""
    done: set[int] = set()
    way: list[tuple[Node, list[Node]]] = [(root, inside_of(root))]
    on_way = {id(root)}
    while way:
        node, rest = way[-1]
        if not rest:
            way.pop()
            on_way.discard(id(node))
            done.add(id(node))
            continue
        child = rest.pop()
        if id(child) in on_way:
            return child
        if id(child) not in done:
            on_way.add(id(child))
            way.append((child, inside_of(child)))
    return None
