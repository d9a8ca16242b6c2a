"""Limits that follow from the rating of a part, one module for each kind of part."""
