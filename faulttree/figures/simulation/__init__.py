"""Invented records, for the demo and for tests of the review."""
