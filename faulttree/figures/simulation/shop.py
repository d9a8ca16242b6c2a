"""Parameters of an invented shop: benches, error rates, true share of each fault."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from faulttree.tree.model import Tree


INVENTED = "(invented)"


@dataclass(frozen=True)
class Shop:
    """The parameters of the shop; all chances 0 to 1.

    Attributes:
        seed: the same shop with the same seed has the same record.
        begins: day of the first case; cases come evenly over ``months``.
        benches: who takes cases in, and the share of each.
        slip: an outcome is taken wrongly. skip: a step is skipped. back: an answer is gone
            back on. unsure: a reading is undecided. gives_up: at each step, the walk ends.
        returns: a repaired unit comes in again within three months.
        unknown: the cause is not in the tree.
        drift: how many times as common one fault of each tree becomes; 1 for no drift.
        shares: tree → fault → share; the weights of a tree that is not named.
    """

    seed: int = 1
    begins: str = "2024-01-08"
    months: int = 24
    benches: Mapping[str, float] = field(
        default_factory=lambda: {
            f"bench A {INVENTED}": 0.5,
            f"bench B {INVENTED}": 0.3,
            f"bench C {INVENTED}": 0.2,
        }
    )
    slip: float = 0.015
    skip: float = 0.02
    back: float = 0.01
    unsure: float = 0.01
    gives_up: float = 0.006
    returns: float = 0.05
    unknown: float = 0.03
    drift: float = 4.0
    shares: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


def shares(shop: Shop, tree: Tree, part: float) -> dict[str, float]:
    """The true share of each fault when ``part`` (0 to 1) of the time has passed.

    One fault that is not the commonest grows steadily to ``drift`` times its weight.
    """
    given = shop.shares.get(tree.id)
    weights = (
        dict(given)
        if given
        else {
            name: max(fault.weight if fault.weight is not None else 1.0, 0.05)
            for name, fault in tree.faults.items()
        }
    )
    growing = grows(shop, tree)
    if growing in weights:
        weights[growing] *= 1 + (shop.drift - 1) * part
    whole = sum(weights.values())
    return {name: weight / whole for name, weight in weights.items()}


def grows(shop: Shop, tree: Tree) -> str:
    """The fault that becomes commoner in this shop; empty if there is none."""
    if shop.drift == 1 or len(tree.faults) < 2:
        return ""
    drawn = random.Random(f"{shop.seed}/{tree.id}/grows")  # noqa: S311
    led = [name for name in tree.faults if name not in tree.loose]
    return drawn.choice(led[1:] or led)
