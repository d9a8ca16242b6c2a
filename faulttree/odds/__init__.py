"""What is still possible and what to test next."""

from faulttree.odds.beliefs import (
    ERROR_RATES,
    NONE_PRIOR,
    PSEUDO_COUNT,
    Beliefs,
    Pair,
    Posterior,
    Seen,
    pairs,
    posterior,
    priors,
)
from faulttree.odds.checks import Checks, Worth, expected_part_cost, sequence, worth_it
from faulttree.odds.csv_table import table_from_csv
from faulttree.odds.guarded import guarded_table
from faulttree.odds.planner import Plan, plan
from faulttree.odds.ranking import Ranked, Suspect, rank_tests, untested, would_settle
from faulttree.odds.table import Deed, FaultTable, TableError, make_table
from faulttree.odds.tree_table import table_from_tree

__all__ = [
    "ERROR_RATES",
    "NONE_PRIOR",
    "PSEUDO_COUNT",
    "Beliefs",
    "Checks",
    "Deed",
    "FaultTable",
    "Pair",
    "Plan",
    "Posterior",
    "Ranked",
    "Seen",
    "Suspect",
    "TableError",
    "Worth",
    "expected_part_cost",
    "guarded_table",
    "make_table",
    "pairs",
    "plan",
    "posterior",
    "priors",
    "rank_tests",
    "sequence",
    "table_from_csv",
    "table_from_tree",
    "untested",
    "worth_it",
    "would_settle",
]
