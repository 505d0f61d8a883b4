"""What the database must be set to so that an acknowledged save outlives a power cut.

Each setting is read from the live connection: what counts is what the engine does, not what a
file says.
"""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register  # noqa: A004  # theirs
from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper

PATIENCE_MS = 5000  # a writer waits this long for another one before it gives up
OPTIONS = "Mend SQLITE_OPTIONS in clinic/web/settings.py"


class Wanted(NamedTuple):
    """One setting: its name, the number of its message, when it is safe, what to do."""

    name: str
    number: str
    safe: Callable[[str], bool]
    remedy: str


WANTED = {
    "sqlite": [
        Wanted("journal_mode", "002", "wal".__eq__, f"{OPTIONS}: PRAGMA journal_mode=WAL."),
        # 2 is FULL, 3 is EXTRA; in WAL mode NORMAL may lose the last commits at a power cut
        # (SQLite, PRAGMA synchronous)
        Wanted(
            "synchronous", "003", {"2", "3"}.__contains__, f"{OPTIONS}: PRAGMA synchronous=FULL."
        ),
        Wanted("foreign_keys", "004", "1".__eq__, f"{OPTIONS}: PRAGMA foreign_keys=ON."),
        Wanted("transaction_mode", "005", "IMMEDIATE".__eq__, f"{OPTIONS}: IMMEDIATE."),
        Wanted(
            "busy_timeout",
            "006",
            lambda found: int(found) >= PATIENCE_MS,
            f"{OPTIONS}: a timeout of {PATIENCE_MS // 1000} seconds or more.",
        ),
    ],
    "postgresql": [
        Wanted("fsync", "007", "on".__eq__, "Set fsync = on in postgresql.conf."),
        # local and remote_* wait for the disk as well; only off answers before it
        Wanted(
            "synchronous_commit",
            "008",
            lambda found: found != "off",
            "Set synchronous_commit = on, for the server, the database and the role.",
        ),
        Wanted("full_page_writes", "009", "on".__eq__, "Set full_page_writes = on."),
    ],
}


def read_settings(connection: BaseDatabaseWrapper) -> dict[str, str]:
    """The settings of this connection as the engine names them."""
    names = [wanted.name for wanted in WANTED[connection.vendor]]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT name, setting FROM pg_settings WHERE name = ANY(%s)", [names])
            return dict(cursor.fetchall())
        found = {"transaction_mode": str(getattr(connection, "transaction_mode", None))}
        for name in names:
            if name not in found:
                cursor.execute(f"PRAGMA {name}")
                found[name] = str(cursor.fetchone()[0])
    return found


def weaknesses(connection: BaseDatabaseWrapper) -> list[CheckMessage]:
    """A message for each setting that may lose what was acknowledged."""
    found = read_settings(connection)
    # SQLite's settings are in our own hand: nothing excuses a weak one
    excused = connection.vendor == "postgresql" and settings.UNSAFE_DURABILITY
    kind, letter = (Warning, "W") if excused else (Error, "E")
    return [
        kind(
            f"The database is set to {wanted.name} = {found[wanted.name]}: a power cut may lose "
            "or break what was saved.",
            hint=wanted.remedy,
            id=f"clinic.{letter}{wanted.number}",
        )
        for wanted in WANTED[connection.vendor]
        if not wanted.safe(found[wanted.name])
    ]


@register(Tags.database)
def saves_last(
    app_configs: Any, databases: Sequence[str] | None = None, **_: Any
) -> list[CheckMessage]:
    """System check: every asked database keeps what it has acknowledged."""
    return [message for alias in databases or [] for message in weaknesses(connections[alias])]
