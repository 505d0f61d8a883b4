"""Other databases than the running one: a copy to look at, a target to fill."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import dj_database_url
from django.contrib.contenttypes.models import ContentType
from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.utils import ConnectionHandler

import assessments.editions
import exercises.editions
from clinic.web.settings import SQLITE_ENGINE, SQLITE_OPTIONS

DEFAULT = "default"


def configured(url: str) -> dict[str, Any]:
    """Django's settings for the database at this address; raises ValueError for another kind."""
    try:
        found: dict[str, Any] = dict(dj_database_url.parse(url))
    except (ValueError, KeyError) as bad:
        raise ValueError(f"{url!r} is no address of a database.") from bad
    engine = str(found["ENGINE"])
    if engine.endswith("sqlite3"):
        found |= {"ENGINE": SQLITE_ENGINE, "OPTIONS": SQLITE_OPTIONS}
    elif not engine.endswith("postgresql"):
        raise ValueError("A clinic lies in SQLite or in PostgreSQL.")
    return found


def running() -> dict[str, Any]:
    """Settings of the database that this process works on."""
    return connections[DEFAULT].settings_dict


def opened(config: dict[str, Any]) -> BaseDatabaseWrapper:
    """A connection to the database of these settings; whoever asks closes it."""
    return ConnectionHandler({DEFAULT: {**config}})[DEFAULT]


@contextmanager
def pointed_at(config: dict[str, Any]) -> Iterator[BaseDatabaseWrapper]:
    """All models and services of this thread work on another database meanwhile."""
    before = connections[DEFAULT]
    other = opened(config)
    connections[DEFAULT] = other
    _forget()
    try:
        yield other
    finally:
        other.close()
        connections[DEFAULT] = before
        _forget()


def _forget() -> None:
    """Drop what this process keeps of the rows of one database."""
    assessments.editions.forget()
    exercises.editions.forget()
    ContentType.objects.clear_cache()
