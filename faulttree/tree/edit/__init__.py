"""Edits that keep the author's file: text is spliced at known places, all else stays.

A round trip through a YAML writer re-indents even a tidy file, so nothing is written anew but
the words meant. That old and new differ in those words only is then proved twice: ruamel.yaml
reads both texts, and so does this program's own reader; each must see exactly the data that
the edits make of the old one, in the same order.

Files are replaced whole or not at all, and never where somebody else has written meanwhile.
"""

from faulttree.tree.edit.change import FileChange, write_all
from faulttree.tree.edit.editor import Editor
from faulttree.tree.edit.plain_data import DataEdits, Edits
from faulttree.tree.edit.spelling import spelt
from faulttree.tree.edit.yaml_text import block, flow

__all__ = ["DataEdits", "Editor", "Edits", "FileChange", "block", "flow", "spelt", "write_all"]
