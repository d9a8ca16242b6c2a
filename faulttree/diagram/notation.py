"""Charts as text in other people's languages: DOT for Graphviz, Mermaid for web pages."""

from __future__ import annotations

import re

from faulttree.diagram.chart import Box, Chart
from faulttree.diagram.escape import dot, mermaid
from faulttree.diagram.palette import ROLES
from faulttree.diagram.symbols import BODY
from faulttree.diagram.text_width import wrap

ROOM = 200.0
_NAME = re.compile(r"[a-z][a-z0-9.@-]*")

# Graphviz has no manual input; the next of ISO 5807 is the parallelogram: data.
_DOT_SHAPES = {
    "ask": {"shape": "diamond"},
    "measure": {"shape": "parallelogram"},
    "do": {"shape": "invtrapezium"},
    "use": {"shape": "box", "peripheries": "2"},
    "more": {"shape": "box", "peripheries": "2", "style": "filled,dashed"},
    "tree": {"shape": "box", "peripheries": "2"},
    "fault": {"shape": "box", "style": "filled,rounded", "penwidth": "2"},
    "stop": {"shape": "box", "style": "filled,rounded,dashed"},
    "start": {"shape": "box", "style": "filled,rounded"},
}

_MERMAID_SHAPES = {
    "ask": ("{", "}"),
    "measure": ("[/", "/]"),
    "do": ("[\\", "/]"),
    "use": ("[[", "]]"),
    "more": ("[[", "]]"),
    "tree": ("[[", "]]"),
    "fault": ("([", "])"),
    "stop": ("([", "])"),
    "start": ("([", "])"),
}


def _said(box: Box) -> str:
    """What a box says, in lines."""
    signals = [f"{signal or 'unknown'} {name}" for signal, name in box.signals]
    lines = [box.head, *signals, *wrap(box.text, ROOM, BODY), *box.facts, box.small, *box.told]
    badge = f"({box.badge})" if box.badge else ""
    return "\n".join(line for line in (*lines, badge) if line)


def as_dot(chart: Chart) -> str:
    """The chart in DOT, with its labels, shapes and colours."""
    import graphviz

    heads = (chart.title, chart.subtitle)
    graph = graphviz.Digraph(
        graph_attr={"label": dot("\n".join(filter(None, heads))), "labelloc": "t"},
        node_attr={"fontname": "sans-serif", "fontsize": "11", "style": "filled"},
        edge_attr={"fontname": "sans-serif", "fontsize": "10"},
    )
    # A name of a broken tree might hold a colon, which DOT takes for a port.
    names = {key: key if _NAME.fullmatch(key) else f"box{at}" for at, key in enumerate(chart.boxes)}
    for key, box in chart.boxes.items():
        role = ROLES[box.kind]
        marked = ROLES.get(box.mark, role)
        shape = {"shape": "box", **_DOT_SHAPES.get(box.kind, {})}
        if box.mark:
            shape["penwidth"] = f"{marked.width:g}"
        graph.node(
            names[key],
            label=dot(_said(box)),
            tooltip=dot(box.tip or box.text),
            color=marked.light,
            fillcolor=f"{role.light}1A",
            **shape,
        )
    for link in chart.links:
        marked = ROLES.get(link.mark, ROLES["edge"])
        graph.edge(
            names[link.tail],
            names[link.head],
            label=dot("\n".join(link.label)),
            color=marked.light,
            penwidth=f"{marked.width + 5 * (link.share or 0):.1f}",
            style="dashed" if marked.dash else "solid",
        )
    text: str = graph.source
    return text


def as_mermaid(chart: Chart) -> str:
    """The chart in Mermaid, with its labels, shapes and colours."""
    lines = ["flowchart TD"]
    names = {key: f"b{at}" for at, key in enumerate(chart.boxes)}
    for key, box in chart.boxes.items():
        left, right = _MERMAID_SHAPES.get(box.kind, ("[", "]"))
        lines.append(f'  {names[key]}{left}"{mermaid(_said(box))}"{right}:::{box.kind}')
    for link in chart.links:
        said = mermaid("\n".join(link.label))
        words = f'|"{said}"|' if said else ""
        arrow = "==>" if link.mark in ("walked", "new", "changed") else "-->"
        arrow = "-.->" if link.mark == "gone" else arrow
        lines.append(f"  {names[link.tail]} {arrow}{words} {names[link.head]}")
    for kind in dict.fromkeys(box.kind for box in chart.boxes.values()):
        role = ROLES[kind]
        dash = f",stroke-dasharray:{role.dash}" if role.dash else ""
        lines.append(
            f"  classDef {kind} fill:{role.light}1A,stroke:{role.light},"
            f"stroke-width:{role.width:g}px{dash}"
        )
    return "\n".join([*lines, ""])
