"""Proposals: changes of a tree that its record suggests."""
