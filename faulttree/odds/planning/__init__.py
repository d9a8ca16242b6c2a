"""The cheapest order of tests for a fault table."""
