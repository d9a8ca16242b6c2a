"""The graph of a tree: what leads where, and what every path to a step passes.

Every question about paths is answered here, for the walk, the odds, the rules, authoring and
the review. A step *dominates* another when every path from the start to the other passes it:
such a step cannot be left out by a jump, a plan or a new order.

* Edges are the outcomes of all steps and those of ``stop_if``.
* The checks before power (``before_power``) are a block of their own: each check leads to the
  next one by its passing exit, and past the last one the unit may get power. A check with a
  ``when`` may be left out, so it dominates nothing. The block stands before every live step,
  and before each step that no path reaches without a live step.

What is decided where older searches differed:

* An outcome that leads back to its own step, or to a dominator of it, opens nothing: no fault
  lies beyond it. Where a cycle has two entrances, each outcome is followed without its own
  step; before, the result depended on the order of the search.
* What comes before a step stands in the order in which a walk meets it. Before, the fault
  table gave unpowered actions in the order in which its search left them.
* A step that ``stop_if`` can end as unsafe is a safety check, as by an outcome.
* Nothing is before a step of the closing: the closing has an order of its own. The walk leaves
  out the checks before power here, because it asks them in each round.

The dominators are computed here and not by networkx: importing networkx takes 0.25 s, and a
walk needs them before it shows its first question. The tests compare both.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Iterable, Iterator, Mapping
from functools import cached_property, lru_cache, reduce
from heapq import heappop, heappush
from typing import Any, TypeVar

from faulttree.tree.model import Tree, Use
from faulttree.tree.safety import is_check, is_guard

Node = TypeVar("Node", bound=Hashable)
Edges = Mapping[Node, Iterable[Node]]
"""Node → the nodes that it leads to. A node without an entry leads nowhere."""


def reach(
    onward: Edges[Node], first: Iterable[Node], without: Collection[Node] = ()
) -> dict[Node, int]:
    """The nodes that can be reached, each with the least number of edges to it.

    Args:
        onward: the edges.
        first: where to begin; these are reached by 0 edges.
        without: nodes that no path may pass, not even begin with.

    Returns:
        Node → number of edges, in breadth-first order.

    Example:
        >>> reach({"a": ["b"], "b": ["c", "a"]}, ["a"])
        {'a': 0, 'b': 1, 'c': 2}
    """
    found = dict.fromkeys((name for name in first if name not in without), 0)
    queue = list(found)
    for name in queue:
        for target in onward.get(name, ()):
            if target not in found and target not in without:
                found[target] = found[name] + 1
                queue.append(target)
    return found


def reversed_edges(onward: Edges[Node]) -> dict[Node, list[Node]]:
    """Node → the nodes that lead to it.

    Example:
        >>> reversed_edges({"a": ["c"], "b": ["c"]})
        {'c': ['a', 'b']}
    """
    into: dict[Node, list[Node]] = {}
    for name, targets in onward.items():
        for target in targets:
            into.setdefault(target, []).append(name)
    return into


def immediate_dominators(onward: Edges[Node], start: Node) -> dict[Node, Node]:
    """Node → the last node that every path from the start to it passes.

    The start and nodes that no path reaches have none and are left out.

    Source: K. D. Cooper, T. J. Harvey, K. Kennedy, "A Simple, Fast Dominance Algorithm",
    Rice University TR-06-33870 (2006), figure 3.

    Example:
        >>> immediate_dominators({"a": ["b", "c"], "b": ["d"], "c": ["d"]}, "a")
        {'c': 'a', 'b': 'a', 'd': 'a'}
    """
    number = _postorder(onward, start)
    into = reversed_edges({name: onward.get(name, ()) for name in number})
    above = {start: start}

    def meet(one: Node, other: Node) -> Node:
        while one != other:
            while number[one] < number[other]:
                one = above[one]
            while number[other] < number[one]:
                other = above[other]
        return one

    changed = True
    while changed:
        changed = False
        for name in reversed(number):
            if name != start:
                nearest = reduce(meet, (before for before in into[name] if before in above))
                changed |= above.get(name) != nearest
                above[name] = nearest
    del above[start]
    return above


def dominators(above: Mapping[Node, Node], node: Node) -> tuple[Node, ...]:
    """What every path to a node passes, first to last, without the start and the node itself.

    Args:
        above: the immediate dominators.
        node: any node; none of another graph has dominators.

    Example:
        >>> dominators({"b": "a", "c": "b", "d": "c"}, "d")
        ('b', 'c')
    """
    found: list[Node] = []
    while node in above:
        node = above[node]
        found.append(node)
    return tuple(reversed(found[:-1]))


def cycles(
    onward: Edges[Node], rank: Callable[[Node], Any]
) -> Iterator[tuple[Collection[Node], list[Node]]]:
    """The groups of nodes that lead back to one another, each with a shortest cycle.

    A group is a strongly connected component with an edge inside.

    Args:
        onward: the edges.
        rank: the cycle goes through the node of the least rank in the group and begins there.

    Example:
        >>> list(cycles({"a": ["b"], "b": ["c", "a"]}, str))
        [({'a', 'b'}, ['a', 'b'])]
    """
    if _sorted(onward, onward.keys()) is not None:
        return
    import networkx as nx

    edges = [(name, target) for name, targets in onward.items() for target in targets]
    graph: nx.DiGraph[Node] = nx.DiGraph(edges)
    for group in nx.strongly_connected_components(graph):
        first = min(group, key=rank)
        back = nx.single_target_shortest_path(graph.subgraph(group), first)
        ways = [back[name] for name in graph.successors(first) if name in group]
        if ways:
            yield group, [first, *min(ways, key=len)[:-1]]


def _postorder(onward: Edges[Node], start: Node) -> dict[Node, int]:
    """Reached nodes, numbered as a depth-first search leaves them."""
    number: dict[Node, int] = {}
    seen, stack = {start}, [(start, iter(onward.get(start, ())))]
    while stack:
        rest = stack[-1][1]
        target = next((one for one in rest if one not in seen), None)
        if target is None:
            number[stack.pop()[0]] = len(number)
        else:
            seen.add(target)
            stack.append((target, iter(onward.get(target, ()))))
    return number


def _sorted(onward: Edges[Node], nodes: Collection[Node]) -> tuple[Node, ...] | None:
    """Some nodes, each before those of them that it leads to; None where there is a cycle."""
    from graphlib import CycleError, TopologicalSorter

    sorter: TopologicalSorter[Node] = TopologicalSorter(dict.fromkeys(nodes, ()))
    for name in nodes:
        for target in onward.get(name, ()):
            if target in nodes:
                sorter.add(target, name)
    try:
        return tuple(sorter.static_order())
    except CycleError:
        return None


class TreeGraph:
    """The graph of one tree; each part is computed once, when it is first asked for.

    Args:
        tree: the tree. Get the graph of a tree by :func:`graph_of`, which keeps it.

    Example:
        >>> graph = graph_of(tree)  # doctest: +SKIP
        >>> graph.before("reservoir-voltage")  # doctest: +SKIP
        ('look-over.look', 'fuse')
    """

    def __init__(self, tree: Tree) -> None:
        self.tree = tree

    @cached_property
    def _power(self) -> tuple[tuple[Use, bool], ...]:
        """The checks before power in order, each with whether it may be left out."""
        uses, checks = self.tree.uses, self.tree.before_power
        return tuple((uses[one.use], bool(one.when)) for one in checks if one.use in uses)

    @cached_property
    def targets(self) -> Mapping[str, Mapping[str, str]]:
        """Step → outcome → node. The passing exit of a check before power leads to a gate."""
        found = {step.id: dict(step.targets) for step in self.tree.steps.values()}
        for at, (use, _) in enumerate(self._power):
            for name in use.steps:
                for outcome in found[name]:
                    if (use.id, use.passes) in self.tree.steps[name].leaves.get(outcome, ()):
                        found[name][outcome] = _gate(at + 1)
        return found

    @cached_property
    def onward(self) -> Mapping[str, tuple[str, ...]]:
        """Node → what its outcomes and its ``stop_if`` lead to, without repetition.

        ``BEGIN`` leads to whatever a walk may begin with.
        """
        tree, steps = self.tree, self.tree.steps.values()
        closing = [tree.uses[name].start for name in tree.closing if name in tree.uses]
        closing += [step.id for step in steps if step.role == "close"]
        edges: dict[str, tuple[str, ...]] = {BEGIN: (tree.start, *closing, _gate(0))}
        for at, (use, may_be_left_out) in enumerate(self._power):
            edges[_gate(at)] = (use.start, *([_gate(at + 1)] if may_be_left_out else []))
        edges[_gate(len(self._power))] = (tree.start,)
        for step in steps:
            stops = (target for by_value in step.stop_if.values() for target in by_value.values())
            edges[step.id] = tuple(dict.fromkeys((*self.targets[step.id].values(), *stops)))
        return edges

    @cached_property
    def into(self) -> Mapping[str, list[str]]:
        """Node → the nodes that lead to it."""
        return reversed_edges(self.onward)

    @cached_property
    def reached(self) -> Mapping[str, int]:
        """Node → the least number of edges from where a walk begins; only what it can reach."""
        found = reach(self.onward, [BEGIN])
        return {name: far - 1 for name, far in found.items() if not _is_virtual(name)}

    def beyond(self, *nodes: str, without: Collection[str] = ()) -> Collection[str]:
        """Nodes that a walk can reach from some nodes, these included.

        Args:
            nodes: where to begin.
            without: nodes that the walk does not pass.
        """
        return reach(self.onward, nodes, without).keys()

    def leading_to(self, node: str) -> Collection[str]:
        """Every node from which a walk can reach a node, itself included."""
        return reach(self.into, [node]).keys()

    def ends(self, node: str) -> tuple[str, ...]:
        """The faults, then the stops, that a walk can reach from a node."""
        found = self.beyond(node)
        return tuple(name for name in (*self.tree.faults, *self.tree.stops) if name in found)

    # -- cycles ------------------------------------------------------------------------

    @cached_property
    def order(self) -> tuple[str, ...] | None:
        """What a walk can reach, each node before what it leads to; None with a cycle."""
        return self.full_order and tuple(name for name in self.full_order if not _is_virtual(name))

    @cached_property
    def full_order(self) -> tuple[str, ...] | None:
        """The same with the nodes between the checks before power."""
        return _sorted(self.onward, self.beyond(BEGIN))

    @cached_property
    def has_cycle(self) -> bool:
        """Whether steps lead back to one another, reached or not."""
        return _sorted(self.onward, self.onward.keys()) is None

    # -- what lies beyond an outcome ---------------------------------------------------

    def faults_beyond(self, step: str, outcome: str) -> frozenset[str]:
        """Faults that a walk can find after an outcome without going back.

        An outcome goes back if it leads to the step itself or to one before it on every path.
        Nothing lies beyond it, nor beyond an outcome of a step that no path reaches.
        """
        target = self.targets[step][outcome]
        if step not in self.reached or target not in self._forward.get(step, ()):
            return frozenset()
        if self._forward_order is not None:
            return self._faults[target]
        # A cycle that can be entered at two steps: which edge goes back depends on the path.
        return frozenset(reach(self._forward, [target], (step,)).keys() & self.tree.faults.keys())

    @cached_property
    def _forward(self) -> Mapping[str, tuple[str, ...]]:
        """The edges that do not go back."""
        if self.full_order is not None:
            return self.onward
        return {
            name: tuple(one for one in targets if one not in {name, *self._above(name)})
            for name, targets in self.onward.items()
        }

    @cached_property
    def _forward_order(self) -> tuple[str, ...] | None:
        return self.full_order or _sorted(self._forward, self.beyond(BEGIN))

    @cached_property
    def _faults(self) -> Mapping[str, frozenset[str]]:
        found: dict[str, frozenset[str]] = {}
        for name in reversed(self._forward_order or ()):
            own = frozenset([name] if name in self.tree.faults else ())
            found[name] = own.union(*(found[target] for target in self._forward.get(name, ())))
        return found

    # -- what every path passes --------------------------------------------------------

    def before(self, node: str) -> tuple[str, ...]:
        """The steps that every path to a node passes, first to last, itself left out.

        Empty for a node that no path reaches, and for the steps of the closing: these are
        asked in their own order, after the repair.
        """
        step = self.tree.steps.get(node)
        if node not in self.reached or (step and step.role in ("closing", "close")):
            return ()
        block = () if node in self._without_power else self._above(_gate(len(self._power)))
        return (*block, *self._above(node))

    def passes(self, first: str, then: str) -> bool:
        """Whether a path reaches a step, and each such path passes another one before."""
        return first in self.before(then)

    def checks_before(self, node: str) -> tuple[str, ...]:
        """What no order may put behind a node: the safety checks that every path to it passes.

        A first step that reproduces the complaint is one of them.
        """
        return tuple(name for name in self.before(node) if name in self._checks)

    def guards_before(self, node: str) -> tuple[str, ...]:
        """The steps on every path to a node that may find the unit unsafe."""
        return tuple(name for name in self.before(node) if name in self._guards)

    def preparations_before(self, node: str) -> tuple[str, ...]:
        """The unpowered ``do`` steps on every path to a node ("discharge it").

        Whoever jumps to the node must do them first: to leave one out could hurt.
        """
        steps = self.tree.steps
        before = (steps[name] for name in self.before(node))
        return tuple(step.id for step in before if step.kind == "do" and not step.live)

    @cached_property
    def _guards(self) -> frozenset[str]:
        tree = self.tree
        return frozenset(name for name, step in tree.steps.items() if is_guard(tree, step))

    @cached_property
    def _checks(self) -> frozenset[str]:
        tree = self.tree
        return frozenset(name for name, step in tree.steps.items() if is_check(tree, step))

    @cached_property
    def _without_power(self) -> Collection[str]:
        """What a walk can reach without a live step; all where nothing is checked before one."""
        if not self._power:
            return self.reached.keys()
        live = [s.id for s in self.tree.steps.values() if s.live and s.role == "finding"]
        return self.beyond(BEGIN, without=live)

    @cached_property
    def _dominators(self) -> Mapping[str, str]:
        return immediate_dominators(self.onward, BEGIN)

    def _above(self, node: str) -> tuple[str, ...]:
        """The steps above a node in the tree of dominators, first to last."""
        found = dominators(self._dominators, node)
        return tuple(name for name in found if name in self.tree.steps)

    # -- paths of outcomes -------------------------------------------------------------

    def path_through(
        self, use: Use, leaving: str | None = None, *, minutes: bool = False
    ) -> dict[str, str]:
        """The shortest path through a procedure, as step → outcome; empty where there is none.

        Args:
            use: the procedure at work.
            leaving: the exit that it must end with; None for any.
            minutes: the path of the least minutes, not of the fewest outcomes.
        """
        inside = {name: self.tree.steps[name] for name in use.steps if name in self.tree.steps}
        cost = {name: step.cost if minutes else 1.0 for name, step in inside.items()}
        heap = [(cost[name], 0, name, dict[str, str]()) for name in [use.start] if name in inside]
        settled, turn = set[str](), 0
        while heap:
            spent, _, name, path = heappop(heap)
            if name in settled:
                continue
            settled.add(name)
            for outcome, target in inside[name].targets.items():
                exits = [
                    exit_ for left, exit_ in inside[name].leaves.get(outcome, ()) if left == use.id
                ]
                if exits and leaving in (None, *exits):
                    return {**path, name: outcome}
                if target in inside:
                    turn += 1
                    heappush(heap, (spent + cost[target], turn, target, {**path, name: outcome}))
        return {}


BEGIN = "<begin>"
"""Where every walk begins; no step can have such a name."""


def _gate(number: int) -> str:
    """A node between two checks before power."""
    return f"<gate {number}>"


def _is_virtual(node: str) -> bool:
    return node.startswith("<")


class TreeKey:
    """A tree as a key of a cache, by identity: to compare two texts costs more than a graph."""

    __slots__ = ("tree",)

    def __init__(self, tree: Tree) -> None:
        self.tree = tree

    def __hash__(self) -> int:
        return id(self.tree)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, TreeKey) and self.tree is other.tree


def graph_of(tree: Tree) -> TreeGraph:
    """The graph of a tree; kept for the last trees asked for.

    Example:
        >>> graph_of(tree).checks_before("open-lid")  # doctest: +SKIP
        ('look-over.look',)
    """
    return _graph_of(TreeKey(tree))


@lru_cache(maxsize=16)
def _graph_of(key: TreeKey) -> TreeGraph:
    return TreeGraph(key.tree)
