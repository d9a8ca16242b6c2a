"""Edits that keep the author's file: text is replaced at known places only.

A round trip through a YAML writer changes the indentation, so only the edited words are
written. Two readers then verify the result: ruamel.yaml and this program's own reader. Each must
read exactly the old data with the edits applied, in the same order.

Files are replaced completely or not at all, and never if somebody else has changed them.
"""

from faulttree.tree.edit.change import ChangeSet, FileChange, write_all
from faulttree.tree.edit.editor import Editor
from faulttree.tree.edit.plain_data import DataEdits, Edits
from faulttree.tree.edit.spelling import spelt
from faulttree.tree.edit.yaml_text import block, flow

__all__ = [
    "ChangeSet",
    "DataEdits",
    "Editor",
    "Edits",
    "FileChange",
    "block",
    "flow",
    "spelt",
    "write_all",
]
