"""The invented clinic: whole, consistent, the same when it is prepared again."""

import re
import socket
from itertools import pairwise

import pytest
from django.core.management import CommandError, call_command
from django.db.models import Count
from django.utils import timezone

from assessments.models import Assessment, Finding
from clinic.domain.vocabulary import Role
from clinic.models import (
    Appointment,
    Client,
    Hold,
    LegalHold,
    OpeningHours,
    Paper,
    Reassessment,
    Site,
    Staff,
)
from clinic.web.demo.places import PASS_PHRASE, STAFF
from clinic.web.demo.serving import HOST
from clinic.web.due_records import due_for_review
from clinic.web.management.commands.demo import is_prepared, prepare
from exercises.models import Programme


@pytest.fixture(scope="module")
def prepared(django_db_setup, django_db_blocker):
    """One preparation for the module, undone at its end."""
    from django.db import transaction

    with django_db_blocker.unblock():
        block = transaction.atomic()
        block.__enter__()
        prepare()
        yield
        transaction.set_rollback(True)
        block.__exit__(None, None, None)


@pytest.fixture
def clinic(prepared, db):
    return prepared


def test_clinic_has_its_staff_and_clients(clinic):
    roles = [role for *_, role, _, _ in STAFF]
    assert (roles.count(Role.CLINICIAN), roles.count(Role.RECEPTION)) == (3, 2)
    assert roles.count(Role.MANAGER) == 1
    assert Staff.objects.count() == len(STAFF)
    assert Site.objects.count() == 2
    assert Client.objects.count() == 41


def test_everybody_signs_in_with_the_phrase_that_is_printed(clinic):
    assert all(person.check_password(PASS_PHRASE) for person in Staff.objects.all())


def test_every_client_is_valid_and_reachable_by_invented_numbers_only(clinic):
    for runner in Client.objects.all():
        runner.full_clean()
        # 01632 960000 to 960999 is kept free for fiction (from memory: Ofcom's list for drama)
        assert re.fullmatch(r"01632 960\d{3}", runner.telephone)
        assert runner.email.endswith("@example.org")


def test_several_clients_came_back_so_that_change_shows(clinic):
    looks = Client.objects.annotate(looks=Count("assessments")).values_list("looks", flat=True)

    assert sum(number >= 2 for number in looks) >= 10
    assert sum(number >= 3 for number in looks) >= 2
    assert Assessment.objects.unsigned().count() == 3
    assert Finding.objects.count() > 20


def test_holds_stand_in_each_scope_and_one_is_lifted(clinic):
    scopes = set(Hold.objects.open().values_list("scope", flat=True))

    assert scopes >= {"stop_all", "no_impact", "limit_load"}
    assert Hold.objects.filter(end="lifted", ended_on__isnull=False).count() == 1


def test_findings_change_from_first_to_last_look(clinic):
    changed = 0
    for runner in Client.objects.annotate(looks=Count("assessments")).filter(looks__gte=2):
        looks = runner.assessments.order_by("assessed_on")
        before, after = (
            set(one.findings.values_list("finding", "side", "severity"))
            for one in (looks.first(), looks.last())
        )
        changed += before != after

    assert changed >= 6


def test_next_looks_are_due_overdue_and_booked(clinic):
    today = timezone.localdate()
    waiting = Reassessment.objects.waiting()

    assert waiting.filter(due_on__lt=today).count() >= 2
    assert waiting.filter(due_on__gte=today).count() >= 3
    assert Reassessment.objects.filter(state="booked").count() >= 2


def test_visit_fits_the_client(clinic):
    """A first assessment comes once; each look has a visit of its day that was kept."""
    firsts = Appointment.objects.standing().filter(kind__code="first")
    days = Assessment.objects.signed().values_list("client", "assessed_on")
    seen = Appointment.objects.filter(state="seen").values_list("client", "local_date")

    assert firsts.count() == firsts.values("client").distinct().count() == 40
    assert set(days) <= set(seen)


def test_programmes_papers_and_due_dates_are_there(clinic):
    assert Programme.objects.filter(issued_at__isnull=False).count() == 14
    assert Programme.objects.filter(issued_at__isnull=True).count() == 2
    assert {"handout", "letter"} <= set(Paper.objects.values_list("kind", flat=True))
    assert Paper.objects.filter(kind="letter", state="draft").exists()
    assert Paper.objects.filter(kind="letter", state="signed").exists()
    assert Reassessment.objects.count() >= 5


def test_one_record_is_due_for_review_and_one_is_held(clinic):
    max_ = Staff.objects.get(username="max")

    due = due_for_review(max_, timezone.localdate())

    assert [one.client.family_name for one in due] == ["Rushmere"]
    assert LegalHold.objects.open().get().client.family_name == "Drummond-Vale"


def test_every_day_of_the_week_is_a_day_of_work(clinic):
    days = OpeningHours.objects.values_list("clinician", "weekday").distinct()
    today = Appointment.objects.standing().on_day(timezone.localdate())

    assert days.count() == 7 * 3
    assert today.values("clinician").distinct().count() == 3


def test_nobody_is_booked_twice(clinic):
    rows = Appointment.objects.standing()

    assert rows.count() > 60
    for what in ("clinician_id", "room_id", "client_id"):
        for one, next_one in pairwise(rows.order_by(what, "starts_at")):
            same = getattr(one, what) == getattr(next_one, what)
            assert not same or one.ends_at <= next_one.starts_at


def test_preparing_again_changes_nothing(clinic):
    before = (Client.objects.count(), Appointment.objects.count())

    assert is_prepared()
    prepare()

    assert (Client.objects.count(), Appointment.objects.count()) == before


def test_demo_does_not_run_beside_a_real_clinic(db, settings):
    settings.DEMO = False

    with pytest.raises(CommandError, match="CLINIC_DEMO"):
        call_command("demo", "--prepare-only")


def test_port_that_is_taken_is_named(clinic, settings):
    settings.DEMO = True
    with socket.socket() as other:
        other.bind((HOST, 0))
        other.listen()

        with pytest.raises(CommandError, match="is taken"):
            call_command("demo", "--port", other.getsockname()[1])
