"""What the record says about the trees: counts, what to change, the page."""

from faulttree.figures.reviewing import Review, TreeFigures, review

__all__ = ["Review", "TreeFigures", "review"]
