"""What was learned goes back into the trees: cases, suspects, new trees, new names.

Light to import: each part is loaded when it is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily

if TYPE_CHECKING:
    from faulttree.authoring.cause import Cause, Test
    from faulttree.authoring.free_case import FreeCase, read_free_case, tree_of_case
    from faulttree.authoring.lessons import Lessons
    from faulttree.authoring.moving import StepMove, move_step
    from faulttree.authoring.other_module import FaultMove, move_fault
    from faulttree.authoring.proposal import Proposal, Unfit
    from faulttree.authoring.renaming import Renaming, rename
    from faulttree.authoring.standing import Standing, list_suspects
    from faulttree.authoring.starting import Begun, Known, Start, begin, from_known, from_table
    from faulttree.authoring.suspects import Addition, Said, add_suspect
    from faulttree.authoring.writing_up import Told, write_up

__all__ = [
    "Addition",
    "Begun",
    "Cause",
    "FaultMove",
    "FreeCase",
    "Known",
    "Lessons",
    "Proposal",
    "Renaming",
    "Said",
    "Standing",
    "Start",
    "StepMove",
    "Test",
    "Told",
    "Unfit",
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
        "lessons": ("Lessons",),
        "moving": ("StepMove", "move_step"),
        "other_module": ("FaultMove", "move_fault"),
        "proposal": ("Proposal", "Unfit"),
        "renaming": ("Renaming", "rename"),
        "standing": ("Standing", "list_suspects"),
        "starting": ("Begun", "Known", "Start", "begin", "from_known", "from_table"),
        "suspects": ("Addition", "Said", "add_suspect"),
        "writing_up": ("Told", "write_up"),
    },
)
