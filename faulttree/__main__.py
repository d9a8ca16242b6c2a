"""``python -m faulttree`` is the same as ``faulttree``."""

from faulttree.cli import main

main()
