"""A record is destroyed by two people after its period, whole, and in no other way.

Sources: NHS Records Management Code of Practice 2021, 5.2 to 5.4 and appendix II (review before
destruction, a log of what was destroyed, nothing under a legal hold); HL7 EHR-S FM R2.1,
RI.1.1.16#01 and RI.1.2.2#03 to #04 (destruction of a record, legal hold); ASVS 5.0.0, 14.2.7.
"""

import json
from datetime import date, timedelta
from pathlib import Path

import pytest
import time_machine
from django.apps import apps
from django.conf import settings
from django.core import serializers
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.urls import reverse

from clinic import guards
from clinic.domain.people import read_search
from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Alert, Client, Destruction, LegalHold, Paper, Sending, TrailEntry
from clinic.models.people import EMPTIED
from clinic.services import legal_holds, people, trail
from clinic.web import destroying, retaining
from clinic.web.person_rows import belongs
from clinic.web.verification import Tally, problems
from tests.factories import AppointmentFactory, ClientFactory, StaffFactory
from tests.factories.consult import make_assessment, make_screening
from tests.factories.people import AlertFactory
from tests.factories.retention import LATER, NAME, OVER, STREET, WORDS, TwoPeople, whole_record

pytestmark = pytest.mark.django_db
SECRETS = (NAME, STREET, WORDS, "01632 960777", "1632960777")


@pytest.fixture
def two():
    return TwoPeople()


@pytest.fixture
def runner(edition, two):
    return whole_record(edition, two.first)


def rows_of(client):
    """How many rows each table holds of a client, those that stay left out."""
    return {
        table._meta.label: table._base_manager.filter(belongs(table, path, [client.pk])).count()
        for table, path in destroying.tables()
    }


def everything():
    """Every row of every table, as text."""
    return "".join(
        serializers.serialize("json", model._base_manager.all()) for model in apps.get_models()
    )


def stub(client):
    return Client.objects.get(pk=client.pk)


def confirmed(client):
    """A destruction that is confirmed and not yet done, as within the transaction."""
    two = TwoPeople()
    found = two.review(client)
    Destruction.objects.filter(pk=found.pk).update(
        decision="confirmed", decided_by=two.second, decided_at=LATER
    )
    return found


# the whole record goes


def test_every_row_of_every_table_goes(runner, two, deleting_refused):
    before = rows_of(runner)
    assert [label for label, count in before.items() if not count] == []
    assert destroying.going(runner) == before

    done = two.destroy(runner)

    assert set(rows_of(runner).values()) == {0}
    assert done.counts == before
    assert (done.done_on, done.decided_by) == (LATER.date(), two.second)
    assert len(before) >= 28


def test_no_word_of_the_person_is_left_in_any_row(runner, two):
    before = everything()
    assert [word for word in SECRETS if word not in before] == []

    two.destroy(runner)

    after = everything().casefold()
    assert [word for word in SECRETS if word.casefold() in after] == []


def test_another_record_stays_as_it_is(edition, runner, two):
    other = ClientFactory(site=runner.site)
    AlertFactory(client=other)
    make_screening(other, two.first, flags=["s01"])
    before = rows_of(other)

    two.destroy(runner)

    assert rows_of(other) == before
    assert sum(before.values()) == 3


def test_number_site_and_two_days_are_left(runner, two):
    two.destroy(runner)

    left = stub(runner)
    assert (left.number, left.site_id) == (runner.number, runner.site_id)
    assert (left.registered_on, left.destroyed_on) == (runner.registered_on, LATER.date())
    assert {name: getattr(left, name) for name in EMPTIED} == EMPTIED
    # nothing else is left: a field that comes later must be emptied or named here
    named = {*EMPTIED, "number", "site", "registered_on", "destroyed_on", "version", "id"}
    assert {field.name for field in Client._meta.concrete_fields} == named


def test_number_is_not_given_again(runner, two):
    two.destroy(runner)
    number = runner.number

    with time_machine.travel(LATER, tick=False):
        new = people.register_client(
            by=two.first, family_name="New", given_names="Ada", birth_date=date(2030, 1, 1)
        )

    assert new.number != number


