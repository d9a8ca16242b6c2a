"""Trees, cases and whole libraries as pictures: SVG, PNG, PDF, HTML, DOT, Mermaid, paper."""

from faulttree.diagram.picture import KINDS, Picture, kind_of, picture

__all__ = ["KINDS", "Picture", "kind_of", "picture"]
