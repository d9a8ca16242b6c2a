"""Review of the record: counts for each tree, proposals, and the page that shows them."""

from faulttree.figures.results import Review, TreeFigures
from faulttree.figures.review import review

__all__ = ["Review", "TreeFigures", "review"]
