"""From what a meter shows to a verdict: quantities, limits, ratings, instruments, the rule.

Usable on its own; knows no trees. Everything a user can get wrong raises
:class:`~faulttree.errors.ReadingError`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily

if TYPE_CHECKING:
    from faulttree.reading.capability_check import ask_before
    from faulttree.reading.instruments import Bench, Instrument, read_bench
    from faulttree.reading.judgement import judge
    from faulttree.reading.limit_figures import FormulaUse, formula_sources, formula_uses
    from faulttree.reading.limit_forms import outcomes_of
    from faulttree.reading.limit_resolution import resolve_limits
    from faulttree.reading.limits import Limits, limits_text
    from faulttree.reading.mains import STANDARD_MAINS, mains_of
    from faulttree.reading.quantity import Quantity, show
    from faulttree.reading.ratings.entries import RATINGS, ratings_page
    from faulttree.reading.ratings.register import ComponentRating, Parameter
    from faulttree.reading.slip_check import doubt
    from faulttree.reading.standalone import judge_text
    from faulttree.reading.typed import parse_duration, parse_quantity
    from faulttree.reading.units import UNITS, parse_unit, unit_text
    from faulttree.reading.verdict import Rule, Verdict

__all__ = [
    "RATINGS",
    "STANDARD_MAINS",
    "UNITS",
    "Bench",
    "ComponentRating",
    "FormulaUse",
    "Instrument",
    "Limits",
    "Parameter",
    "Quantity",
    "Rule",
    "Verdict",
    "ask_before",
    "doubt",
    "formula_sources",
    "formula_uses",
    "judge",
    "judge_text",
    "limits_text",
    "mains_of",
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
        "standalone": ("judge_text",),
        "slip_check": ("doubt",),
        "capability_check": ("ask_before",),
        "limit_forms": ("outcomes_of",),
        "instruments": ("Bench", "Instrument", "read_bench"),
        "judgement": ("judge",),
        "limit_figures": ("FormulaUse", "formula_sources", "formula_uses"),
        "limits": ("Limits", "limits_text"),
        "mains": ("STANDARD_MAINS", "mains_of"),
        "quantity": ("Quantity", "show"),
        "typed": ("parse_duration", "parse_quantity"),
        "ratings.entries": ("RATINGS", "ratings_page"),
        "ratings.register": ("Parameter", "ComponentRating"),
        "limit_resolution": ("resolve_limits",),
        "units": ("UNITS", "parse_unit", "unit_text"),
        "verdict": ("Rule", "Verdict"),
    },
)
