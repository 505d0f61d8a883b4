"""Backups that are put back, and those that are refused.

Sources: 45 CFR 164.308(a)(7)(ii)(A), (B), (D) (exact copies, restoring, testing the plan);
EHR-S FM R2.1.1, TI.8#02 and TI.2.1.3.5-.6 (begin and end of a recovery are audited).
"""

import json
import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import time
from hashlib import sha256
from io import BytesIO
from pathlib import Path

import psycopg
import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client as Browser

from clinic.models import Client, TrailEntry
from clinic.web.backups import erasures, manifests
from clinic.web.backups.archive import Member, Packing, seal
from clinic.web.backups.copying import connection_words
from clinic.web.backups.keys import identity_in, make_key, recipient_in
from clinic.web.backups.locks import IN_USE, alone, hold_in_use
from clinic.web.backups.places import place_of
from clinic.web.backups.refusals import Refused
from clinic.web.backups.restoring import restore
from clinic.web.databases import pointed_at
from clinic.web.starting import hold_data_folder
from clinic.web.verification import Tally, problems
from tests.durability.clinics import (
    FAMILY,
    PASSWORD,
    forked,
    opened_backup,
    postgres,
    rows_of,
    taken,
    vendor,
    write_file,
)
from tests.durability.conftest import FILMS
from tests.durability.places import wait_until

KILLS = 6 if vendor() == "sqlite" else 3  # each makes and drops two databases there
TRAIL = {"clinic_trailentry", "clinic_trailhead"}  # what says that it was restored


@pytest.fixture
def backup(clinic, key, tmp_path):
    """A good backup of the clinic."""
    return taken(clinic, tmp_path / "out", key).file


def print_of(place):
    """Every byte of the place on SQLite; every row and file on PostgreSQL."""
    found = {
        str(file.relative_to(place.data)): sha256(file.read_bytes()).hexdigest()
        for file in sorted(place.data.rglob("*"))
        if file.is_file() and file.name != IN_USE
    }
    return found if place.vendor == "sqlite" else found | rows_of(place)


def files_of(place):
    below = place.data / "files"
    return {
        file.relative_to(below).as_posix(): file.read_bytes()
        for file in sorted(below.rglob("*"))
        if file.is_file()
    }


def put_back(source, key, place, **options):
    return restore(source, identity=identity_in(key), place=place, **options)


def faults_of(place):
    with pointed_at(place.config):
        return list(problems(Tally()))


# The drill (BR-02)


