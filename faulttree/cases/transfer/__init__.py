"""Cases to and from other programs and records: export, import, merge."""
