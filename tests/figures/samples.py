"""Trees of the tests of figures, which stay as they are whatever ships.

A record that is drawn by chance from a tree is another one as soon as the tree changes. These
trees are older texts of shipped ones, each with the procedures it uses, so that the figures of a
seed stay the same.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import yaml

from faulttree.tree import Tree, build

NAMES = ("bench-supply/no-output", "usb-lamp/flickers", "tool-battery/runs-short")
FOLDER = Path(__file__).parent / "trees"


@cache
def sample_tree(name: str) -> Tree:
    """One of the sample trees, by the id of the shipped tree it was made from."""
    path = FOLDER / f"{name.replace('/', '-')}.yaml"
    return build(yaml.safe_load(path.read_text(encoding="utf-8")))
