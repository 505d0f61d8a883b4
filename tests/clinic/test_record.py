"""The record page: who sees what of it, its line in the trail, and its queries."""

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.urls import reverse

from assessments.models import Finding, RunningHistory, Screening
from clinic.domain.vocabulary import Role
from clinic.models import TrailEntry
from exercises.models import Programme
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    ReferrerFactory,
    RoomFactory,
    SiteFactory,
    StaffFactory,
)
from tests.factories.people import (
    AlertFactory,
    AssessmentFactory,
    ConsentFactory,
    EpisodeFactory,
    GoalFactory,
    HoldFactory,
    PaperFactory,
    ReassessmentFactory,
)


@pytest.fixture(autouse=True)
def one_day():
    with time_machine.travel(datetime(2026, 6, 1, 10, tzinfo=UTC), tick=False):
        yield


@pytest.fixture
def runner(db):
    return ClientFactory(
        family_name="Fen",
        telephone="01632 960 100",
        allergies_known="listed",
        allergies="penicillin",
        doctor=ReferrerFactory(name="Dr Alder"),
    )


@pytest.fixture
def staff(runner):
    return StaffFactory(home_site=runner.site)


def fill(runner, staff, edition, rows=1):
    """A whole record, with so many rows of each kind."""
    AlertFactory(client=runner, text="Latex")
    HoldFactory(client=runner)
    ConsentFactory(client=runner, taken_by=staff)
    ReassessmentFactory(client=runner, clinician=staff)
    Screening.objects.create(
        client=runner, site=runner.site, screened_on=date(2026, 5, 1), screened_by=staff
    )
    RunningHistory.objects.create(
        client=runner, site=runner.site, taken_on=date(2026, 4, 2), taken_by=staff
    )
    room, kind = RoomFactory(site=runner.site), AppointmentKindFactory(site=runner.site)
    for n in range(rows):
        episode = EpisodeFactory(
            client=runner,
            clinician=staff,
            complaint_present="yes",
            complaint_region="knee_front",
            referrer=ReferrerFactory(site=runner.site, name="Coach Vale"),
        )
        GoalFactory(episode=episode)
        assessment = AssessmentFactory(episode=episode, edition=edition)
        Finding.objects.create(
            assessment=assessment,
            site=runner.site,
            finding_id="overstride",
            side="none",
            severity="clear",
            because=[],
        )
        type(assessment).objects.filter(pk=assessment.pk).update(
            signed_at=datetime(2026, 2, 2, 9, tzinfo=UTC), signed_by=staff
        )
        Programme.objects.create(
            assessment=assessment, site=runner.site, proposal={}, review_on=date(2026, 6, 9)
        )
        PaperFactory(client=runner, created_by=staff)
        AppointmentFactory(
            client=runner,
            clinician=staff,
            room=room,
            kind=kind,
            local_date=date(2026, 6, 2) + timedelta(days=n),
        )


def page(client, staff, runner):
    client.force_login(staff)
    return client.get(reverse("client-open", args=[runner.pk])).content.decode()


CLINICAL_WORDS = [
    "penicillin",
    "No running until the scan is read.",
    "my knee aches on hills",
    "front of the knee",
    "Coach Vale",
    "run ten kilometres",
    "baseline, 1 Feb 2026",
    "signed 2 Feb 2026",
    "Letter ",
    "1 May 2026, 31 days ago",
    "2 Apr 2026",
    "Who has opened it",
    "filming for the own care",
]
FOR_ALL = [
    "01632 960 100",
    "Dr Alder",
    "allergy: Latex",
    "2 Jun 2026, 09:00",
    "Reassessment due 1 Apr 2026",
    "overdue, not booked",
]


@pytest.mark.parametrize("role", [Role.CLINICIAN, Role.MANAGER])
def test_clinicians_and_managers_see_the_whole_record(client, runner, staff, edition, role):
    fill(runner, staff, edition)

    shown = page(client, StaffFactory(role=role), runner)

    assert [word for word in CLINICAL_WORDS + FOR_ALL if word not in shown] == []


def test_reception_sees_person_contact_alerts_and_dates_only(client, runner, staff, edition):
    fill(runner, staff, edition)

    shown = page(client, StaffFactory(role=Role.RECEPTION), runner)

    assert [word for word in FOR_ALL if word not in shown] == []
    assert [word for word in CLINICAL_WORDS if word in shown] == []
    assert "ask the clinician" in shown


def test_an_opening_is_recorded_and_shown(client, runner, staff):
    shown = page(client, staff, runner)

    (line,) = TrailEntry.objects.all()
    assert (line.action, line.actor, line.client, line.object_kind) == (
        "view",
        staff,
        runner,
        "client",
    )
    assert f"1 Jun 2026, 11:00: {staff} (clinician), the record" in shown


def test_only_the_last_ten_lines_of_the_trail_are_shown(client, runner, staff):
    for _ in range(11):
        shown = page(client, staff, runner)

    assert shown.count("(clinician), the record") == 10


@pytest.mark.parametrize("rows", [1, 40])
@pytest.mark.parametrize(("role", "queries"), [(Role.CLINICIAN, 25), (Role.RECEPTION, 12)])
def test_queries_do_not_grow(
    client, runner, staff, edition, rows, role, queries, django_assert_num_queries
):
    fill(runner, staff, edition, rows)
    client.force_login(StaffFactory(role=role))
    client.get(reverse("client-open", args=[runner.pk]))  # the first line of a trail costs more

    with django_assert_num_queries(queries):
        shown = client.get(reverse("client-open", args=[runner.pk])).content.decode()

    assert shown.count(">Room 1<") == rows
    assert shown.count("baseline, ") == (rows if role == Role.CLINICIAN else 0)


def test_an_empty_record_says_what_is_missing(client, runner, staff):
    shown = page(client, staff, runner)

    for words in ("not done", "not taken", "No episode yet", "No reassessment is due"):
        assert words in shown
    assert shown.count("no answer stands") == 5


def test_an_ended_alert_is_gone_on_the_next_day(client, runner, staff):
    AlertFactory(client=runner, text="Latex", ended_on=date(2026, 6, 1))
    AlertFactory(client=runner, text="Nuts", ended_on=date(2026, 6, 2))

    shown = page(client, staff, runner)

    assert "Nuts" in shown
    assert "Latex" not in shown


def test_a_colleague_of_another_site_finds_nothing(client, runner):
    client.force_login(StaffFactory(home_site=SiteFactory(code="HR", name="Harbour Road")))

    assert client.get(reverse("client-open", args=[runner.pk])).status_code == 404
    assert [line.action for line in TrailEntry.objects.all()] == ["refuse"]


def test_nobody_gets_in_without_signing_in(client, runner):
    where = reverse("client-open", args=[runner.pk])

    assert client.get(where).url == f"{reverse('account_login')}?next={where}"
