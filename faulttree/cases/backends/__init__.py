"""Where a record is kept: SQLite, PostgreSQL, and this bench while the server is away."""
