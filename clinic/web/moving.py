"""Copies a clinic to another engine, equal to the field.

The target's tables are made by its own migrations. The rows go in within one transaction that
has the guards off: on SQLite they are dropped and made again from their own text, on PostgreSQL
disabled and enabled. They guard acts, one at a time; here whole rows that passed them come over.
What a row must be by itself (limits, keys, overlaps on PostgreSQL) is checked all the same.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from typing import Any

from django.core.management import call_command
from django.core.management.color import no_style
from django.db import DatabaseError, connections, models, transaction
from django.db.backends.base.base import BaseDatabaseWrapper

from clinic import guards
from clinic.web.backups.refusals import Refused
from clinic.web.backups.tables import (
    Model,
    Sum,
    columns_of,
    known_schema,
    schema,
    stored_models,
    stored_rows,
    table_sums,
)
from clinic.web.databases import DEFAULT, opened, pointed_at
from clinic.web.verification import Tally, one_moment, problems

BATCH = 200
# what the migrations put into a new database, which the clinic's own rows replace
SEEDED = {"auth_group", "auth_group_permissions", "auth_permission", "django_content_type"}


@dataclass(frozen=True)
class Moved:
    """What was copied and found equal."""

    tables: int
    rows: int


def move(config: dict[str, Any]) -> Moved:
    """Copy the default database into the empty one of these settings.

    Raises Refused; then the target holds no rows of the clinic.
    """
    source = connections[DEFAULT]
    if set(schema(source)) != known_schema():
        raise Refused("The tables are older than this version: run migrate first.")
    if (config["NAME"], config.get("HOST")) == _address(source):
        raise Refused("That is the database the clinic lies in already.")
    refuse_filled(config)
    with pointed_at(config):
        call_command("migrate", verbosity=0, interactive=False)
    target = opened(config)
    try:
        with one_moment():
            return _fill(source, target)
    finally:
        target.close()


def _address(connection: BaseDatabaseWrapper) -> tuple[Any, Any]:
    return connection.settings_dict["NAME"], connection.settings_dict.get("HOST")


def refuse_filled(config: dict[str, Any]) -> None:
    """Raise Refused unless the target has no tables, or those of an earlier try without rows."""
    with pointed_at(config) as target:
        tables = set(target.introspection.table_names())
        if not tables:
            return
        theirs = {model._meta.db_table for model in stored_models(target)}
        with target.cursor() as cursor:
            for table in sorted(tables - SEEDED - {"django_migrations"}):
                cursor.execute(f"SELECT 1 FROM {target.ops.quote_name(table)} LIMIT 1")  # noqa: S608
                if cursor.fetchone() or table not in theirs | {"cache", "django_session"}:
                    raise Refused(f"{config['NAME']} is not empty (table {table}): use another.")


def _fill(source: BaseDatabaseWrapper, target: BaseDatabaseWrapper) -> Moved:
    """Copy, compare, verify; whole or not at all."""
    found = stored_models(source)
    with _as_target(target), transaction.atomic():
        with guards_off(target, found):
            _empty_seeded(target)
            for model in found:
                _copy(model, source, target)
            _renumber(target, found)
        with _as_target(source):
            wanted = table_sums(source)
        refuse_difference(wanted, table_sums(target))
        faults = list(problems(Tally()))
        if faults:
            raise Refused("\n".join([*faults, "The record is damaged: nothing was moved."]))
    return Moved(len(wanted), sum(one.rows for one in wanted.values()))


@contextmanager
def _as_target(connection: BaseDatabaseWrapper) -> Iterator[None]:
    """Models of this thread work on an open connection meanwhile."""
    before = connections[DEFAULT]
    connections[DEFAULT] = connection
    try:
        yield
    finally:
        connections[DEFAULT] = before


def refuse_difference(wanted: dict[str, Sum], found: dict[str, Sum]) -> None:
    """Raise Refused naming the first table whose rows are not equal."""
    for name, one in wanted.items():
        if found.get(name) != one:
            rows = found[name].rows if name in found else 0
            raise Refused(
                f"{name} is not equal after copying ({one.rows} rows, there {rows}): nothing was "
                "moved."
            )


@contextmanager
def guards_off(target: BaseDatabaseWrapper, found: list[Model]) -> Iterator[None]:
    """Without triggers inside the running transaction; all stand again at its end."""
    standing = guards.present(target)
    with target.cursor() as cursor:
        if target.vendor == "sqlite":
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
            dropped = cursor.fetchall()
            for name, _ in dropped:
                cursor.execute(f"DROP TRIGGER {target.ops.quote_name(name)}")
            yield
            for _, statement in dropped:
                cursor.execute(statement)
            target.check_constraints()
        else:
            tables = [target.ops.quote_name(model._meta.db_table) for model in found]
            for table in tables:
                cursor.execute(f"ALTER TABLE {table} DISABLE TRIGGER USER")
            yield
            # foreign keys are due now: a table with open ones cannot be altered
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            for table in tables:
                cursor.execute(f"ALTER TABLE {table} ENABLE TRIGGER USER")
    if guards.present(target) != standing or guards.missing(target):
        raise Refused("Guards are missing after copying: nothing was moved.")


def _empty_seeded(target: BaseDatabaseWrapper) -> None:
    with target.cursor() as cursor:
        for table in ("auth_group_permissions", "auth_permission", "auth_group"):
            cursor.execute(f"DELETE FROM {table}")  # noqa: S608  # names of ours
        cursor.execute("DELETE FROM django_content_type")


def _copy(model: Model, source: BaseDatabaseWrapper, target: BaseDatabaseWrapper) -> None:
    """Every row of one table, few at a time."""
    fields = columns_of(model)
    names = ", ".join(target.ops.quote_name(str(field.column)) for field in fields)
    marks = ", ".join(["%s"] * len(fields))
    table = target.ops.quote_name(model._meta.db_table)
    statement = f"INSERT INTO {table} ({names}) VALUES ({marks})"  # noqa: S608  # names of ours
    rows = _read(model, source, fields)
    while batch := list(islice(rows, BATCH)):
        ready = [_ready(row, fields, target) for row in batch]
        with target.cursor() as cursor:
            try:
                cursor.executemany(statement, ready)
            except (DatabaseError, ValueError) as bad:
                raise Refused(
                    f"{model._meta.db_table}, rows from key {_key(model, batch[0], fields)}: the "
                    f"other engine does not take them. {bad}"
                ) from bad


def _read(
    model: Model, source: BaseDatabaseWrapper, fields: list[models.Field]
) -> Iterator[tuple[Any, ...]]:
    """The rows of the source, while models otherwise work on the target."""
    with _as_target(source):
        rows = stored_rows(model, source, fields)
        batch = list(islice(rows, BATCH))
    while batch:
        yield from batch
        with _as_target(source):
            batch = list(islice(rows, BATCH))


def _ready(
    row: tuple[Any, ...], fields: list[models.Field], target: BaseDatabaseWrapper
) -> list[Any]:
    return [
        field.get_db_prep_save(value, target) for field, value in zip(fields, row, strict=True)
    ]


def _key(model: Model, row: tuple[Any, ...], fields: list[models.Field]) -> Any:
    return dict(zip([field.attname for field in fields], row, strict=True))[
        str(model._meta.pk.attname)
    ]


def _renumber(target: BaseDatabaseWrapper, found: list[Model]) -> None:
    """New rows get numbers after the newest; SQLite sees to that by itself."""
    with target.cursor() as cursor:
        for statement in target.ops.sequence_reset_sql(no_style(), found):
            cursor.execute(statement)
