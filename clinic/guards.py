"""Database guards: what the tables themselves refuse, on SQLite and on PostgreSQL.

Each app's migrations named `*_guards` hold `GUARDS`: engine -> name -> (table, statements).
A later migration that names a guard again replaces it. SQLite drops triggers when Django
rebuilds a table, so they are put back after every migrate, and a system check names those
that are missing.
"""

from collections.abc import Container, Sequence
from importlib import import_module
from pkgutil import iter_modules
from typing import Any

from django.apps import AppConfig
from django.core.checks import CheckMessage, Error, Tags, register
from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.recorder import MigrationRecorder

APPS = ("clinic", "assessments", "exercises")
Guards = dict[str, tuple[str, list[str]]]


def defined(vendor: str, landed: Container[tuple[str, str]] | None = None) -> Guards:
    """The newest definition of every guard of this engine: name -> table and statements.

    landed: app and name of the migrations that count; all unless given.
    """
    found: Guards = {}
    for app in APPS:
        package = import_module(f"{app}.migrations")
        for module in sorted(m.name for m in iter_modules(package.__path__)):
            if module.endswith("_guards") and (landed is None or (app, module) in landed):
                found |= import_module(f"{app}.migrations.{module}").GUARDS[vendor]
    return found


def wanted(connection: BaseDatabaseWrapper) -> Guards:
    """The guards that should stand: those whose migration has landed in this database."""
    return defined(connection.vendor, MigrationRecorder(connection).applied_migrations())


PRESENT = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'trigger'",
    "postgresql": (
        "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'D' "
        "UNION SELECT conname FROM pg_constraint WHERE contype = 'x'"
    ),
}


def present(connection: BaseDatabaseWrapper) -> set[str]:
    """Names of the guards that stand in the database."""
    with connection.cursor() as cursor:
        cursor.execute(PRESENT[connection.vendor])
        return {row[0] for row in cursor.fetchall()}


def missing(connection: BaseDatabaseWrapper) -> list[str]:
    """Guards that should stand and do not; none before the tables are there."""
    tables = set(connection.introspection.table_names())
    standing = present(connection)
    return [
        name
        for name, (table, _) in wanted(connection).items()
        if table in tables and name not in standing
    ]


def put_back(connection: BaseDatabaseWrapper, names: Sequence[str]) -> None:
    """Create the named guards again."""
    definitions = wanted(connection)
    with connection.cursor() as cursor:
        for name in names:
            for statement in definitions[name][1]:
                cursor.execute(statement)


def allow_rebuilding(sender: AppConfig, using: str, **_: Any) -> None:
    """Before migrate: SQLite renames a rebuilt table though guards of other tables name it.

    Django rebuilds a table as a new one that takes the old one's name; without the old table,
    SQLite stops at the first guard that looks for it.
    """
    connection = connections[using]
    if connection.vendor == "sqlite" and sender.name == "clinic":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA legacy_alter_table = ON")


def restore(sender: AppConfig, using: str, **_: Any) -> None:
    """After migrate: the guards that SQLite dropped stand again."""
    connection = connections[using]
    # once, after the last app: earlier the tables of later apps are not there yet
    if connection.vendor == "sqlite" and sender.name == "clinic":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA legacy_alter_table = OFF")
        put_back(connection, missing(connection))


@register(Tags.database)
def guards_stand(
    app_configs: Any, databases: Sequence[str] | None = None, **_: Any
) -> list[CheckMessage]:
    """System check: every guard stands in every asked database."""
    problems: list[CheckMessage] = []
    for alias in databases or []:
        names = missing(connections[alias])
        if names:
            problems.append(
                Error(
                    f"Guards are missing in the database: {', '.join(sorted(names))}",
                    hint="Run migrate; on PostgreSQL find out who disabled them.",
                    id="clinic.E001",
                )
            )
    return problems
