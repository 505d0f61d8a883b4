"""A record that was destroyed does not come back with an old backup.

Sources: GDPR, article 17, and its recital 65; HL7 EHR-S FM R2.1, RI.1.2.2#03 to #04; 45 CFR
164.308(a)(7)(ii)(B) (what is restored is the record as it should be).
"""

import json
from datetime import timedelta

import pytest
import time_machine
from django.db import transaction

from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, Destruction, Paper, Staff, TrailEntry
from clinic.services import legal_holds, people
from clinic.web.backups import erasures
from clinic.web.backups.keys import identity_in
from clinic.web.backups.restoring import restore
from clinic.web.databases import pointed_at
from clinic.web.destroying import tables
from clinic.web.moving import move
from clinic.web.verification import Tally, problems
from tests.durability.clinics import AT, FAMILY, rows_of, taken
from tests.factories.retention import LATER, TwoPeople

LATE = AT.replace(year=2061, month=6, day=2)


@pytest.fixture
def data(clinic, settings):
    """The data folder of the clinic is the one of this process."""
    settings.DATA_DIR = clinic.data
    return clinic.data


def destroyed(place):
    """Two of the clinic's clients: one with signed rows, one with a name that is easily found."""
    with pointed_at(place.config):
        two = TwoPeople(site=Staff.objects.get(username="ines").home_site)
        signed = Paper.objects.filter(state="signed").first().client
        named = Client.objects.get(family_name=FAMILY)
        for client in (signed, named):
            two.destroy(client)
        return [signed.pk, named.pk]


def put_back(file, key, place, days=1):
    with time_machine.travel(LATER + timedelta(days=days), tick=False):
        return restore(file, identity=identity_in(key), place=place)


def rows_left(pks):
    """How many rows of these clients there are, by table."""
    found = {
        table._meta.label: table._base_manager.filter(**{f"{path}__in": pks}).count()
        for table, path in tables()
    }
    return {label: count for label, count in found.items() if count}


def test_old_backup_does_not_bring_the_person_back(clinic, data, key, tmp_path):
    old = taken(clinic, tmp_path / "out", key).file
    with pointed_at(clinic.config):
        before = {one.pk: one for one in Client.objects.all()}
    pks = destroyed(clinic)

    done = put_back(old, key, clinic)

    assert (done.erased, done.warnings) == (2, [])
    with pointed_at(clinic.config):
        assert list(problems(Tally())) == []
        assert rows_left(pks) == {}
        assert not Client.objects.filter(family_name=FAMILY).exists()
        stubs = Client.objects.filter(destroyed_on=LATER.date()).order_by("pk")
        assert [one.number for one in stubs] == [before[pk].number for pk in sorted(pks)]
        again = Destruction.objects.filter(basis="again")
        assert {(one.client_id, one.done_on) for one in again} == {
            (pk, LATER.date()) for pk in pks
        }
        lines = TrailEntry.objects.filter(action=TrailAction.DESTROY).order_by("pk")
        assert [line.client_id for line in lines] == pks
        assert {line.actor_name for line in lines} == {"the system"}
        line = TrailEntry.objects.get(action=TrailAction.RESTORE, detail__state="done")
        assert line.detail["erased"] == 2
    if clinic.vendor == "sqlite":
        assert FAMILY.encode() not in (data / "records.sqlite3").read_bytes()


def test_list_in_the_data_folder_is_enough(clinic, shelf, key, data, tmp_path):
    """The newest database is lost, and no backup was taken since the destruction."""
    old = taken(clinic, tmp_path / "out", key).file
    pks = destroyed(clinic)
    listed = erasures.read(data)
    assert [one["client"] for one in listed] == pks

    new = shelf.place()
    erasures.write(new.data, listed)
    put_back(old, key, new)

    with pointed_at(new.config):
        assert rows_left(pks) == {}
        assert list(problems(Tally())) == []


def test_a_backup_without_the_destroyed_ones_erases_none(clinic, data, key, tmp_path):
    destroyed(clinic)
    late = taken(clinic, tmp_path / "out", key, at=LATE).file

    done = put_back(late, key, clinic)

    assert (done.erased, done.warnings) == (0, [])


