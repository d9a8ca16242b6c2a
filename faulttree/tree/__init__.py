"""What a tree is: the frozen model, YAML to model with positions, the library folder."""

from faulttree.tree.builder import assemble, build
from faulttree.tree.checked_file import ExaminedFile, examine
from faulttree.tree.document import Document, read_document
from faulttree.tree.library import Library, find_library, shipped_library
from faulttree.tree.model import (
    Accepted,
    Access,
    Caution,
    Confirm,
    Evidence,
    Fault,
    InstrumentKind,
    Kind,
    Rating,
    Step,
    Stop,
    Symptom,
    Tree,
    Use,
    Where,
)
from faulttree.tree.problems import RULES, Level, Problem
from faulttree.tree.schema import FileKind, shape_of

__all__ = [
    "RULES",
    "Accepted",
    "Access",
    "Caution",
    "Confirm",
    "Document",
    "Evidence",
    "ExaminedFile",
    "Fault",
    "FileKind",
    "InstrumentKind",
    "Kind",
    "Level",
    "Library",
    "Problem",
    "Rating",
    "Step",
    "Stop",
    "Symptom",
    "Tree",
    "Use",
    "Where",
    "assemble",
    "build",
    "examine",
    "find_library",
    "read_document",
    "shape_of",
    "shipped_library",
]
