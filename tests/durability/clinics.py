"""Whole clinics on either engine that a test may copy, fill, break and throw away."""

import os
import shutil
import sqlite3
import traceback
from contextlib import contextmanager
from datetime import UTC, date, datetime
from uuid import uuid4

import psycopg
import time_machine
from django.conf import settings
from django.core.management import call_command
from django.db import connections

from assessments.services.assessments import sign_assessment
from clinic import guards
from clinic.domain.vocabulary import TrailAction
from clinic.services import papers, trail
from clinic.web.backups import manifests
from clinic.web.backups.archive import unpack, unseal
from clinic.web.backups.copying import connection_words
from clinic.web.backups.keys import identity_in, recipient_in
from clinic.web.backups.places import Place
from clinic.web.backups.tables import table_sums
from clinic.web.backups.taking import take
from clinic.web.databases import configured, pointed_at
from exercises.services.editions import load_tables, read_folder
from tests.factories import ClientFactory, StaffFactory
from tests.factories.programme import Desk

AT = datetime(2026, 11, 25, 12, tzinfo=UTC)
PASSWORD = "a slow jog around the mill pond"
# what a reader of the sealed file must not find (BR-05)
FAMILY, WORDS = "Mäkinen-O’Rourke 🏃", "It bites under the kneecap after 3 km."
FIRST_DAY, LAST_DAY = date(1900, 2, 28), date(9999, 12, 31)
# the clocks of London show 1:30 twice on 25 October 2026; UTC tells the two apart
PDF = b"%PDF-1.7\n" + bytes(range(256))
TWICE = [datetime(2026, 10, 25, hour, 30, tzinfo=UTC) for hour in (0, 1)]


def vendor():
    return "postgresql" if settings.DATABASES["default"]["ENGINE"].endswith("sql") else "sqlite"


@contextmanager
def postgres(name):
    """A cursor outside any clinic, and an address for a database of this name."""
    config = settings.DATABASES["default"]
    words = connection_words(config) | {"dbname": "postgres"}
    with psycopg.connect(**words, autocommit=True) as opened, opened.cursor() as cursor:
        yield cursor, {**config, "NAME": name}


class Shelf:
    """Makes clinics in a folder, and removes the databases that PostgreSQL holds of them."""

    def __init__(self, folder):
        self.folder, self.names, self.mark = folder, 0, uuid4().hex[:8]

    def place(self, vendor_name=None):
        """A place without a database."""
        self.names += 1
        data = self.folder / f"data{self.names}"
        data.mkdir(mode=0o700)
        if (vendor_name or vendor()) == "sqlite":
            return Place(configured(f"sqlite:///{data / 'records.sqlite3'}"), data)
        config = {**settings.DATABASES["default"], "NAME": f"shelf_{self.mark}_{self.names}"}
        return Place(config, data)

    def new(self, engine=None):
        """A clinic with its tables and guards and no rows."""
        place = self.place(engine)
        if place.vendor == "postgresql":
            with postgres(place.name) as (cursor, _):
                cursor.execute(f'CREATE DATABASE "{place.name}"')
        with pointed_at(place.config) as connection:
            call_command("migrate", verbosity=0)
            stand_guards(connection)
        return place

    def copy(self, of):
        """A clinic like that one, with a data folder of its own."""
        place = self.place(of.vendor)
        connections.close_all()
        if place.vendor == "sqlite":
            with sqlite3.connect(of.name) as opened:
                opened.execute("VACUUM INTO ?", [place.name])
            opened.close()
            # as every clinic's file is: the first look would write it into the header
            with sqlite3.connect(place.name) as made:
                made.execute("PRAGMA journal_mode=WAL")
            made.close()
        else:
            with postgres(place.name) as (cursor, _):
                cursor.execute(f'CREATE DATABASE "{place.name}" TEMPLATE "{of.name}"')
        if (of.data / "files").exists():
            shutil.copytree(of.data / "files", place.data / "files")
        return place

    def clear(self):
        if vendor() != "postgresql":
            return
        connections.close_all()
        with postgres("") as (cursor, _):
            cursor.execute(
                "SELECT datname FROM pg_database WHERE starts_with(datname, %s)",
                [f"shelf_{self.mark}_"],
            )
            for (name,) in cursor.fetchall():
                cursor.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


def stand_guards(connection):
    """All of them, also those that other tests run without."""
    definitions = guards.defined(connection.vendor)
    with connection.cursor() as cursor:
        for name in definitions.keys() - guards.present(connection):
            for statement in definitions[name][1]:
                cursor.execute(statement)


def drop_guards(connection, of):
    """As whoever owns the table could do."""
    standing = guards.present(connection)
    on = f" ON {of}" if connection.vendor == "postgresql" else ""
    with connection.cursor() as cursor:
        for name, (table, _) in guards.defined(connection.vendor).items():
            if table == of and name in standing:
                cursor.execute(f"DROP TRIGGER {name}{on}")


def fill():
    """Somebody who signs in, a signed look with its programme, a signed letter, odd values."""
    edition, _ = load_tables(
        texts=read_folder(settings.REFERENCE_DIR), author="a clinician", reason="First."
    )
    by = StaffFactory(username="ines")
    by.set_password(PASSWORD)
    by.save()
    desk = Desk(edition, by=by)
    desk.take_over()
    desk.accept_all()
    desk.agree(desk.programme.review_on)
    desk.issue()
    sign_assessment(assessment=desk.assessment, findings=(), by=by)
    runner = desk.assessment.client
    draft = papers.draft_paper(
        client=runner,
        kind="letter",
        about="assessment-1",
        title="Progress letter",
        dated=desk.assessment.assessed_on,
        content={"z": [1, 2.5, -0.0, 1e16], "a": {"é": None, "b": True}, "words": WORDS},
        by=by,
    )
    papers.sign_paper(paper=draft, by=by, signed_content=draft.content, pdf=PDF)
    ClientFactory(site=runner.site, family_name=FAMILY, given_names="Ñandú", birth_date=FIRST_DAY)
    ClientFactory(site=runner.site, family_name="Far", registered_on=LAST_DAY)
    for at in TWICE:
        with time_machine.travel(at, tick=False):
            trail.record(TrailAction.SEARCH, by=by, kind="client", z=1, a=0.1, é=[None, True])
    return by


def write_file(place, name, data):
    file = place.data / "files" / name
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(data)
    return file


def rows_of(place):
    """Every table's rows and checksum."""
    with pointed_at(place.config) as opened:
        return table_sums(opened)


def taken(place, dest, key, at=AT, **options):
    """A backup of that clinic, as if it were that time."""
    with pointed_at(place.config):
        return take(
            data=place.data, dest=dest, recipient=recipient_in(key), clock=lambda: at, **options
        )


def opened_backup(file, key, into):
    """The manifest of a backup; its files lie in the folder `parts` then."""
    into.mkdir()
    unseal(file, identity_in(key), into / "opened")
    unpack(into / "opened", into / "parts")
    return manifests.read((into / "parts" / "manifest.json").read_bytes())


def forked(work):
    """The number of a child process that does this and ends; 1 is its code when it fails."""
    connections.close_all()  # no connection is shared with the child
    process = os.fork()
    if process == 0:
        code = 1
        try:
            work()
            code = 0
        except BaseException:  # said on the way out of the process
            traceback.print_exc()
        finally:
            os._exit(code)
    return process
