"""From what a meter shows to a verdict: quantities, limits, ratings, instruments, the rule.

Usable on its own; knows no trees. Everything a user can get wrong raises
:class:`~faulttree.errors.ReadingError`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily

if TYPE_CHECKING:
    from faulttree.reading.asking import judge_text
    from faulttree.reading.doubts import doubt
    from faulttree.reading.foresight import ask_before
    from faulttree.reading.forms import outcomes_of
    from faulttree.reading.instruments import Bench, Instrument, read_bench
    from faulttree.reading.judging import judge
    from faulttree.reading.limit_figures import formula_names
    from faulttree.reading.limits import Limits, limits_text
    from faulttree.reading.quantity import Quantity, parse_duration, parse_quantity, show
    from faulttree.reading.ratings import RATINGS, ratings_page
    from faulttree.reading.register import Parameter, Rating
    from faulttree.reading.resolving import resolve_limits
    from faulttree.reading.units import UNITS, parse_unit, unit_text
    from faulttree.reading.verdicts import Rule, Verdict

__all__ = [
    "RATINGS",
    "UNITS",
    "Bench",
    "Instrument",
    "Limits",
    "Parameter",
    "Quantity",
    "Rating",
    "Rule",
    "Verdict",
    "ask_before",
    "doubt",
    "formula_names",
    "judge",
    "judge_text",
    "limits_text",
    "outcomes_of",
    "parse_duration",
    "parse_quantity",
    "parse_unit",
    "ratings_page",
    "read_bench",
    "resolve_limits",
    "show",
    "unit_text",
]

__getattr__ = lazily(
    __name__,
    {
        "asking": ("judge_text",),
        "doubts": ("doubt",),
        "foresight": ("ask_before",),
        "forms": ("outcomes_of",),
        "instruments": ("Bench", "Instrument", "read_bench"),
        "judging": ("judge",),
        "limit_figures": ("formula_names",),
        "limits": ("Limits", "limits_text"),
        "quantity": ("Quantity", "parse_duration", "parse_quantity", "show"),
        "ratings": ("RATINGS", "ratings_page"),
        "register": ("Parameter", "Rating"),
        "resolving": ("resolve_limits",),
        "units": ("UNITS", "parse_unit", "unit_text"),
        "verdicts": ("Rule", "Verdict"),
    },
)
