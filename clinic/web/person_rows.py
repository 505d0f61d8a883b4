"""Everything that belongs to one client, found over all tables by their keys, not by a list."""

from collections.abc import Collection, Iterator
from datetime import date, datetime, time
from decimal import Decimal
from functools import cache, reduce
from operator import or_
from typing import Any
from uuid import UUID

from django.apps import apps
from django.db import models
from django.utils import timezone
from django.utils.text import capfirst

from clinic.models import Client, Paper
from clinic.models.record_links import person

CHUNK = 200
Table = type[models.Model]


@cache
def paths() -> dict[Table, str]:
    """How each table reaches the client: the shortest way over its own keys; empty for Client.

    A new table with such a way is found without being named anywhere.
    """
    found: dict[Table, str] = {Client: ""}
    tables = [one for one in apps.get_models() if one is not Client]
    grown = True
    while grown:
        grown = False
        step = {
            table: f"{field.name}__{found[parent]}".removesuffix("__")
            for table in tables
            if table not in found
            for field, parent in keys_of(table)
            if parent in found
        }
        if step:
            found |= step
            grown = True
    return found


def keys_of(table: Table) -> Iterator[tuple[models.ForeignKey, Table]]:
    """The keys of a table with the table that each points to, those that may be empty first."""
    keys = [one for one in table._meta.concrete_fields if isinstance(one, models.ForeignKey)]
    for field in sorted(keys, key=lambda one: not one.null):
        yield field, field.related_model


def belongs(table: Table, path: str, clients: Collection[int]) -> models.Q:
    """What chooses the rows of these clients; a link of two records belongs to both."""
    own = [key.name for key, parent in keys_of(table) if parent is Client]
    ways = own or [path or "pk"]
    return reduce(or_, (models.Q(**{f"{way}__in": clients}) for way in ways))


def rows_of(table: Table, path: str, client: Client) -> models.QuerySet[Any]:
    """The rows of a person in a table, oldest first, with the names that its keys stand for.

    Of all records that are joined to the client's.
    """
    known = paths()
    named = [key.name for key, parent in keys_of(table) if parent not in known]
    chosen = belongs(table, path, list(person(client.pk)))
    rows = table._default_manager.filter(chosen).order_by("pk")
    rows = rows.select_related(*named) if named else rows
    return rows.defer("pdf") if table is Paper else rows


def fields_of(row: models.Model) -> dict[str, Any]:
    """Every field of a row as JSON takes it; a key with the name it stands for, if it has one."""
    return {field.name: value_of(row, field) for field in row._meta.concrete_fields}


def value_of(row: models.Model, field: models.Field) -> Any:
    """One field of a row; stored bytes are named by the file that holds them."""
    if isinstance(field, models.BinaryField):
        return file_name(row) if getattr(row, "sha256", "") else None
    value = field.value_from_object(row)
    if isinstance(field, models.ForeignKey) and value is not None:
        # a row of the same record has its own place in the copy
        if field.related_model in paths():
            return {"key": value}
        return {"key": value, "name": str(getattr(row, field.name))}
    return plain(value)


def plain(value: Any) -> Any:
    """A stored value as JSON takes it: days and moments by ISO 8601, decimals as text."""
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, Decimal | UUID):
        return str(value)
    return value


def file_name(row: Any) -> str:
    """Where the bytes of a paper lie in the copy: of codes and numbers only."""
    return f"papers/{row.kind}-{row.pk}-version-{row.version}.pdf"


def heading(table: Table) -> str:
    """What a table holds, as a heading."""
    return capfirst(str(table._meta.verbose_name_plural))


def lines_of(row: models.Model) -> Iterator[tuple[str, str]]:
    """Each field of a row that says something, as words."""
    for field in row._meta.concrete_fields:
        value = value_of(row, field)
        if value not in (None, "", [], {}):
            yield capfirst(str(field.verbose_name)), words_of(row, field, value)


def words_of(row: models.Model, field: models.Field, value: Any) -> str:
    """A value as a reader takes it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(field, models.ForeignKey):
        return value.get("name") or f"number {value['key']} of {heading(field.related_model)}"
    shown = getattr(row, f"get_{field.name}_display", None)
    if shown:
        return str(shown())
    stored = getattr(row, field.attname)
    if isinstance(stored, datetime):
        return f"{timezone.localtime(stored):%d.%m.%Y %H:%M:%S}"
    if isinstance(stored, date):
        return f"{stored:%d.%m.%Y}"
    return "\n".join(_nested(value)) if isinstance(value, dict | list) else str(value)


def _nested(value: Any, before: str = "") -> Iterator[str]:
    """The texts and numbers of a stored document, one a line, each with its way."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _nested(inner, f"{before}{name.replace('_', ' ')}: ")
    elif isinstance(value, list):
        for inner in value:
            yield from _nested(inner, before)
    elif value not in (None, ""):
        yield f"{before}{value}"
