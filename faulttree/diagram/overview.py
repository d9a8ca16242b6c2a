"""A whole library in one picture: families, their trees, the modules that trees can clear."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from faulttree.diagram.box_text import fault_facts
from faulttree.diagram.chart import Box, Chart, Link
from faulttree.diagram.escape import plain, plain_lines
from faulttree.tree.model import Tree


def overview_chart(trees: Iterable[Tree], families: Mapping[str, Any], title: str) -> Chart:
    """The chart of a library.

    Args:
        trees: every tree of it.
        families: what ``shared/families.yaml`` says, by family.
        title: names the library.
    """
    boxes: dict[str, Box] = {}
    links: dict[tuple[str, str], Link] = {}
    served: dict[str, set[str]] = {}
    for tree in sorted(trees, key=lambda tree: tree.id):
        family = f"family {tree.family}"
        boxes.setdefault(family, _family(tree.family, families.get(tree.family)))
        boxes[tree.id] = _tree(tree)
        links[family, tree.id] = Link(family, tree.id)
        for module in tree.named_modules:
            links[tree.id, f"module {module}"] = Link(tree.id, f"module {module}")
            served.setdefault(module, set()).add(tree.family)
    for module, within in served.items():
        shared = (f"in {len(within)} families",) if len(within) > 1 else ()
        tip = f"{plain(module)}: {', '.join(map(plain, sorted(within)))}"
        key = f"module {module}"
        boxes[key] = Box(key, "module", plain(module), facts=shared, tip=tip)
    loose = []
    for name, family_data in families.items():
        key = f"family {name}"
        if key not in boxes:
            boxes[key] = _family(name, family_data)
            loose.append(key)
    told = f"{sum(box.kind == 'tree' for box in boxes.values())} trees"
    return Chart(
        title=plain(title),
        subtitle=f"families, trees, modules · {told}",
        boxes=boxes,
        links=tuple(links.values()),
        loose=tuple(loose),
        loose_heading="Families without a tree yet",
        legend=("family", "tree", "module"),
    )


def _family(name: str, data: Any) -> Box:
    known = data if isinstance(data, Mapping) else {}
    complaints = known.get("complaints", ())
    said = ", ".join(map(plain, complaints)) if isinstance(complaints, list | tuple) else ""
    title = plain(known.get("title", name))
    return Box(
        f"family {name}",
        "family",
        title,
        head=plain(name),
        tip=plain_lines(f"{title}\n{said}") if said else title,
    )


def _tree(tree: Tree) -> Box:
    steps = len([name for name in tree.diagnostic if tree.steps[name].use is None])
    steps += len([use for use in tree.uses.values() if use.parent is None]) - len(tree.closing)
    loose = f", {len(tree.loose)} not led to" if tree.loose else ""
    faults = "\n".join(
        " · ".join((plain(fault.title), *fault_facts(fault))) for fault in tree.faults.values()
    )
    return Box(
        tree.id,
        "tree",
        plain(tree.title),
        head=plain(tree.id),
        facts=(f"{steps} steps, {len(tree.faults)} faults{loose}",),
        tip=f"{plain(tree.title)}\n{faults}",
    )
