"""What the record says about the trees: counts, what to change, the page."""

from faulttree.figures.results import Review, TreeFigures
from faulttree.figures.review import review

__all__ = ["Review", "TreeFigures", "review"]