def test_trail_stays_and_says_so(runner, two):
    lines = TrailEntry.objects.filter(client=runner).count()

    done = two.destroy(runner)

    assert TrailEntry.objects.filter(client=runner).count() == lines + 2
    line = TrailEntry.objects.get(action=TrailAction.DESTROY)
    assert (line.client_id, line.object_key) == (runner.pk, str(done.pk))
    assert line.detail == {
        "basis": "over",
        "rows": sum(done.counts.values()),
        "tables": len(done.counts),
    }


def test_record_is_out_of_reach(runner, two, client):
    number = runner.number
    two.destroy(runner)
    client.force_login(two.second)

    for name in ("client-open", "client-trail", "client-copy", "client-export", "client-edit"):
        assert client.get(reverse(name, args=[runner.pk])).status_code == 404
    with time_machine.travel(LATER, tick=False):
        for words in (NAME, number, "Destroyed record"):
            sought = read_search(words, [], LATER.date())
            found = people.clients_found(sought=sought, staff=two.second, now=LATER)
            assert list(found) == []


def test_files_beside_the_tables_go(runner, two, tmp_path, django_capture_on_commit_callbacks):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(settings, "DATA_DIR", tmp_path, raising=False)
        patch.setattr(settings, "EMAIL_FILE_PATH", tmp_path / "mail")
        mail = tmp_path / "mail"
        mail.mkdir()
        (mail / "1.log").write_text(f"To: {runner.email}\nDear Orla")
        (mail / "2.log").write_text("To: somebody@example.org\nDear Ada")
        with django_capture_on_commit_callbacks(execute=True):
            two.destroy(runner)

        assert [file.name for file in mail.iterdir()] == ["2.log"]
        listed = json.loads((tmp_path / "erasures.jsonl").read_text())
    assert (listed["client"], listed["number"]) == (runner.pk, runner.number)
    assert NAME.casefold() not in json.dumps(listed).casefold()


@pytest.mark.engine("sqlite")
@pytest.mark.django_db(transaction=True)
def test_no_byte_of_the_person_is_left_in_the_file(edition, tmp_path):
    two = TwoPeople()
    runner = whole_record(edition, two.first)
    # texts that were changed before are old text, too
    Client.objects.filter(pk=runner.pk).update(address=f"9 {STREET}\n" * 40)
    Client.objects.filter(pk=runner.pk).update(address="")
    file = Path(connection.settings_dict["NAME"])

    def found():
        parts = [Path(f"{file}{ending}") for ending in ("", "-wal")]
        data = b"".join(part.read_bytes() for part in parts if part.exists())
        return [word for word in SECRETS if word.encode() in data or word.lower().encode() in data]

    assert found() == list(SECRETS)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(settings, "DATA_DIR", tmp_path, raising=False)
        two.destroy(runner)

    assert found() == []


# nothing else lets it go


def refused(rows, prepare):
    """Whether the rows may not be deleted, by plain SQL, after this was done."""
    try:
        with transaction.atomic():
            prepare()
            rows._raw_delete(rows.db)
            transaction.set_rollback(True)
    except IntegrityError as refusal:
        return "never deleted" in str(refusal)
    return False


def test_rows_go_with_a_confirmed_destruction_only(runner, two, deleting_refused):
    other = ClientFactory(site=runner.site)
    rows_of_table = {
        table._meta.label: table._base_manager.filter(**{path: runner.pk})
        for table, path in destroying.tables()
    }
    attempts = (lambda: None, lambda: two.review(runner), lambda: confirmed(other))

    let_go = {
        label
        for label, rows in rows_of_table.items()
        if not all(refused(rows, prepare) for prepare in attempts)
    }

    assert all(rows.exists() for rows in rows_of_table.values())
    # a time that was kept for a caller is let go of by itself after five minutes
    assert let_go == {"clinic.KeptTime"}
    confirmed(runner)
    assert not refused(Alert.objects.filter(client=runner), lambda: None)


