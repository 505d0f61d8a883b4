"""The database backend of that name: Django asks for a module `base` with a `DatabaseWrapper`."""

import sqlite3
import time
from typing import Any

from django.db.backends.sqlite3 import base

PAUSE = 0.05  # seconds


class DatabaseWrapper(base.DatabaseWrapper):
    """SQLite, where also opening a connection waits for others as long as `timeout` says.

    SQLite waits for another writer by itself, but a file that another connection is just putting
    into WAL mode (a restored copy, a first start) answers "locked" at once.
    """

    def get_new_connection(self, conn_params: dict[str, Any]) -> Any:
        """A new connection; raises OperationalError of sqlite3 if it stays locked."""
        end = time.monotonic() + conn_params.get("timeout", 0)
        while True:
            try:
                return super().get_new_connection(conn_params)
            except sqlite3.OperationalError as refused:
                busy = refused.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
                if not busy or time.monotonic() > end:
                    raise
            time.sleep(PAUSE)
