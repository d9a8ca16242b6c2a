"""A piece of a tree file to fill in, where what is missing is a test that nobody has named yet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from faulttree.authoring.targets import targets
from faulttree.tree.edit import block
from faulttree.tree.ids import free_id

if TYPE_CHECKING:
    from faulttree.tree.model import Tree

__all__ = ["FILL_IN", "to_tell_apart"]

FILL_IN = "FILL IN"
"""What stands where only the author knows the words."""


def to_tell_apart(tree: Tree, faults: Sequence[str]) -> Mapping[str, Any]:
    """A question between faults as YAML, and the targets that would lead to it.

    Args:
        tree: the tree.
        faults: ids of the faults that are taken for one another.

    Returns:
        ``step`` its id, ``fragment`` the text to go under ``steps``, ``instead`` the places of
        the file that lead to one of the faults now.
    """
    data = tree.bundle["tree"]
    step = free_id(f"tell-{faults[0]}-apart", {*data["steps"], *data["faults"], *data["stops"]})
    titles = " or ".join(f"“{tree.faults[fault].title}”" for fault in faults)
    asked = {
        "ask": f"{FILL_IN}: what differs between {titles}?",
        "how": f"{FILL_IN}: where to look or measure, and what to hold it against",
        "minutes": 5,
        "answers": {f"as-{fault}": fault for fault in faults},
    }
    led = {".".join(map(str, keys)): target for keys, target in targets(data) if target in faults}
    lines = [
        "# Under `steps:`. Fill in the words, give the answers words of their own, and lead what",
        "# cannot be told to a stop. A reading has `measure`, `limits` and `results` instead.",
        *block(step, asked, 2, 2),
        f"# Then let these places say `{step}`:",
        *(f"#   {place}: {target}" for place, target in led.items()),
    ]
    return {"step": step, "fragment": "\n".join(lines) + "\n", "instead": led}