def test_stub_without_a_destruction_is_refused(runner):
    with pytest.raises(IntegrityError, match="no confirmed"), transaction.atomic():
        Client.objects.filter(pk=runner.pk).update(**EMPTIED, destroyed_on=LATER.date())


def test_half_emptied_stub_is_refused(runner):
    confirmed(runner)

    with pytest.raises(IntegrityError, match="client_destroyed_emptied"), transaction.atomic():
        Client.objects.filter(pk=runner.pk).update(
            **EMPTIED | {"address": STREET}, destroyed_on=LATER.date()
        )


def test_stub_is_never_changed(runner, two):
    two.destroy(runner)

    for change in ({"destroyed_on": None}, {"address": STREET}, {"number": "ML99999"}):
        with pytest.raises(IntegrityError, match="fixed"), transaction.atomic():
            Client.objects.filter(pk=runner.pk).update(**change)


def test_nothing_comes_to_a_destroyed_record(runner, two, edition):
    two.destroy(runner)

    gone = stub(runner)
    for make in (
        lambda: AlertFactory(client=gone),
        lambda: AppointmentFactory(site=gone.site, client=gone, clinician=two.first),
        lambda: make_assessment(edition=edition, client=gone, by=two.first),
        lambda: legal_holds.set_legal_hold(client=gone, reason="A claim", by=two.first),
    ):
        with pytest.raises((IntegrityError, ValidationError)), transaction.atomic():
            make()
    assert set(rows_of(gone).values()) == {0}


def test_every_table_of_a_client_refuses_rows_of_a_destroyed_record():
    wanted = {
        f"{table._meta.db_table}_of_record"
        for table, path in destroying.tables()
        if path == "client"
    }

    assert wanted - set(guards.defined("postgresql")) == set()
    assert len(wanted) >= 14