def command(place, *words, **more):
    """A command of the guide, in a process of its own that knows this place only."""
    keep = {name: text for name, text in os.environ.items() if not name.startswith("CLINIC_")}
    address = f"sqlite:///{place.name}"
    if place.vendor == "postgresql":
        it = place.config
        address = (
            f"postgres://{it['USER']}:{it['PASSWORD']}@{it['HOST']}:{it['PORT']}/{place.name}"
        )
    done = subprocess.run(
        [sys.executable, "manage.py", *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        cwd=settings.BASE_DIR,
        env=keep
        | {
            "CLINIC_DATA": str(place.data),
            "DATABASE_URL": address,
            "CLINIC_SECRET_KEY": settings.SECRET_KEY,
        }
        | more,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_drill_into_an_empty_place(clinic, shelf, tmp_path):
    """The commands of the guide in its order; then every row and file, and a sign-in."""
    before, key, out = rows_of(clinic), tmp_path / "drill-key", tmp_path / "drill"
    command(clinic, "backup_key", key)
    command(clinic, "backup", out, "--key", f"{key}.pub")
    (file,) = out.glob("*.age")
    new = shelf.place()
    command(new, "restore", file, "--key", key)

    assert command(new, "verify").endswith("All is as it was recorded.\n")
    command(new, "check", "--database", "default")
    after = rows_of(new)
    assert {name for name in before if after[name] != before[name]} == TRAIL
    assert after["clinic_trailentry"].rows == before["clinic_trailentry"].rows + 3
    assert files_of(new) == FILMS
    with pointed_at(new.config):
        lines = TrailEntry.objects.filter(action="restore").order_by("number")
        assert [line.detail["state"] for line in lines] == ["begun", "done"]
        assert lines[1].detail["file"] == file.name
        browser = Browser()
        answer = browser.post("/accounts/login/", {"login": "ines", "password": PASSWORD})
        assert answer.status_code == 302
        page = browser.get(f"/clients/{Client.objects.get(family_name=FAMILY).pk}/")
        assert FAMILY in page.content.decode()


def test_restored_over_a_later_record_sets_that_aside(clinic, backup, key):
    write_file(clinic, "later.bin", b"later")
    write_file(clinic, "two é.txt", b"changed")
    before, files = rows_of(clinic), files_of(clinic)
    done = put_back(backup, key, clinic)

    assert files_of(clinic) == FILMS
    assert faults_of(clinic) == []
    aside = clinic.data / next(clinic.data.glob("before-restore-*")).name
    kept = {name: (aside / "files" / name).read_bytes() for name in ("later.bin", "two é.txt")}
    assert kept == {name: files[name] for name in kept}
    assert str(aside) in done.aside
    if vendor() == "sqlite":
        old = place_of(str(aside), None)
    else:
        (name,) = [it.split()[1] for it in done.aside if it.startswith("database ")]
        old = type(clinic)({**clinic.config, "NAME": name}, aside)
    assert rows_of(old) == before
    assert list(clinic.data.glob(".restoring-*")) == []


# What is refused: 8 kinds, and the running record is as it was


def resealed(key, tmp_path, source, change):
    """The backup opened, changed inside, and sealed again with the same key."""
    opened_backup(source, key, tmp_path / "inside")
    parts = tmp_path / "inside" / "parts"
    manifest = json.loads((parts / "manifest.json").read_text())
    (parts / "manifest.json").unlink()
    text = json.dumps(change(parts, manifest) or manifest).encode()
    members = [
        Member(str(file.relative_to(parts)), file.stat().st_size, BytesIO(file.read_bytes()))
        for file in sorted(parts.rglob("*"))
        if file.is_file()
    ]
    made = tmp_path / "resealed.age"
    seal(Packing(members, lambda _: text), made, recipient_in(key))
    return made


def cut(source, key, tmp_path):
    made = tmp_path / "cut.age"
    made.write_bytes(source.read_bytes()[:-1000])
    return made


def flipped(source, key, tmp_path):
    made, data = tmp_path / "flipped.age", bytearray(source.read_bytes())
    data[len(data) // 2] ^= 1
    made.write_bytes(data)
    return made


def altered_inside(source, key, tmp_path):
    def change(parts, manifest):
        (parts / "files" / "two é.txt").write_bytes(b"other")

    return resealed(key, tmp_path, source, change)


def rows_miscounted(source, key, tmp_path):
    def change(parts, manifest):
        manifest["tables"]["clinic_client"]["sha256"] = "0" * 64

    return resealed(key, tmp_path, source, change)


def of_a_newer_version(source, key, tmp_path):
    def change(parts, manifest):
        manifest["migrations"].append(["clinic", "9999_later"])

    return resealed(key, tmp_path, source, change)


def of_a_newer_format(source, key, tmp_path):
    def change(parts, manifest):
        manifest["format"] = 99

    return resealed(key, tmp_path, source, change)


def without_a_file(source, key, tmp_path):
    def change(parts, manifest):
        (parts / "files" / "a" / "one.bin").unlink()

    return resealed(key, tmp_path, source, change)


def without_a_manifest(source, key, tmp_path):
    def change(parts, manifest):
        return {"nothing": 1}

    return resealed(key, tmp_path, source, change)


def with_a_file_more(source, key, tmp_path):
    def change(parts, manifest):
        (parts / "more.txt").write_text("more")

    return resealed(key, tmp_path, source, change)


def with_a_name_outside(source, key, tmp_path):
    made = tmp_path / "outside.age"
    member = Member("../outside", 4, BytesIO(b"evil"))
    seal(Packing([member], lambda _: b"{}"), made, recipient_in(key))
    return made


def sealed_for_another(source, key, tmp_path):
    make_key(tmp_path / "other")
    made = tmp_path / "other.age"
    seal(Packing([], lambda _: b"{}"), made, recipient_in(tmp_path / "other"))
    return made


def no_backup(source, key, tmp_path):
    made = tmp_path / "letter.pdf"
    made.write_bytes(b"%PDF-1.7 " * 1000)
    return made


def empty_file(source, key, tmp_path):
    made = tmp_path / "empty.age"
    made.touch()
    return made


def no_archive_inside(source, key, tmp_path):
    made = tmp_path / "noise.age"
    with made.open("xb") as out:
        import pyrage  # slow import

        pyrage.encrypt_io(BytesIO(b"noise" * 999), out, [recipient_in(key)])
    return made


def half_written(source, key, tmp_path):
    made = tmp_path / f"{source.name}.part"
    made.write_bytes(source.read_bytes())
    return made


def not_there(source, key, tmp_path):
    return tmp_path / "nothing.age"


def folder_of_backups(source, key, tmp_path):
    return source.parent


REFUSED = {
    cut: "is cut or was altered",
    flipped: "is cut or was altered",
    altered_inside: "two é.txt is not what the manifest",
    rows_miscounted: "The rows of clinic_client are not those",
    of_a_newer_version: "is of a newer version",
    of_a_newer_format: "A newer version",
    without_a_file: "a/one.bin is missing in the backup",
    without_a_manifest: "no readable manifest",
    with_a_file_more: "its manifest does not name it",
    with_a_name_outside: "something that no backup holds",
    sealed_for_another: "The key does not open",
    no_backup: "is not a backup",
    empty_file: "is not a backup",
    no_archive_inside: "no readable archive",
    half_written: "was never finished",
    not_there: "There is no file",
    folder_of_backups: "is a folder",
}


def test_bad_backups_are_refused_and_nothing_is_touched(clinic, backup, key, tmp_path):
    """All kinds in one test: the place is compared after each of them."""
    before = print_of(clinic)
    for make, words in REFUSED.items():
        work = tmp_path / make.__name__
        work.mkdir()
        source = make(backup, key, work)

        with pytest.raises(Refused, match=re.escape(words)):
            put_back(source, key, clinic)
        assert print_of(clinic) == before, make.__name__
        assert list(clinic.data.glob(".restoring-*")) == []
    assert not (tmp_path / "outside").exists()


@pytest.fixture
def other_clinic(clinic, template, shelf):
    """A record that began otherwise."""
    other = shelf.copy(template)
    with pointed_at(other.config), connection.cursor() as cursor:
        for statement in (
            "UPDATE clinic_site SET clinic_name = 'Another clinic'",
            "DELETE FROM clinic_trailhead",
        ):
            with_guards_off(cursor, statement)
        with_guards_off(cursor, "UPDATE clinic_trailentry SET hash = 'x' || hash WHERE number = 1")
    return other


def with_guards_off(cursor, statement):
    if vendor() == "postgresql":
        cursor.execute("SET session_replication_role = replica")
        cursor.execute(statement.replace("'x' || hash", "'x' || substr(hash, 2)"))
        cursor.execute("SET session_replication_role = origin")
        return
    cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
    triggers = cursor.fetchall()
    for name, _ in triggers:
        cursor.execute(f'DROP TRIGGER "{name}"')
    cursor.execute(statement)
    for _, text in triggers:
        cursor.execute(text)


def test_backup_of_another_clinic_is_refused_unless_meant(other_clinic, backup, key):
    before = print_of(other_clinic)
    with pytest.raises(Refused, match="of another clinic"):
        put_back(backup, key, other_clinic)
    assert print_of(other_clinic) == before

    put_back(backup, key, other_clinic, as_new=True)
    assert faults_of(other_clinic) == []


@pytest.mark.engine("sqlite")
def test_damaged_database_goes_aside_only_when_meant(clinic, backup, key):
    Path(clinic.name).write_bytes(b"SQLite format 3\0" + b"\xff" * 5000)
    with pytest.raises(Refused, match="cannot be read"):
        put_back(backup, key, clinic)

    put_back(backup, key, clinic, as_new=True)
    assert faults_of(clinic) == []
    (aside,) = clinic.data.glob("before-restore-*")
    assert (aside / "records.sqlite3").read_bytes().endswith(b"\xff" * 5000)


def test_nothing_is_restored_under_a_running_site(clinic, backup, key):
    before = print_of(clinic)

    def serve():
        hold_in_use(clinic.data)
        (clinic.data.parent / "serving").touch()
        signal.pause()

    child = forked(serve)
    try:
        wait_until((clinic.data.parent / "serving").exists, "the server's begin")
        with pytest.raises(Refused, match="stop it first"):
            put_back(backup, key, clinic)
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    assert print_of(clinic) == before


def test_nothing_is_restored_over_an_open_database(clinic, backup, key):
    if vendor() == "sqlite":
        session = sqlite3.connect(clinic.name)
        session.execute("SELECT count(*) FROM clinic_client").fetchone()
    else:
        session = psycopg.connect(**connection_words(clinic.config))
    try:
        with pytest.raises(Refused, match="Something still works on"):
            put_back(backup, key, clinic)
    finally:
        session.close()


def test_site_does_not_start_during_a_restore(tmp_path):
    with alone(tmp_path, IN_USE, ""), pytest.raises(Refused, match="A restore is going on"):
        hold_in_use(tmp_path)


def test_server_says_why_it_does_not_start(tmp_path, settings, capsys):
    settings.DATA_DIR = tmp_path
    with alone(tmp_path, IN_USE, ""), pytest.raises(SystemExit) as ended:
        hold_data_folder()

    assert ended.value.code == 3  # with which gunicorn does not try again
    assert "start the site when it has ended" in capsys.readouterr().err


@pytest.mark.engine("postgresql")
def test_role_that_may_not_make_databases_is_said(clinic, shelf, backup, key):
    role = f"plain_{shelf.mark}"
    with postgres("") as (cursor, _):
        cursor.execute(f"CREATE ROLE {role} LOGIN")
        new = shelf.place()
        place = type(new)({**new.config, "USER": role}, new.data)
        try:
            with pytest.raises(Refused, match="may not make databases"):
                put_back(backup, key, place)
        finally:
            cursor.execute(f"DROP ROLE {role}")
    assert list(place.data.glob(".restoring-*")) == []


@pytest.mark.engine("postgresql")
def test_other_engine_is_refused(clinic, shelf, backup, key):
    other = shelf.place("sqlite")

    with pytest.raises(Refused, match="use move-database"):
        put_back(backup, key, other)


def test_another_secret_is_warned_of(shelf, backup, key, settings):
    settings.SECRET_KEY = "another secret than the one that sealed the second factors"

    (warning,) = put_back(backup, key, shelf.place()).warnings
    assert warning.startswith("CLINIC_SECRET_KEY is not the one of the backup")


def test_older_tables_are_brought_to_this_version(clinic, shelf, key, tmp_path):
    with pointed_at(clinic.config):
        call_command("migrate", "assessments", "0007_basis_guards", verbosity=0)
    old = taken(clinic, tmp_path / "out", key).file
    assert opened_backup(old, key, tmp_path / "look")["migrations"]

    new = shelf.place()
    put_back(old, key, new)
    assert faults_of(new) == []
    with pointed_at(new.config) as opened:
        assert ["assessments", "0008_basis_kept_guards"] in [
            list(one) for one in manifests.schema(opened)
        ]


def test_command_refuses_with_a_sentence(clinic, key, tmp_path, settings):
    settings.DATA_DIR = clinic.data
    before = print_of(clinic)
    with pytest.raises(CommandError, match="is not a backup") as refused:
        call_command("restore", no_backup(None, key, tmp_path), key=key, into=str(clinic.data))

    assert refused.value.returncode == 1
    if vendor() == "sqlite":
        assert print_of(clinic) == before


def test_address_without_a_folder_is_refused():
    with pytest.raises(Refused, match="Say with --data"):
        place_of("postgres://clinic@nowhere.example/other", None)
    with pytest.raises(Refused, match="SQLite or in PostgreSQL"):
        place_of("mysql://clinic@nowhere.example/other", None)


# Erasures outlive backups


def test_list_of_erasures_lies_beside_and_inside(clinic, shelf, key, tmp_path):
    known = [{"client": "ML00001", "on": "2026-11-01"}, {"client": "ML00002", "on": "2026-11-02"}]
    out = tmp_path / "out"
    out.mkdir()
    erasures.write(clinic.data, known[:1])
    erasures.write(out, known[1:])
    file = taken(clinic, out, key).file
    assert sorted(map(str, erasures.read(out))) == sorted(map(str, known))
    assert erasures.read(clinic.data) == erasures.read(out)

    # the list beside the backup is lost: the one inside is left
    (out / erasures.FILE).unlink()
    new = shelf.place()
    done = put_back(file, key, new)
    assert sorted(map(str, erasures.read(new.data))) == sorted(map(str, known))
    (warning,) = done.warnings
    assert warning.startswith("2 erasures of erasures.jsonl are not applied")


def test_bad_list_of_erasures_is_named(clinic, key, tmp_path):
    (clinic.data / erasures.FILE).write_text("nothing\n")

    with pytest.raises(ValueError, match="holds a line that is no erasure"):
        taken(clinic, tmp_path / "out", key)


# Killed in the middle (SQLite, How SQLite Is Tested, 3.3)


def test_killed_restore_leaves_the_old_or_the_new(clinic, shelf, backup, key):
    write_file(clinic, "later.bin", b"later")
    old = rows_of(clinic)
    started = time.monotonic()
    put_back(backup, key, shelf.place())
    whole, chance, seen = time.monotonic() - started, random.Random(3), []  # noqa: S311

    for number in range(KILLS):
        place = shelf.copy(clinic)
        child = forked(lambda place=place: put_back(backup, key, place))
        wait_until(lambda place=place: list(place.data.glob(".restoring-*")), "the work's begin")
        # the first one at once, the last ones near the end, where the exchange is
        time.sleep(whole * number / (KILLS - 1) * chance.uniform(0.8, 1))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        found = rows_of(place)
        changed = {name for name in old if found[name] != old[name]}
        seen.append("old" if not changed else "new")
        assert changed in (set(), TRAIL)
        assert FILMS.items() <= files_of(place).items()
        assert faults_of(place) == []
    last = shelf.copy(clinic)
    put_back(backup, key, last)
    assert list(last.data.glob(".restoring-*")) == []
    assert "old" in seen
