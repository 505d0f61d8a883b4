"""The live settings that make a save last; a start with each one weakened is refused."""

import os
import sqlite3
import subprocess
import sys
import threading
from contextlib import contextmanager

import dj_database_url
import pytest
from django.core.management import CommandError, call_command
from django.db import OperationalError, connection
from django.db.utils import ConnectionHandler

from clinic.durability import read_settings, weaknesses
from clinic.web.settings import SQLITE_ENGINE, SQLITE_OPTIONS
from tests.durability.places import Cluster, postgres_programs, throwaway_folder, wait_until

GOOD = SQLITE_OPTIONS["init_command"]
# SQLite, PRAGMA synchronous, journal_mode; each weaker value and the message it must give
WEAK = [
    ({"init_command": GOOD.replace("WAL", "DELETE")}, "clinic.E002"),
    ({"init_command": GOOD.replace("FULL", "NORMAL")}, "clinic.E003"),
    ({"init_command": GOOD.replace("FULL", "OFF")}, "clinic.E003"),
    ({"init_command": GOOD.replace("foreign_keys=ON", "foreign_keys=OFF")}, "clinic.E004"),
    ({"transaction_mode": "DEFERRED"}, "clinic.E005"),
    ({"transaction_mode": None}, "clinic.E005"),
    ({"timeout": 4}, "clinic.E006"),
]
START = """
import os
os.environ["DJANGO_SETTINGS_MODULE"] = "clinic.web.settings"
from clinic.web import settings
settings.SQLITE_OPTIONS |= {options!r}
import clinic.web.wsgi
print("started")
"""


@contextmanager
def connected(**database):
    """A connection of its own, closed afterwards."""
    opened = ConnectionHandler({"default": database})["default"]
    try:
        yield opened
    finally:
        opened.close()


def sqlite(path, **options):
    return connected(
        ENGINE=SQLITE_ENGINE,
        NAME=str(path / "some.sqlite3"),
        OPTIONS=SQLITE_OPTIONS | options,
    )


def ids(messages):
    return [message.id for message in messages]


@pytest.mark.django_db
def test_database_of_this_run_is_safe():
    assert weaknesses(connection) == []


@pytest.mark.django_db
def test_sqlite_as_set_keeps_what_it_acknowledged(tmp_path):
    with sqlite(tmp_path) as opened:
        found = read_settings(opened)

        assert found == {
            "journal_mode": "wal",
            "synchronous": "2",
            "foreign_keys": "1",
            "transaction_mode": "IMMEDIATE",
            "busy_timeout": "15000",
        }
        assert weaknesses(opened) == []


@pytest.mark.django_db
@pytest.mark.parametrize(("options", "message"), WEAK)
def test_weakened_sqlite_is_named(tmp_path, options, message):
    with sqlite(tmp_path, **options) as opened:
        assert ids(weaknesses(opened)) == [message]


@pytest.mark.django_db
def test_extra_is_as_safe_as_full(tmp_path):
    with sqlite(tmp_path, init_command=GOOD.replace("FULL", "EXTRA")) as opened:
        assert read_settings(opened)["synchronous"] == "3"
        assert weaknesses(opened) == []


@pytest.mark.django_db
def test_weak_sqlite_has_no_excuse(tmp_path, settings):
    settings.UNSAFE_DURABILITY = True

    with sqlite(tmp_path, timeout=4) as opened:
        assert ids(weaknesses(opened)) == ["clinic.E006"]


