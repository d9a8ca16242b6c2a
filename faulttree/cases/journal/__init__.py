"""Events in plain files: the second copy of an SQLite record, and what waits for a server."""
