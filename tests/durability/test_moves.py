"""A clinic copied to another engine and back, equal to the field.

On SQLite alone the target is a second file; where PostgreSQL is in use, the other side is a file.
"""

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.db.models import F

from clinic import guards
from clinic.models import Client, Site, TrailEntry
from clinic.services import trail
from clinic.web.backups.refusals import Refused
from clinic.web.backups.tables import columns_of, stored_models, stored_rows
from clinic.web.databases import configured, pointed_at
from clinic.web.moving import move
from clinic.web.verification import Tally, problems
from tests.durability.clinics import (
    FAMILY,
    LAST_DAY,
    PDF,
    TWICE,
    drop_guards,
    postgres,
    rows_of,
    stand_guards,
    vendor,
)
from tests.factories import ClientFactory, SiteFactory


def empty(shelf, engine):
    """A place with a database that holds nothing."""
    place = shelf.place(engine)
    if engine == "postgresql":
        with postgres(place.name) as (cursor, _):
            cursor.execute(f'CREATE DATABASE "{place.name}"')
    return place


def moved(source, target):
    with pointed_at(source.config):
        return move(target.config)


def fields_of(place):
    """(table, key, column) -> value, of every row."""
    found = {}
    with pointed_at(place.config) as opened:
        for model in stored_models(opened):
            fields = columns_of(model)
            at = [field.primary_key for field in fields].index(True)
            for row in stored_rows(model, opened, fields):
                for field, value in zip(fields, row, strict=True):
                    plain = bytes(value) if isinstance(value, memoryview) else value
                    found[model._meta.db_table, row[at], field.column] = plain
    return found


def different(one, other):
    """Keys whose values differ in value or kind, and those that one side lacks."""
    return [
        key
        for key in one.keys() | other.keys()
        if key not in one
        or key not in other
        or (one[key], type(one[key])) != (other[key], type(other[key]))
    ]


def test_there_and_back_no_field_differs(clinic, bare, bare_file, shelf):
    """With PostgreSQL: to a file, to PostgreSQL, and to a file again."""
    places = [shelf.copy(bare_file), shelf.copy(bare), shelf.copy(bare_file)]
    before = clinic
    for place in places:
        moved(before, place)
        before = place

    start, *rest = [fields_of(place) for place in [clinic, *places]]
    assert [different(start, found) for found in rest] == [[], [], []]
    assert len(start) > 3000
    # what the engines store each in their way did come along
    values = list(rest[-1].values())
    assert {FAMILY, LAST_DAY, PDF, *TWICE} <= {
        it for it in values if not isinstance(it, dict | list)
    }
    for place in places:
        with pointed_at(place.config) as opened:
            assert list(problems(Tally())) == []
            assert guards.present(opened) >= set(guards.defined(opened.vendor))


def test_moved_clinic_goes_on(clinic, bare, shelf):
    """New rows get numbers after the newest, and the guards refuse as before."""
    target = shelf.copy(bare)
    moved(clinic, target)

    with pointed_at(target.config):
        site = Site.objects.first()
        newest = Client.objects.order_by("-pk").values_list("pk", flat=True).first()
        assert ClientFactory(site=site, number="NEW1").pk > newest
        trail.record("search", by=None, kind="client", site=site)
        assert list(problems(Tally())) == []
        with pytest.raises(Exception, match="trail"), transaction.atomic():
            TrailEntry.objects.update(number=F("number") + 1)


def test_filled_target_is_refused(clinic, bare, shelf):
    target = shelf.copy(bare)
    moved(clinic, target)
    before = rows_of(target)
    with pointed_at(clinic.config):
        SiteFactory(code="Z", name="Later")

    with pytest.raises(Refused, match="is not empty"):
        moved(clinic, target)
    assert rows_of(target) == before


def test_database_without_tables_gets_them(clinic, shelf):
    target = empty(shelf, vendor())

    moved(clinic, target)
    assert rows_of(target) == rows_of(clinic)


def test_tables_of_an_earlier_try_are_filled(clinic, bare, shelf):
    target = shelf.copy(bare)

    moved(clinic, target)
    assert rows_of(target) == rows_of(clinic)


def test_target_with_other_tables_is_refused(clinic, shelf):
    target = empty(shelf, vendor())
    with pointed_at(target.config), connection.cursor() as cursor:
        cursor.execute("CREATE TABLE something (one integer)")

    with pytest.raises(Refused, match="table something"):
        moved(clinic, target)


def test_own_database_is_refused(clinic):
    with pytest.raises(Refused, match="lies in already"):
        moved(clinic, clinic)


def test_damaged_record_is_not_moved(clinic, bare, shelf):
    target = shelf.copy(bare)
    with pointed_at(clinic.config) as opened:
        drop_guards(opened, "clinic_trailentry")
        TrailEntry.objects.filter(number=2).update(role="nobody")
        stand_guards(opened)

    with pytest.raises(Refused, match="nothing was moved"):
        moved(clinic, target)
    with pointed_at(target.config):
        assert not Site.objects.exists()


def test_older_tables_are_refused(clinic, shelf):
    with pointed_at(clinic.config):
        call_command("migrate", "assessments", "0007_basis_guards", verbosity=0)

    with pytest.raises(Refused, match="run migrate first"):
        moved(clinic, empty(shelf, vendor()))


@pytest.mark.engine("postgresql")
def test_character_that_postgresql_cannot_hold_is_named(clinic, bare, bare_file, shelf):
    file, target = shelf.copy(bare_file), shelf.copy(bare)
    moved(clinic, file)
    with pointed_at(file.config):
        Client.objects.filter(family_name=FAMILY).update(address="a\0b")

    with pytest.raises(Refused, match=r"clinic_client, rows from key \d+"):
        moved(file, target)
    with pointed_at(target.config):
        assert not Site.objects.exists()


@pytest.mark.engine("sqlite")
def test_command_says_what_it_did(clinic, bare, shelf, settings, capsys):
    settings.DATA_DIR = clinic.data
    target = shelf.copy(bare)
    with pointed_at(clinic.config):
        call_command("move-database", f"sqlite:///{target.name}")

    assert "are there and equal" in capsys.readouterr().out
    assert rows_of(target) == rows_of(clinic)


@pytest.mark.parametrize("url", ["hello", "mysql://clinic@nowhere.example/clinic", ""])
def test_command_refuses_what_is_no_address(clinic, settings, url):
    settings.DATA_DIR = clinic.data
    with (
        pointed_at(clinic.config),
        pytest.raises(CommandError, match="The clinic is where it was"),
    ):
        call_command("move-database", url)


def test_address_of_a_file_is_read():
    assert configured("sqlite:////x/y.sqlite3")["NAME"] == "/x/y.sqlite3"
