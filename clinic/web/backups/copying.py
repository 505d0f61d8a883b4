"""The database as it is at one moment, as a file, by each engine's own safe method."""

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connection, connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from psycopg.conninfo import make_conninfo

from clinic.web.backups.refusals import Refused
from clinic.web.databases import DEFAULT, configured, pointed_at

PATIENCE = 60  # seconds that SQLite waits for its turn
LEFT_OUT = ("django_session", "cache")  # sign-ins of the moment, and counters of guesses
FILES = {"sqlite": "records.sqlite3", "postgresql": "records.dump"}

Moment = AbstractContextManager[tuple[Path, BaseDatabaseWrapper]]


def copied(into: Path) -> Moment:
    """A copy of the running database in this folder, and a connection that sees the same rows."""
    file = into / FILES[connection.vendor]
    return _dumped(file) if connection.vendor == "postgresql" else _vacuumed(file)


@contextmanager
def _vacuumed(file: Path) -> Iterator[tuple[Path, BaseDatabaseWrapper]]:
    # one read transaction, so one moment; a plain copy of a live file may mix old and new
    # (SQLite, How To Corrupt An SQLite Database File, 1.2)
    with closing_sqlite(Path(connection.settings_dict["NAME"])) as source:
        source.execute("VACUUM INTO ?", [str(file)])
    with closing_sqlite(file) as copy:
        check_sqlite(copy)
        copy.execute("PRAGMA secure_delete = ON")
        for table in LEFT_OUT:
            copy.execute(f"DELETE FROM {table}")  # noqa: S608  # names of ours
    with pointed_at(configured(f"sqlite:///{file}")) as other:
        yield file, other


@contextmanager
def closing_sqlite(file: Path) -> Iterator[sqlite3.Connection]:
    """SQLite itself, without the framework: statements are committed one by one."""
    uri = f"{file.resolve().as_uri()}?mode=rw"
    opened = sqlite3.connect(uri, uri=True, timeout=PATIENCE, isolation_level=None)
    try:
        yield opened
    finally:
        opened.close()


def check_sqlite(opened: sqlite3.Connection) -> None:
    """Raise Refused unless SQLite finds the file whole."""
    found = [row[0] for row in opened.execute("PRAGMA integrity_check(3)")]
    orphans = opened.execute("PRAGMA foreign_key_check").fetchall()
    if found != ["ok"] or orphans:
        words = "; ".join(found) if found != ["ok"] else f"{len(orphans)} rows without their own"
        raise Refused(f"The database file is damaged: {words}")


def settle_sqlite(opened: sqlite3.Connection) -> None:
    """Have all rows in the one file; raises OperationalError while somebody else has it open."""
    opened.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    opened.execute("PRAGMA journal_mode = DELETE")


@contextmanager
def _dumped(file: Path) -> Iterator[tuple[Path, BaseDatabaseWrapper]]:
    # pg_dump reads the snapshot of this transaction (PostgreSQL, pg_dump --snapshot)
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        cursor.execute("SELECT pg_export_snapshot()")
        (snapshot,) = cursor.fetchone()
        words = ["--format=custom", "--no-owner", "--no-acl", "--no-comments", "--compress=1"]
        left_out = [f"--exclude-table-data={table}" for table in LEFT_OUT]
        run_program(
            "pg_dump",
            [*words, *left_out, f"--snapshot={snapshot}", f"--file={file}"],
            connection.settings_dict,
        )
        yield file, connections[DEFAULT]


def run_program(name: str, words: list[str], config: dict[str, Any]) -> None:
    """Run one of PostgreSQL's programs on a database; raises Refused with what it says."""
    folder = settings.PG_BIN
    program = str(Path(folder) / name) if folder else shutil.which(name)
    if program is None:
        raise Refused(f"{name} is not found: install PostgreSQL's programs or set CLINIC_PG_BIN.")
    params = connection_words(config)
    password = params.pop("password", "")
    try:
        subprocess.run(  # noqa: S603  # a program of the database, words of ours
            [program, "--no-password", *words, f"--dbname={make_conninfo(**params)}"],
            check=True,
            capture_output=True,
            text=True,
            # a command line can be read by others on the machine
            env=os.environ | ({"PGPASSWORD": str(password)} if password else {}),
        )
    except FileNotFoundError as bad:
        raise Refused(f"{program} is not there: mend CLINIC_PG_BIN.") from bad
    except subprocess.CalledProcessError as bad:
        raise Refused(f"{name} says: {bad.stderr.strip()}") from bad


def connection_words(config: dict[str, Any]) -> dict[str, Any]:
    """How to reach a PostgreSQL database, in the words of its own library."""
    names = {"NAME": "dbname", "USER": "user", "PASSWORD": "password", "HOST": "host"}
    found = {theirs: config[ours] for ours, theirs in names.items() if config.get(ours)}
    if config.get("PORT"):
        found["port"] = config["PORT"]
    plain = {name: it for name, it in config.get("OPTIONS", {}).items() if isinstance(it, str)}
    return found | plain
