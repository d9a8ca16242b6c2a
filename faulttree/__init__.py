"""Find the fault in a unit on the bench: trees of tests, judged readings, kept cases."""

__version__ = "0.1.0"
