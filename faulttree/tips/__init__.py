"""Remarks of others about a unit: read, grouped, weighed, and kept apart where unsafe."""