def test_line_of_a_destruction_is_never_changed_or_deleted(runner, two, deleting_refused):
    done = Destruction.objects.filter(pk=two.destroy(runner).pk)

    for change in (
        {"reason": "other"},
        {"keep_until": date(2020, 1, 1)},
        {"decided_by": two.first},
        {"decision": "refused"},
        {"counts": {}},
        {"done_on": None},
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            done.update(**change)
    with pytest.raises(IntegrityError, match="never deleted"), transaction.atomic():
        done._raw_delete(done.db)


# two people


def test_reviewer_does_not_confirm(runner):
    two = TwoPeople()
    two.first.groups.add(two.second.groups.get())
    found = two.review(runner)

    with pytest.raises(ValidationError, match="second person"):
        two.confirm(found, by=two.first)
    with pytest.raises(IntegrityError, match="destruction_by_two"), transaction.atomic():
        Destruction.objects.filter(pk=found.pk).update(
            decision="confirmed", decided_by=two.first, decided_at=LATER
        )
    assert rows_of(runner)["clinic.Alert"] == 1


@pytest.mark.parametrize("role", [Role.CLINICIAN, Role.RECEPTION, Role.AUDITOR])
def test_only_a_manager_confirms(runner, two, role):
    found = two.review(runner)

    with pytest.raises(ValidationError, match="manager confirms"):
        two.confirm(found, by=StaffFactory(role=role))


def test_destruction_without_a_review_is_refused(runner, two):
    with pytest.raises(IntegrityError, match="begins with a review"), transaction.atomic():
        Destruction.objects.create(
            site=runner.site,
            client=runner,
            basis="over",
            care_ended=date(2020, 1, 1),
            keep_until=date(2028, 1, 1),
            rule="8 years",
            reason=OVER,
            reviewed_by=two.first,
            reviewed_at=LATER,
            decision="confirmed",
            decided_by=two.second,
            decided_at=LATER,
        )


def test_second_destruction_is_refused(runner, two):
    found = two.review(runner)
    two.confirm(found)

    with pytest.raises(ValidationError, match="decided already"):
        two.confirm(found)
    assert TrailEntry.objects.filter(action=TrailAction.DESTROY).count() == 1


def test_nobody_is_left_behind_half_destroyed(runner, two, monkeypatch):
    found = two.review(runner)
    before = rows_of(runner)

    def broken(*_, **__):
        raise RuntimeError

    monkeypatch.setattr(trail, "record", broken)
    with pytest.raises(RuntimeError), transaction.atomic():
        two.confirm(found)

    assert rows_of(runner) == before
    found.refresh_from_db()
    assert (found.decision, stub(runner).destroyed_on) == ("", None)


# what stops it


def test_legal_hold_stops_review_and_confirmation(runner, two):
    found = two.review(runner)
    hold = legal_holds.set_legal_hold(client=runner, reason="A claim", by=two.first)

    with pytest.raises(ValidationError, match="legal hold"):
        two.confirm(found)
    with pytest.raises(IntegrityError, match="legal hold"), transaction.atomic():
        Destruction.objects.filter(pk=found.pk).update(
            decision="confirmed", decided_by=two.second, decided_at=LATER
        )
    legal_holds.end_legal_hold(hold=hold, reason="Withdrawn", by=two.first)
    two.confirm(found)
    assert stub(runner).destroyed_on


def test_visit_after_the_review_stops_the_confirmation(runner, two):
    found = two.review(runner)
    day = LATER.date() - timedelta(days=1)
    AppointmentFactory(
        site=runner.site, client=runner, clinician=two.first, local_date=day, state="seen"
    )

    with pytest.raises(ValidationError, match="came again"):
        two.confirm(found)
    with pytest.raises(IntegrityError, match="came again"), transaction.atomic():
        Destruction.objects.filter(pk=found.pk).update(
            decision="confirmed", decided_by=two.second, decided_at=LATER
        )


def test_look_after_the_review_stops_the_confirmation(edition, runner, two):
    found = two.review(runner)
    make_assessment(edition=edition, client=runner, by=two.first, on=LATER.date())

    with pytest.raises(ValidationError, match="came again"):
        two.confirm(found)
    with pytest.raises(IntegrityError, match="assessed"), transaction.atomic():
        Destruction.objects.filter(pk=found.pk).update(
            decision="confirmed", decided_by=two.second, decided_at=LATER
        )


def test_booking_stops_review_and_confirmation(runner, two):
    found = two.review(runner)
    AppointmentFactory(
        site=runner.site,
        client=runner,
        clinician=two.first,
        local_date=LATER.date() + timedelta(days=9),
    )

    with pytest.raises(ValidationError, match="booked"):
        two.confirm(found)


def test_running_period_stops_the_review(runner, two):
    until = retaining.standing_of(runner).kept.until
    with (
        time_machine.travel(until, tick=False),
        pytest.raises(ValidationError, match="is kept until"),
    ):
        retaining.review(client=runner, basis="over", reason=OVER, by=two.first)
    with time_machine.travel(until + timedelta(days=1, hours=12), tick=False):
        found = retaining.review(client=runner, basis="over", reason=OVER, by=two.first)

    assert found.keep_until == until


def test_period_is_kept_by_the_database_too(runner, two):
    found = confirmed(runner)
    with connection.cursor() as cursor:
        for name, (table, _) in guards.defined(connection.vendor).items():
            if name.startswith("clinic_destruction_done_once"):
                on = f" ON {table}" if connection.vendor == "postgresql" else ""
                cursor.execute(f"DROP TRIGGER {name}{on}")

    with pytest.raises(IntegrityError, match="destruction_after_period"), transaction.atomic():
        Destruction.objects.filter(pk=found.pk).update(done_on=found.keep_until)


def test_mistake_goes_at_once_when_nothing_clinical_is_in_it(two):
    runner = ClientFactory(registered_on=LATER.date())
    Alert.objects.create(
        site=runner.site, client=runner, kind="other", text="x", since=LATER.date()
    )

    two.confirm(two.review(runner, basis="mistake", reason="Typed in twice."))

    assert stub(runner).destroyed_on == LATER.date()


def test_mistake_with_clinical_rows_is_kept(edition, two):
    runner = ClientFactory()
    found = two.review(runner, basis="mistake", reason="Typed in twice.")
    make_assessment(edition=edition, client=runner, by=two.first)

    with pytest.raises(ValidationError, match="changed since"):
        two.confirm(found)
    with pytest.raises(IntegrityError, match="clinical rows"), transaction.atomic():
        Destruction.objects.filter(pk=found.pk).update(
            decision="confirmed", decided_by=two.second, decided_at=LATER
        )
    other = make_assessment(edition=edition, by=two.first).client
    with pytest.raises(ValidationError, match="no mere mistake"):
        two.review(other, basis="mistake", reason="Typed in twice.")


@pytest.mark.parametrize("reason", [f"Record of {NAME.upper()}", "Orla asked us", ""])
def test_reason_names_nobody_and_is_there(runner, two, reason):
    with pytest.raises(ValidationError):
        two.review(runner, reason=reason)


def test_one_open_legal_hold_and_its_end_is_whole(two):
    runner = ClientFactory()
    hold = legal_holds.set_legal_hold(client=runner, reason="A claim", by=two.first)

    with pytest.raises(ValidationError, match="stands already"):
        legal_holds.set_legal_hold(client=runner, reason="Another", by=two.first)
    with pytest.raises(ValidationError, match="why it ends"):
        legal_holds.end_legal_hold(hold=hold, reason=" ", by=two.second)
    with pytest.raises(IntegrityError, match="only its end"), transaction.atomic():
        LegalHold.objects.filter(pk=hold.pk).update(reason="Other")
    with pytest.raises(IntegrityError, match="legal_hold_ended_whole"), transaction.atomic():
        LegalHold.objects.filter(pk=hold.pk).update(ended_on=hold.since)
    legal_holds.end_legal_hold(hold=hold, reason="Settled", by=two.second)
    with pytest.raises(ValidationError, match="ended already"):
        legal_holds.end_legal_hold(hold=hold, reason="Settled", by=two.second)
    with pytest.raises(IntegrityError, match="fixed"), transaction.atomic():
        LegalHold.objects.filter(pk=hold.pk).update(end_reason="Other")
    said = [line.detail["legal_hold"] for line in TrailEntry.objects.filter(client=runner)]
    assert said == ["set", "ended"]


# what is verified


def without_guards(*tables):
    """As whoever owns the tables could do."""
    with connection.cursor() as cursor:
        for name in guards.present(connection):
            table, _ = guards.defined(connection.vendor).get(name, ("", []))
            if table in tables:
                on = f" ON {table}" if connection.vendor == "postgresql" else ""
                cursor.execute(f"DROP TRIGGER {name}{on}")


def test_signed_rows_of_a_destroyed_record_are_not_missed(runner, two):
    two.destroy(runner)

    tally = Tally()
    assert list(problems(tally)) == []
    # the look, its addendum, the letter
    assert tally.destroyed == 3


def test_signed_row_that_is_gone_otherwise_is_named(runner, two):
    two.destroy(ClientFactory(site=runner.site))
    without_guards("clinic_paper", "clinic_sending")
    Sending.objects.filter(paper__client=runner)._raw_delete(Sending.objects.db)
    Paper.objects.filter(client=runner)._raw_delete(Paper.objects.db)

    assert [words for words in problems(Tally()) if words.startswith("paper")] == [
        f"paper {line.object_key}, client {runner.number}: is gone "
        f"(chain {line.chain}, line {line.number})"
        for line in TrailEntry.objects.filter(
            client=runner, action=TrailAction.SIGN, object_kind="paper"
        )
    ]


def test_record_that_is_gone_without_a_decision_is_named(runner, two):
    done = two.destroy(runner)
    without_guards("clinic_destruction")
    Destruction.objects.filter(pk=done.pk)._raw_delete(Destruction.objects.db)

    found = list(problems(Tally()))

    assert f"client {runner.number}: is emptied, and nobody decided it" in found
    assert len(found) == 5


def test_decision_without_its_line_is_named(runner, two):
    two.destroy(runner)
    without_guards("clinic_trailentry")
    TrailEntry.objects.filter(action=TrailAction.DESTROY).update(object_key="0")

    found = list(problems(Tally()))

    assert f"client {runner.number}: is destroyed, and no line of the trail says so" in found
    assert len([words for words in found if "is gone" in words]) == 4
