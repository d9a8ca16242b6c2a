"""The review as text, CSV and HTML."""