def test_list_beside_a_later_backup_is_enough(clinic, shelf, key, data, tmp_path):
    old = taken(clinic, tmp_path / "out", key).file
    pks = destroyed(clinic)
    taken(clinic, tmp_path / "out", key, at=LATE)

    new = shelf.place()
    put_back(old, key, new)

    with pointed_at(new.config):
        assert rows_left(pks) == {}


def test_second_restore_finds_nothing_more_to_erase(clinic, key, data, tmp_path):
    old = taken(clinic, tmp_path / "out", key).file
    destroyed(clinic)
    put_back(old, key, clinic)
    listed = erasures.read(data)
    later = taken(clinic, tmp_path / "out", key, at=LATE).file

    put_back(later, key, clinic, days=2)

    with pointed_at(clinic.config):
        assert TrailEntry.objects.filter(action=TrailAction.DESTROY).count() == 2
        assert list(problems(Tally())) == []
    assert erasures.read(data) == listed


def test_list_names_nobody(clinic, data):
    destroyed(clinic)

    text = (data / erasures.FILE).read_text()

    assert FAMILY.casefold() not in text.casefold()
    assert set(json.loads(text.splitlines()[0])) == {
        "client",
        "number",
        "registered_on",
        "first_line",
        "care_ended",
        "keep_until",
        "destroyed_on",
    }


def test_somebody_else_under_the_same_key_stays(clinic, data, key, tmp_path):
    """Registered after the backup, destroyed, restored: key and number are given anew."""
    old = taken(clinic, tmp_path / "out", key).file
    with pointed_at(clinic.config):
        ines = Staff.objects.get(username="ines")
        first = people.register_client(by=ines, family_name="Gone", **PERSON)
        pk, number = first.pk, first.number
        TwoPeople(site=ines.home_site).destroy(first)
    put_back(old, key, clinic)
    with pointed_at(clinic.config):
        ines = Staff.objects.get(username="ines")
        second = people.register_client(by=ines, family_name="Stays", **PERSON)
        assert second.number == number
        if clinic.vendor == "sqlite":
            assert second.pk == pk
    newer = taken(clinic, tmp_path / "out", key, at=LATE).file

    put_back(newer, key, clinic, days=2)

    with pointed_at(clinic.config):
        assert Client.objects.get(pk=second.pk).family_name == "Stays"


PERSON = {"given_names": "Ada", "birth_date": AT.date().replace(year=1990)}


def test_legal_hold_and_review_of_the_old_backup_do_not_stop_it(clinic, data, key, tmp_path):
    with pointed_at(clinic.config):
        client = Client.objects.get(family_name=FAMILY)
        two = TwoPeople(site=client.site)
        found = two.review(client)
        hold = legal_holds.set_legal_hold(client=client, reason="A claim", by=two.first)
    old = taken(clinic, tmp_path / "out", key).file
    with pointed_at(clinic.config):
        legal_holds.end_legal_hold(hold=hold, reason="Settled", by=two.first)
        two.confirm(found)

    put_back(old, key, clinic)

    with pointed_at(clinic.config):
        assert not Client.objects.filter(family_name=FAMILY).exists()
        assert not Destruction.objects.waiting().exists()
        assert list(problems(Tally())) == []


def test_clinic_with_a_destroyed_record_moves(clinic, bare_file, shelf, data):
    pks = destroyed(clinic)
    target = shelf.copy(bare_file)
    with pointed_at(clinic.config):
        move(target.config)

    assert rows_of(target) == rows_of(clinic)
    with pointed_at(target.config):
        assert list(problems(Tally())) == []
        assert Client.objects.filter(pk__in=pks, destroyed_on__isnull=False).count() == 2


def test_nothing_is_erased_where_the_transaction_fails(clinic, data):
    with pointed_at(clinic.config):
        client = Client.objects.get(family_name=FAMILY)
        two = TwoPeople(site=client.site)
        found = two.review(client)
        with transaction.atomic():
            two.confirm(found)
            transaction.set_rollback(True)
        assert Client.objects.filter(family_name=FAMILY).exists()
    assert erasures.read(data) == []
