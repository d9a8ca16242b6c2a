"""Find the fault in a unit on the bench: trees of tests, judged readings, kept cases.

The library and the command line are twins: what ``faulttree find`` does, ``faulttree.find``
does. Each is imported when it is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily
from faulttree.version import __version__ as __version__

if TYPE_CHECKING:
    from faulttree.api import open_library
    from faulttree.authoring.operations.move import move_step
    from faulttree.authoring.operations.move_fault import move_fault
    from faulttree.authoring.operations.new_tree import begin
    from faulttree.authoring.operations.rename import rename
    from faulttree.authoring.operations.suspects import add_suspect
    from faulttree.authoring.operations.write_up import write_up
    from faulttree.authoring.suspect_standing import list_suspects
    from faulttree.cases.backends.opening import open_store
    from faulttree.cases.revisit import revisit
    from faulttree.diagram.picture import picture as draw
    from faulttree.errors import FaulttreeError
    from faulttree.figures.review import review
    from faulttree.odds.planning.planner import plan
    from faulttree.reading.standalone import judge_text as judge
    from faulttree.rules.runner import check
    from faulttree.tree.library import Library
    from faulttree.tree.search import find
    from faulttree.walk.fold import fold

__all__ = [
    "FaulttreeError",
    "Library",
    "add_suspect",
    "begin",
    "check",
    "draw",
    "find",
    "fold",
    "judge",
    "list_suspects",
    "move_fault",
    "move_step",
    "open_library",
    "open_store",
    "plan",
    "rename",
    "review",
    "revisit",
    "write_up",
]

__getattr__ = lazily(
    __name__,
    {
        "api": ("open_library",),
        "authoring.operations.move": ("move_step",),
        "authoring.operations.move_fault": ("move_fault",),
        "authoring.operations.rename": ("rename",),
        "authoring.operations.new_tree": ("begin",),
        "authoring.suspect_standing": ("list_suspects",),
        "authoring.operations.suspects": ("add_suspect",),
        "authoring.operations.write_up": ("write_up",),
        "cases.revisit": ("revisit",),
        "cases.backends.opening": ("open_store",),
        "diagram.picture": ("picture as draw",),
        "errors": ("FaulttreeError",),
        "figures.review": ("review",),
        "odds.planning.planner": ("plan",),
        "reading.standalone": ("judge_text as judge",),
        "rules.runner": ("check",),
        "tree.library": ("Library",),
        "tree.search": ("find",),
        "walk.fold": ("fold",),
    },
)
