"""Django's SQLite, with a connection that waits while the file changes hands."""
