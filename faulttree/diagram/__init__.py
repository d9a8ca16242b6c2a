"""Trees, cases and whole libraries as pictures: SVG, PNG, PDF, HTML, DOT, Mermaid, paper."""

from faulttree.diagram.overlay import Counts, count_walks
from faulttree.diagram.picture import KINDS, Picture, kind_of, overview, picture

__all__ = ["KINDS", "Counts", "Picture", "count_walks", "kind_of", "overview", "picture"]
