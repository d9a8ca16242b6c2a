"""Findings as text, as SARIF and as a page of all rules."""
