"""Backups that are taken while the site is used.

Sources: EHR-S FM R2.1.1, TI.8#01, #02, #05 (back up what is needed to run, also during normal
use) and TI.2.1.3.3-.4 (begin and end are audited); SQLite, How To Corrupt An SQLite Database File,
1.2 (a copy of a live file may mix old and new); PostgreSQL, SQL Dump.
"""

import io
import os
import random
import resource
import signal
import subprocess
import time
from datetime import timedelta
from itertools import count

import pytest
from django.core.management import CommandError, call_command
from django.db import transaction

from clinic.models import Client, Paper, TrailEntry
from clinic.services import papers
from clinic.web.backups.keys import identity_in, public_file
from clinic.web.backups.refusals import Refused
from clinic.web.backups.restoring import restore
from clinic.web.databases import pointed_at
from tests.durability.clinics import (
    AT,
    FAMILY,
    WORDS,
    drop_guards,
    forked,
    opened_backup,
    rows_of,
    stand_guards,
    taken,
    vendor,
    write_file,
)
from tests.durability.conftest import FILMS
from tests.durability.places import wait_until
from tests.factories import ClientFactory

# 20 were tried on PostgreSQL as well; there each one makes and drops a database
BACKUPS = {"sqlite": 20, "postgresql": 4}
PAUSE = 0.02  # seconds between two letters: as many as a very busy clinic writes in a day


def write_letters(place):
    """Until killed: a client and their letter, in one transaction, again and again."""
    with pointed_at(place.config):
        by = Client.objects.first().trail.first().actor or Paper.objects.first().created_by
        for number in count():
            with transaction.atomic():
                runner = ClientFactory(
                    site=by.home_site, number=f"W{number:06d}", family_name=f"Writer {number}"
                )
                papers.draft_paper(
                    client=runner,
                    kind="letter",
                    about=f"assessment-{number}",
                    title="Written meanwhile",
                    dated=runner.registered_on,
                    content={"number": number},
                    by=by,
                )
            time.sleep(PAUSE)


def of_the_writer():
    """Clients, letters and lines of the writer: three numbers that are one at any moment."""
    lines = TrailEntry.objects.filter(object_kind="paper", action="create")
    letters = Paper.objects.filter(title="Written meanwhile")
    keys = {str(pk) for pk in letters.values_list("pk", flat=True)}
    return (
        Client.objects.filter(family_name__startswith="Writer").count(),
        len(keys),
        sum(key in keys for key in lines.values_list("object_key", flat=True)),
    )


def test_each_backup_under_writing_is_one_moment(clinic, shelf, key, tmp_path):
    """BR-01: restoring compares every row with the manifest, checks the file and verifies."""
    backups = BACKUPS[vendor()]
    writer = forked(lambda: write_letters(clinic))
    try:
        made = [
            taken(clinic, tmp_path / "out", key, at=AT + timedelta(seconds=number))
            for number in range(backups)
        ]
    finally:
        os.kill(writer, signal.SIGKILL)
        os.waitpid(writer, 0)

    found = []
    for one in made:
        aside = shelf.place()
        restore(one.file, identity=identity_in(key), place=aside)
        with pointed_at(aside.config):
            found.append(of_the_writer())
    assert [len(set(numbers)) for numbers in found] == [1] * backups
    # they were moments of a record that moved
    assert found[0][0] < found[-1][0]
    assert sorted(found) == found


def test_backup_holds_rows_and_files_that_its_manifest_counts(clinic, key, tmp_path):
    before = rows_of(clinic)
    one = taken(clinic, tmp_path / "out", key)

    manifest = opened_backup(one.file, key, tmp_path / "look")
    counted = {name: (it["rows"], it["sha256"]) for name, it in manifest["tables"].items()}
    changed = {name for name in before if counted[name] != tuple(before[name])}
    assert changed == {"clinic_trailentry", "clinic_trailhead"}  # the line that it began
    assert counted["clinic_trailentry"][0] == before["clinic_trailentry"].rows + 1
    assert sorted(name for name in manifest["files"] if name.startswith("files/")) == [
        f"files/{name}" for name in sorted(FILMS)
    ]
    assert (one.rows, one.tables, one.files) == (
        sum(rows for rows, _ in counted.values()),
        len(counted),
        len(FILMS),
    )