def start(tmp_path, options, url=None):
    """The server's entry point in a process of its own."""
    (tmp_path / "static").mkdir()
    wanted = {
        "CLINIC_DATA": str(tmp_path),
        "DATABASE_URL": url or f"sqlite:///{tmp_path}/a.sqlite3",
    }
    return subprocess.run(
        [sys.executable, "-c", START.format(options=options)],
        env=os.environ | wanted,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def test_server_starts_on_safe_settings(tmp_path):
    done = start(tmp_path, {})

    assert (done.returncode, done.stdout) == (0, "started\n"), done.stderr


def test_server_does_not_start_on_a_weak_setting(tmp_path):
    done = start(tmp_path, {"init_command": GOOD.replace("FULL", "NORMAL")})

    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr == (
        "Not started.\nclinic.E003: The database is set to synchronous = 1: a power cut may lose "
        "or break what was saved. Mend SQLITE_OPTIONS in clinic/web/settings.py: PRAGMA "
        "synchronous=FULL.\n"
    )


def test_server_does_not_start_without_its_database(tmp_path):
    done = start(tmp_path, {}, url="postgres://clinic@127.0.0.1:1/clinic")

    assert done.returncode == 3
    assert done.stderr.startswith("Not started.\nThe database cannot be reached: ")


@pytest.fixture
def weak_timeout(monkeypatch):
    """A weak setting wherever the demo looks, whichever engine the tests run on."""
    from clinic import durability

    real = durability.read_settings
    weak = {"sqlite": ("busy_timeout", "10"), "postgresql": ("fsync", "off")}

    def read(opened):
        name, value = weak[opened.vendor]
        return real(opened) | {name: value}

    monkeypatch.setattr(durability, "read_settings", read)


@pytest.mark.django_db
def test_demo_does_not_start_on_a_weak_setting(settings, weak_timeout):
    settings.DEMO = True

    with pytest.raises(CommandError, match="The demo is not started"):
        call_command("demo", "--prepare-only")


@pytest.fixture(scope="module")
def cluster():
    """A PostgreSQL server that is thrown away, since its settings are broken.

    Its tests run with the suite on PostgreSQL, which needs the server's programs here.
    """
    assert postgres_programs(), "install the programs of a PostgreSQL server"
    with throwaway_folder() as folder:
        made = Cluster(folder)
        yield made
        made.stop_at_once()


@contextmanager
def weakened(cluster, name, value):
    """The server set so for as long as it lasts; yields a connection."""
    with connected(**dj_database_url.parse(cluster.url)) as opened, opened.cursor() as cursor:

        def turn(how, expected):
            cursor.execute(f"ALTER SYSTEM {how}")
            cursor.execute("SELECT pg_reload_conf()")
            wait_until(lambda: read_settings(opened)[name] == expected, f"{name} {expected}")

        turn(f"SET {name} = {value}", value)
        yield opened
        turn(f"RESET {name}", "on")


@pytest.mark.engine("postgresql")
@pytest.mark.django_db
@pytest.mark.parametrize(
    ("name", "number"),
    [("fsync", "007"), ("synchronous_commit", "008"), ("full_page_writes", "009")],
)
def test_weakened_postgres_is_named(cluster, settings, name, number):
    with weakened(cluster, name, "off") as opened:
        assert ids(weaknesses(opened)) == [f"clinic.E{number}"]

        settings.UNSAFE_DURABILITY = True
        assert ids(weaknesses(opened)) == [f"clinic.W{number}"]

        settings.UNSAFE_DURABILITY = False
    with connected(**dj_database_url.parse(cluster.url)) as opened:
        assert weaknesses(opened) == []


@pytest.mark.engine("postgresql")
@pytest.mark.django_db
@pytest.mark.parametrize("value", ["local", "remote_write", "remote_apply"])
def test_other_ways_to_wait_for_the_disk_are_safe(cluster, value):
    with weakened(cluster, "synchronous_commit", value) as opened:
        assert weaknesses(opened) == []


@pytest.mark.engine("postgresql")
@pytest.mark.django_db
def test_server_does_not_start_on_a_weak_postgres(cluster, tmp_path):
    with weakened(cluster, "fsync", "off"):
        done = start(tmp_path, {}, url=cluster.url)

    assert done.returncode == 3
    assert "clinic.E007: The database is set to fsync = off" in done.stderr


def writer_of(file):
    """A connection that writes to a file not yet in WAL mode: SQLite makes nobody else wait."""
    writer = sqlite3.connect(file, check_same_thread=False, isolation_level=None)
    writer.execute("CREATE TABLE held (what)")
    writer.execute("BEGIN IMMEDIATE")
    return writer


@pytest.mark.django_db
def test_new_connection_waits_while_the_file_is_held(tmp_path):
    """As a copy just restored, which another process opens at the same moment."""
    writer = writer_of(tmp_path / "some.sqlite3")
    later = threading.Timer(0.3, writer.close)
    later.start()

    with sqlite(tmp_path) as opened:
        found = read_settings(opened)

    later.join()
    assert found["journal_mode"] == "wal"


@pytest.mark.django_db
def test_new_connection_gives_up_in_the_end(tmp_path):
    writer = writer_of(tmp_path / "some.sqlite3")

    with (
        pytest.raises(OperationalError, match="locked"),
        sqlite(tmp_path, timeout=0.2) as opened,
    ):
        opened.ensure_connection()

    writer.close()
