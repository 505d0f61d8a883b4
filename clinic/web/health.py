"""Whether the system can be worked with: database, migrations, guards, room on the disk.

What is wrong is said in the log and by the checks, never to who asks from outside.
"""

import shutil
import time
from collections.abc import Sequence
from functools import cache
from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, register
from django.db import DatabaseError, connection, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder

from clinic import guards

ANEW_SECONDS = 5  # whoever asks more often gets the last answer


@cache
def _migrations() -> frozenset[tuple[str, str]]:
    """App and name of every migration of this code."""
    return frozenset(MigrationLoader(None, ignore_no_migrations=True).disk_migrations)


def pending(opened: BaseDatabaseWrapper) -> list[str]:
    """Migrations of the code that this database does not have."""
    applied = MigrationRecorder(opened).applied_migrations()
    return [f"{app}.{name}" for app, name in sorted(_migrations() - set(applied))]


def free_megabytes() -> int:
    """Room on the disk of the data folder."""
    folder = settings.DATA_DIR
    return shutil.disk_usage(folder if folder.exists() else folder.parent).free // 1_000_000


def faults() -> list[str]:
    """What is wrong, in short words for the log; none when all is well."""
    try:
        found = [f"not migrated: {name}" for name in pending(connection)]
        found += [f"guard is missing: {name}" for name in sorted(guards.missing(connection))]
    except DatabaseError as error:  # not its text: it names the server and its user
        found = [f"database does not answer: {type(error).__name__}"]
    free = free_megabytes()
    if free < settings.LEAST_FREE_MB:
        found.append(f"{free} MB left on the disk")
    return found


class Latest:
    """The answer of the last seconds, so that asking costs nothing."""

    def __init__(self) -> None:
        self._at, self._faults = float("-inf"), list[str]()

    def faults(self) -> list[str]:
        if time.monotonic() - self._at >= ANEW_SECONDS:
            self._faults = faults()
            self._at = time.monotonic()
        return self._faults

    def forget(self) -> None:
        self._at = float("-inf")


latest = Latest()


@register(Tags.database, deploy=True)
def is_migrated(
    app_configs: Any, databases: Sequence[str] | None = None, **_: Any
) -> list[CheckMessage]:
    """Of a deployment only: migrate itself runs the other checks first."""
    return [
        Error(
            f"{len(names)} migrations are missing, the first is {names[0]}.",
            hint="Run migrate.",
            id="clinic.E012",
        )
        for alias in databases or []
        if (names := pending(connections[alias]))
    ]


@register(Tags.database)
def has_room(
    app_configs: Any, databases: Sequence[str] | None = None, **_: Any
) -> list[CheckMessage]:
    free = free_megabytes()
    if not databases or free >= settings.LEAST_FREE_MB:
        return []
    return [
        Error(
            f"{free} MB are left on the disk of the data folder.",
            hint=f"Make room: at least {settings.LEAST_FREE_MB} MB (CLINIC_LEAST_FREE_MB).",
            id="clinic.E013",
        )
    ]