def test_every_table_is_counted_but_what_passes(clinic):
    with pointed_at(clinic.config) as connection:
        tables = set(connection.introspection.table_names())

    assert tables - rows_of(clinic).keys() == {"cache", "django_migrations", "django_session"}


def test_trail_says_when_a_backup_began_and_how_it_ended(clinic, key, tmp_path):
    one = taken(clinic, tmp_path / "out", key)

    with pointed_at(clinic.config):
        lines = TrailEntry.objects.filter(action="backup").order_by("number")
        begun, done = lines.values_list("detail", flat=True)
    assert begun == {"state": "begun"}
    assert (done["state"], done["file"], done["rows"]) == ("done", one.file.name, one.rows)
    assert done["size"] == one.file.stat().st_size


def test_nothing_can_be_read_without_the_key(clinic, key, tmp_path):
    """BR-05, with the same search in what the key opens, which does find them."""
    one = taken(clinic, tmp_path / "out", public_file(key))
    wanted = [text.encode() for text in (FAMILY, WORDS, "clinic_client", "manifest", "Zehen")]

    opened_backup(one.file, key, tmp_path / "look")
    dump = next((tmp_path / "look" / "parts").glob("records.*"))
    if vendor() == "postgresql":
        plain = tmp_path / "plain.sql"
        subprocess.run(["pg_restore", f"--file={plain}", dump], check=True)
        dump = plain
    readable = dump.read_bytes() + b"".join(FILMS.values()) + b"manifest"
    sealed = one.file.read_bytes()
    assert [text in readable for text in wanted] == [True] * len(wanted)
    assert [text in sealed for text in wanted] == [False] * len(wanted)
    assert one.file.stat().st_mode & 0o777 == 0o600


def test_public_half_does_not_open(clinic, key, tmp_path):
    one = taken(clinic, tmp_path / "out", public_file(key))

    with pytest.raises(Refused, match="only seals"):
        opened_backup(one.file, public_file(key), tmp_path / "look")


def test_sign_ins_of_the_moment_are_left_out(clinic, shelf, key, tmp_path):
    session = "INSERT INTO django_session VALUES ('one', 'open', '2027-01-01 00:00:00+00:00')"
    counted = "SELECT count(*) FROM django_session"
    with pointed_at(clinic.config) as connection, connection.cursor() as cursor:
        cursor.execute(session)
    one = taken(clinic, tmp_path / "out", key)

    aside = shelf.place()
    restore(one.file, identity=identity_in(key), place=aside)
    found = []
    for place in (clinic, aside):
        with pointed_at(place.config) as connection, connection.cursor() as cursor:
            cursor.execute(counted)
            found.append(cursor.fetchone()[0])
    assert found == [1, 0]


