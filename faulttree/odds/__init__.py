"""What is still possible and what to test next."""

from faulttree.odds.beliefs import (
    ERROR_RATES,
    NONE_PRIOR,
    PSEUDO_COUNT,
    Beliefs,
    Observation,
    Pair,
    Posterior,
    pairs,
    posterior,
    priors,
)
from faulttree.odds.planning.planner import Plan, plan
from faulttree.odds.ranking import (
    Against,
    Ranked,
    Suspect,
    against,
    best_to_repeat,
    rank_tests,
    tests_of,
    untested,
    would_settle,
)
from faulttree.odds.single_fault_checks import Checks, Worth, expected_part_cost, sequence, worth_it
from faulttree.odds.table import Action, FaultTable, TableError, make_table
from faulttree.odds.table_from_csv import table_from_csv
from faulttree.odds.table_from_tree import guarded_table, table_from_tree

__all__ = [
    "ERROR_RATES",
    "NONE_PRIOR",
    "PSEUDO_COUNT",
    "Action",
    "Against",
    "Beliefs",
    "Checks",
    "FaultTable",
    "Observation",
    "Pair",
    "Plan",
    "Posterior",
    "Ranked",
    "Suspect",
    "TableError",
    "Worth",
    "against",
    "best_to_repeat",
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
    "tests_of",
    "untested",
    "worth_it",
    "would_settle",
]
