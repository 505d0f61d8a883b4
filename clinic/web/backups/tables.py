"""What the tables hold, as one checksum a table that is the same on every engine."""

import json
from collections.abc import Callable, Iterator
from datetime import UTC
from decimal import Decimal
from hashlib import sha256
from typing import Any, NamedTuple

from django.db import models
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.loader import MigrationLoader
from django.db.models.functions import Collate

from clinic.domain.chain import canonical

CHUNK = 500
HEAVY_CHUNK = 20  # rows that hold a paper
# sign-ins of the moment: they are in no backup, and do not move
PASSING = ("django_session",)
BYTEWISE = {"sqlite": "BINARY", "postgresql": "C"}

Schema = list[tuple[str, str]]
Model = type[models.Model]


class Sum(NamedTuple):
    """Number of rows of a table, and the checksum of all of them."""

    rows: int
    sha256: str


def schema(connection: BaseDatabaseWrapper) -> Schema:
    """App and name of every migration that this database has seen, sorted."""
    return sorted(MigrationLoader(connection).applied_migrations)


def known_schema() -> set[tuple[str, str]]:
    """App and name of every migration of this version."""
    return set(MigrationLoader(None).disk_migrations)


def stored_models(connection: BaseDatabaseWrapper) -> list[Model]:
    """The models as the tables of this database are, which may be older than the code."""
    loader = MigrationLoader(connection)
    nodes = [node for node in loader.applied_migrations if node in loader.graph.nodes]
    apps = loader.project_state(nodes).apps
    found = [
        model
        for model in apps.get_models(include_auto_created=True)
        if model._meta.managed and not model._meta.proxy and model._meta.db_table not in PASSING
    ]
    return sorted(found, key=lambda model: model._meta.db_table)


def table_sums(connection: BaseDatabaseWrapper) -> dict[str, Sum]:
    """Rows and checksum of every table, read row by row from the default database."""
    return {
        model._meta.db_table: table_sum(model, connection) for model in stored_models(connection)
    }


def table_sum(model: Model, connection: BaseDatabaseWrapper) -> Sum:
    """Rows and checksum of one table: each row a line of JSON, by rising key.

    Keys inside a JSON value are sorted, numbers become plain digits, instants are in UTC: what
    differs between the engines without a difference in meaning is taken out.
    """
    fields = columns_of(model)
    plain = [as_plain(field) for field in fields]
    digest, count = sha256(), 0
    for values in stored_rows(model, connection, fields):
        row = [turn(value) for turn, value in zip(plain, values, strict=True)]
        line = json.dumps(row, ensure_ascii=False, separators=(",", ":"))
        digest.update(line.encode("utf-8", "surrogatepass") + b"\n")
        count += 1
    return Sum(count, digest.hexdigest())


def columns_of(model: Model) -> list[models.Field]:
    """The stored fields of a model, sorted by the names of their columns."""
    return sorted(model._meta.concrete_fields, key=lambda field: str(field.column))


def stored_rows(
    model: Model, connection: BaseDatabaseWrapper, fields: list[models.Field]
) -> Iterator[tuple[Any, ...]]:
    """The values of every row by rising key, few rows at a time."""
    heavy = any(isinstance(field, models.BinaryField) for field in fields)
    key: Any = "pk"
    if isinstance(model._meta.pk, models.CharField | models.TextField):
        key = Collate("pk", BYTEWISE[connection.vendor])
    rows = model._base_manager.order_by(key).values_list(*(field.attname for field in fields))
    return rows.iterator(chunk_size=HEAVY_CHUNK if heavy else CHUNK)


PLAIN: list[tuple[type[models.Field], Callable[[Any], Any]]] = [
    (models.JSONField, canonical),
    (models.DateTimeField, lambda it: it.astimezone(UTC).isoformat(timespec="microseconds")),
    (models.DateField, lambda it: it.isoformat()),
    (models.TimeField, lambda it: it.isoformat(timespec="microseconds")),
    (models.DecimalField, lambda it: format(Decimal(it).normalize(), "f")),
    (models.FloatField, repr),
    (models.UUIDField, str),
    (models.BinaryField, lambda it: sha256(it).hexdigest()),
]


def as_plain(field: models.Field) -> Callable[[Any], Any]:
    """How a value of this field is written in a line; raises TypeError for an unknown kind."""
    while isinstance(field, models.ForeignKey):
        field = field.target_field
    for kind, turn in PLAIN:
        if isinstance(field, kind):
            return lambda value: None if value is None else turn(value)
    if isinstance(field, models.CharField | models.TextField | models.IntegerField):
        return _itself
    if isinstance(field, models.BooleanField | models.GenericIPAddressField):
        return _itself
    raise TypeError(f"no canonical form for {type(field).__name__}")


def _itself(value: Any) -> Any:
    return value