def test_old_backups_of_this_clinic_are_thinned(clinic, key, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    others = ["records-00000000-20200101T000000Z.age", "notes.txt"]
    for name in others:
        (out / name).touch()
    made = [taken(clinic, out, key, at=AT + timedelta(days=day), keep=2) for day in range(3)]

    assert made[2].thinned == [made[0].file]
    assert sorted(file.name for file in out.iterdir()) == sorted(
        [*others, "erasures.jsonl", made[1].file.name, made[2].file.name]
    )


def test_backup_of_the_same_second_is_not_written_over(clinic, key, tmp_path):
    one = taken(clinic, tmp_path / "out", key)
    before = one.file.read_bytes()

    with pytest.raises(Refused, match="is not written over"):
        taken(clinic, tmp_path / "out", key, keep=1)
    assert one.file.read_bytes() == before


def test_altered_trail_is_named_and_removes_no_older_backup(clinic, key, tmp_path):
    older = taken(clinic, tmp_path / "out", key)
    with pointed_at(clinic.config) as connection:
        drop_guards(connection, "clinic_trailentry")
        TrailEntry.objects.filter(number=1, chain=0).update(role="nobody")
        stand_guards(connection)

    newer = taken(clinic, tmp_path / "out", key, at=AT + timedelta(days=1), keep=1)
    assert len(newer.faults) == 1
    assert "line 1: was altered" in newer.faults[0]
    assert older.file.exists()
    with pytest.raises(Refused, match="is damaged"):
        restore(newer.file, identity=identity_in(key), place=clinic)


def test_command_names_the_backup(clinic, key, tmp_path, settings):
    settings.DATA_DIR = clinic.data
    said = io.StringIO()
    with pointed_at(clinic.config):
        call_command("backup", tmp_path / "out", key=public_file(key), stdout=said)

    (file,) = (tmp_path / "out").glob("*.age")
    assert said.getvalue().splitlines()[0] == str(file)


@pytest.mark.parametrize("text", ["", "AGE-SECRET-KEY-1XYZ", "age1xyz", "hello"])
def test_command_refuses_a_file_without_a_key(clinic, tmp_path, settings, text):
    settings.DATA_DIR = clinic.data
    (tmp_path / "bad").write_text(text)

    with pointed_at(clinic.config), pytest.raises(CommandError, match="holds no"):
        call_command("backup", tmp_path / "out", key=tmp_path / "bad")
    assert not (tmp_path / "out").exists()


def test_key_is_made_once_and_for_its_owner(tmp_path):
    file = tmp_path / "key"
    call_command("backup_key", file, stdout=io.StringIO())
    text = file.read_text()

    with pytest.raises(CommandError, match="exists"):
        call_command("backup_key", file)
    assert file.read_text() == text
    assert [it.stat().st_mode & 0o777 for it in (file, public_file(file))] == [0o600, 0o600]


@pytest.mark.engine("postgresql")
def test_missing_pg_dump_is_said(clinic, key, tmp_path, settings):
    settings.PG_BIN = str(tmp_path)

    with pytest.raises(Refused, match="mend CLINIC_PG_BIN"):
        taken(clinic, tmp_path / "out", key)
    assert list((tmp_path / "out").iterdir()) == []


# Faults (SQLite, How SQLite Is Tested, 3.2 and 3.3: full disk, and a child killed at random)


def whole(out, key, tmp_path):
    """Names of the backups that open and hold what they say; nothing else is there."""
    names = sorted(file.name for file in out.glob("records-*"))
    for number, name in enumerate(names):
        opened_backup(out / name, key, tmp_path / f"look{number}-{random.randrange(10**9)}")  # noqa: S311
    return names


@pytest.mark.parametrize("limit", [200_000, 3_000_000, 6_000_000])
def test_full_disk_leaves_the_older_backup(clinic, key, tmp_path, limit):
    """The kernel refuses to let files grow: first the copy, then the archive."""
    write_file(clinic, "film.bin", random.Random(1).randbytes(8_000_000))  # noqa: S311
    older = taken(clinic, tmp_path / "out", key)

    def limited():
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        taken(clinic, tmp_path / "out", key, at=AT + timedelta(days=1))

    _, status = os.waitpid(forked(limited), 0)
    assert os.waitstatus_to_exitcode(status) == 1
    assert whole(tmp_path / "out", key, tmp_path) == [older.file.name]
    assert [file.name for file in (tmp_path / "out").iterdir() if file.suffix == ".part"] == []
    assert list(clinic.data.glob(".backup-*")) == []
    newer = taken(clinic, tmp_path / "out", key, at=AT + timedelta(days=2))
    assert newer.faults == []


def test_killed_backup_leaves_the_older_ones(clinic, key, tmp_path):
    write_file(clinic, "film.bin", random.Random(1).randbytes(8_000_000))  # noqa: S311
    chance, out = random.Random(7), tmp_path / "out"  # noqa: S311
    older = taken(clinic, out, key)
    started = time.monotonic()
    taken(clinic, out, key, at=AT + timedelta(seconds=1))
    whole_time, left = time.monotonic() - started, []

    for number in range(6):
        at = AT + timedelta(days=number + 1)
        child = forked(lambda at=at: taken(clinic, out, key, at=at))
        wait_until(lambda: list(clinic.data.glob(".backup-*")), "the work's begin")
        time.sleep(number / 6 * chance.uniform(0.5, 1) * whole_time)  # the first one at once
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        left += clinic.data.glob(".backup-*")

    last = taken(clinic, out, key, at=AT + timedelta(days=10))
    assert left  # some were killed in the middle
    assert list(clinic.data.glob(".backup-*")) == []
    names = [file.name for file in out.glob("records-*")]
    assert [name for name in names if name.endswith(".part")] == []
    assert {older.file.name, last.file.name} <= set(names)
    assert last.faults == []
    for name in names:
        opened_backup(out / name, key, tmp_path / f"look-{name}")
