"""Trees: the immutable model, the YAML reader with positions, the library folder."""

from faulttree.tree.builder import assemble, build
from faulttree.tree.checked_file import ExaminedFile, examine
from faulttree.tree.document import Document, read_document
from faulttree.tree.finding import Edit, Finding, Level
from faulttree.tree.layers import find_library
from faulttree.tree.library import Library, demo_library, shipped_library
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
from faulttree.tree.schema import FileKind, shape_of

__all__ = [
    "Accepted",
    "Access",
    "Caution",
    "Confirm",
    "Document",
    "Edit",
    "Evidence",
    "ExaminedFile",
    "Fault",
    "FileKind",
    "Finding",
    "InstrumentKind",
    "Kind",
    "Level",
    "Library",
    "Rating",
    "Step",
    "Stop",
    "Symptom",
    "Tree",
    "Use",
    "Where",
    "assemble",
    "build",
    "demo_library",
    "examine",
    "find_library",
    "read_document",
    "shape_of",
    "shipped_library",
]
