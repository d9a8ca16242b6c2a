"""Write what solved cases taught into the trees: write-ups, suspects, new trees, renames.

Importing the package is fast: each part is loaded when it is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily

if TYPE_CHECKING:
    from faulttree.authoring.cause import Cause, Test
    from faulttree.authoring.edited_check import Unfit
    from faulttree.authoring.free_case import FreeCase, read_free_case, tree_of_case
    from faulttree.authoring.improvements import Lessons
    from faulttree.authoring.operations.move import StepMove, move_step
    from faulttree.authoring.operations.move_fault import FaultMove, move_fault
    from faulttree.authoring.operations.new_tree import (
        KnownTest,
        NewTree,
        Start,
        begin,
        from_known,
        from_table,
    )
    from faulttree.authoring.operations.rename import Renaming, rename
    from faulttree.authoring.operations.suspects import Statement, SuspectAddition, add_suspect
    from faulttree.authoring.operations.write_up import WriteUpInput, write_up
    from faulttree.authoring.proposal import TreeProposal
    from faulttree.authoring.suspect_standing import SuspectStanding, list_suspects

__all__ = [
    "Cause",
    "FaultMove",
    "FreeCase",
    "KnownTest",
    "Lessons",
    "NewTree",
    "Renaming",
    "Start",
    "Statement",
    "StepMove",
    "SuspectAddition",
    "SuspectStanding",
    "Test",
    "TreeProposal",
    "Unfit",
    "WriteUpInput",
    "add_suspect",
    "begin",
    "from_known",
    "from_table",
    "list_suspects",
    "move_fault",
    "move_step",
    "read_free_case",
    "rename",
    "tree_of_case",
    "write_up",
]

__getattr__ = lazily(
    __name__,
    {
        "cause": ("Cause", "Test"),
        "free_case": ("FreeCase", "read_free_case", "tree_of_case"),
        "improvements": ("Lessons",),
        "operations.move": ("StepMove", "move_step"),
        "operations.move_fault": ("FaultMove", "move_fault"),
        "edited_check": ("Unfit",),
        "proposal": ("TreeProposal",),
        "operations.rename": ("Renaming", "rename"),
        "suspect_standing": ("SuspectStanding", "list_suspects"),
        "operations.new_tree": (
            "NewTree",
            "KnownTest",
            "Start",
            "begin",
            "from_known",
            "from_table",
        ),
        "operations.suspects": ("SuspectAddition", "Statement", "add_suspect"),
        "operations.write_up": ("WriteUpInput", "write_up"),
    },
)
