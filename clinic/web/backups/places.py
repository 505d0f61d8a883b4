"""Where a restore goes: a database with its data folder, and how the two are exchanged."""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
from django.conf import settings
from django.db import connections
from psycopg import sql

from clinic.web.backups.copying import (
    FILES,
    check_sqlite,
    closing_sqlite,
    connection_words,
    run_program,
    settle_sqlite,
)
from clinic.web.backups.refusals import Refused
from clinic.web.databases import configured, running

IN_USE = "Something still works on {}: stop the site and whatever else has it open."
NOTE = "database"  # in the working folder: the PostgreSQL database that the work made
SHORT_MS = 500  # who still has the file open is not waited for
LONGEST = 63  # bytes of a name in PostgreSQL


@dataclass(frozen=True)
class Place:
    """A database and the folder beside it."""

    config: dict[str, Any]
    data: Path

    @property
    def vendor(self) -> str:
        return "postgresql" if self.config["ENGINE"].endswith("postgresql") else "sqlite"

    @property
    def name(self) -> str:
        return str(self.config["NAME"])


def place_of(into: str | None, data: Path | None) -> Place:
    """What the command line names; raises Refused where it is not said whole."""
    if into is None:
        return Place(running(), data or settings.DATA_DIR)
    if "://" not in into:
        folder = Path(into).resolve()
        return Place(configured(f"sqlite:///{folder / FILES['sqlite']}"), folder)
    try:
        config = configured(into)
    except ValueError as bad:
        raise Refused(str(bad)) from bad
    if config["NAME"] == running()["NAME"] and config.get("HOST") == running().get("HOST"):
        return Place(config, data or settings.DATA_DIR)
    if config["ENGINE"].endswith("sqlite3"):
        return Place(config, data or Path(config["NAME"]).resolve().parent)
    if data is None:
        raise Refused("Say with --data which folder the files of that database go to.")
    return Place(config, data)


@contextmanager
def loaded(place: Place, dump: Path, folder: Path, stamp: str) -> Iterator[Place]:
    """The copied database opened beside the place, so that it can be looked at and readied."""
    if place.vendor == "sqlite":
        with closing_sqlite(dump) as opened:
            check_sqlite(opened)
        yield Place(configured(f"sqlite:///{dump}"), folder)
        return
    name = beside(place.name, f"restoring_{stamp}")
    (folder / NOTE).write_text(name)
    with server(place) as cursor:
        # from the untouched template, so that nothing is in it that the backup does not hold
        cursor.execute(
            sql.SQL("CREATE DATABASE {} TEMPLATE template0 ENCODING 'UTF8'").format(
                sql.Identifier(name)
            )
        )
    try:
        words = ["--no-owner", "--no-acl", "--exit-on-error", "--single-transaction", str(dump)]
        copy = Place({**place.config, "NAME": name}, folder)
        run_program("pg_restore", words, copy.config)
        yield copy
    finally:
        drop(place, name)


def drop(place: Place, name: str) -> None:
    """Remove a database that a restore made and did not need; gone already is no error."""
    with server(place) as cursor:
        cursor.execute(sql.SQL("DROP DATABASE IF EXISTS {}").format(sql.Identifier(name)))


def beside(name: str, ending: str) -> str:
    """A name for a database beside another one."""
    return f"{name.encode()[: LONGEST - len(ending) - 1].decode(errors='ignore')}_{ending}"


@contextmanager
def server(place: Place) -> Iterator[psycopg.Cursor]:
    """The server of a database, outside any database of a clinic."""
    words = connection_words(place.config) | {"dbname": "postgres"}
    try:
        with psycopg.connect(**words, autocommit=True) as opened, opened.cursor() as cursor:
            yield cursor
    except psycopg.errors.InsufficientPrivilege as bad:
        raise Refused(
            f"The role {place.config['USER']} may not make databases, which a restore needs: "
            "ALTER ROLE ... CREATEDB."
        ) from bad
    except psycopg.OperationalError as bad:
        raise Refused(f"The database server says: {bad}") from bad


def is_there(place: Place) -> bool:
    """Whether there is a database at the place."""
    if place.vendor == "sqlite":
        file = Path(place.name)
        return file.exists() and file.stat().st_size > 0
    with server(place) as cursor:
        cursor.execute("SELECT 1 FROM pg_database WHERE datname = %s", [place.name])
        return cursor.fetchone() is not None


def refuse_in_use(place: Place) -> None:
    """Raise Refused while another process has the database open."""
    connections.close_all()
    if not is_there(place):
        return
    if place.vendor == "sqlite":
        # a damaged file is not in use: whether it may go is asked later
        with suppress(sqlite3.DatabaseError), closing_sqlite(Path(place.name)) as opened:
            try:
                opened.execute(f"PRAGMA busy_timeout = {SHORT_MS}")
                opened.execute("PRAGMA locking_mode = EXCLUSIVE")
                opened.execute("SELECT count(*) FROM sqlite_master").fetchone()
            except sqlite3.OperationalError as bad:
                raise Refused(IN_USE.format(place.name)) from bad
        return
    with server(place) as cursor:
        cursor.execute("SELECT count(*) FROM pg_stat_activity WHERE datname = %s", [place.name])
        (sessions,) = cursor.fetchone() or (0,)
    if sessions:
        raise Refused(IN_USE.format(place.name))


def exchange(new: Place, place: Place, aside: Path, stamp: str) -> str | None:
    """Put the readied database into its place in one step; returns where the old one now is."""
    connections.close_all()
    if place.vendor == "sqlite":
        return _exchange_files(Path(new.name), Path(place.name), aside)
    kept = beside(place.name, f"before_{stamp}") if is_there(place) else None
    rename = sql.SQL("ALTER DATABASE {} RENAME TO {}")
    try:
        with server(place) as cursor, cursor.connection.transaction():
            for old, other in ((place.name, kept), (new.name, place.name)):
                if other:
                    cursor.execute(rename.format(sql.Identifier(old), sql.Identifier(other)))
    except psycopg.errors.ObjectInUse as bad:
        raise Refused(IN_USE.format(place.name)) from bad
    return kept and f"database {kept}"


def _exchange_files(new: Path, old: Path, aside: Path) -> str | None:
    with closing_sqlite(new) as opened:
        settle_sqlite(opened)
    with new.open("rb") as file:
        os.fsync(file.fileno())
    old.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    if not old.exists():
        new.replace(old)
        return None
    aside.mkdir(mode=0o700)
    with _nobody_else(old):
        # at every moment the name belongs to a whole file: the old one or the new one
        for ending in ("", "-wal", "-shm"):
            part = Path(f"{old}{ending}")
            if part.exists():
                keep_beside(part, aside / part.name)
        for ending in ("-wal", "-shm"):
            Path(f"{old}{ending}").unlink(missing_ok=True)
        new.replace(old)
    return str(aside)


@contextmanager
def _nobody_else(file: Path) -> Iterator[None]:
    """Keep other processes out of a database file; one that is damaged is not asked."""
    with closing_sqlite(file) as opened:
        opened.execute(f"PRAGMA busy_timeout = {SHORT_MS}")
        try:
            settle_sqlite(opened)
            opened.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as bad:
            raise Refused(IN_USE.format(file)) from bad
        except sqlite3.DatabaseError:
            pass
        yield


def keep_beside(file: Path, kept: Path) -> None:
    """A second name for a file, or a copy on a disk that knows no second names."""
    try:
        kept.hardlink_to(file)
    except OSError:
        shutil.copy2(file, kept)
