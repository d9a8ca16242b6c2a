"""Rules about order: minutes are spent where they tell most."""

from __future__ import annotations

from collections.abc import Iterator

from faulttree.rules.context import RuleContext
from faulttree.rules.registry import rule
from faulttree.rules.test_comparison import settling
from faulttree.tree.finding import Finding

WORTH_SAYING = 2.0
"""Minutes below which an order is a matter of taste. Common practice, no source."""


@rule("order", "warning")
def costly_before_cheap(subject: RuleContext) -> Iterator[Finding]:
    """A step that takes long comes before one that takes less and tells as much about the
    faults still possible (in bits, by their weights, signs and ways). The minutes are those
    of both steps, with what each needs first and the other does not: states of the unit and
    things to be done.

    Example:
        winding: {measure: Winding, one end free, minutes: 12, …}
        fuse:    {ask: Is the fuse intact?, minutes: 1, …}      # tells as much
    """
    compared = subject.remembered(settling)
    if compared is None:
        return
    best: dict[str, tuple[float, str]] = {}
    for early, late, saved in compared.cheaper(WORTH_SAYING):
        if saved > best.get(early, (0.0, ""))[0]:
            best[early] = saved, late
    for early, (saved, late) in best.items():
        yield Finding(
            subject.tree.steps[early].where,
            f"`{late}` tells as much as `{early}` and takes {saved:.3g} minutes less.",
            f"Ask `{late}` first.",
            of_key=True,
        )
