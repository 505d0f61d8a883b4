"""How long a page waits for the database: then it says so, and what was typed is still there.

SQLite waits for another writer as long as SQLITE_OPTIONS says. PostgreSQL is told for each
connection of a server; commands such as migrate and backup take the time they need.
"""

from typing import Any

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.signals import connection_created

LOCK_SECONDS = 5  # another transaction holds the row
STATEMENT_SECONDS = 15  # the page's script gives up after 15 s as well
IDLE_SECONDS = 60  # a transaction whose page hangs lets go of what it holds


def keep_limits() -> None:
    """From now on every new connection of this process has its limits."""
    connection_created.connect(_limit, dispatch_uid="limits")


def _limit(sender: Any, connection: BaseDatabaseWrapper, **_: Any) -> None:
    if connection.vendor != "postgresql":
        return
    with connection.cursor() as cursor:
        cursor.execute(f"SET lock_timeout = {LOCK_SECONDS * 1000}")
        cursor.execute(f"SET statement_timeout = {STATEMENT_SECONDS * 1000}")
        cursor.execute(f"SET idle_in_transaction_session_timeout = {IDLE_SECONDS * 1000}")
