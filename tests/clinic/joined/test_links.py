"""Two records of one person: joined by a link, read as one, parted again; on both engines.

Source of what is asked: HL7 EHR-S Functional Model R2.1.1, RI.1.1.19 and RI.1.1.20 (records of
one person are merged and un-merged, and both histories stay whole).
"""

from datetime import UTC, date, datetime

import pytest
from django.apps import apps
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, connection, transaction

from assessments.models import Assessment, Episode, RunningHistory, Screening
from clinic.domain.vocabulary import Role
from clinic.models import Appointment, Client, Consent, RecordLink, TrailEntry, WaitingEntry
from clinic.models.record_links import person
from clinic.services import people
from clinic.services import record_links as services
from clinic.services.living import refuse_dead
from clinic.web.verification import Tally, problems
from tests.clinic.joined import COMPARED
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    SiteFactory,
    StaffFactory,
)
from tests.factories.consult import make_assessment
from tests.factories.people import (
    AlertFactory,
    ConsentFactory,
    EpisodeFactory,
    HoldFactory,
    PaperFactory,
    ReassessmentFactory,
    RecordLinkFactory,
)

TODAY = date(2026, 6, 1)
pytestmark = pytest.mark.django_db


def join(kept, joined, by, **fields):
    return services.join_records(
        kept=kept, joined=joined, by=by, reason="Asked at the desk.", **COMPARED | fields
    )


# joining and parting


def test_a_link_and_a_line_in_both_trails(kept, joined, manager):
    link = join(kept, joined, manager)

    assert (link.kept, link.joined, link.joined_by, link.births_differ) == (
        kept,
        joined,
        manager,
        False,
    )
    lines = TrailEntry.objects.filter(action="merge").order_by("pk")
    assert [(line.client, line.detail["other"]) for line in lines] == [
        (kept, "ML90007"),
        (joined, "ML90042"),
    ]
    assert "desk" not in str([line.detail for line in lines])


def test_the_records_of_a_person(kept, joined, manager):
    third, stranger = ClientFactory(site=kept.site), ClientFactory(site=kept.site)
    for other in (joined, third):
        join(kept, other, manager)

    whole = {kept.pk, joined.pk, third.pk}
    assert [set(person(it.pk)) for it in (kept, joined, third)] == [whole] * 3
    assert set(person(stranger.pk)) == {stranger.pk}


@pytest.mark.parametrize("role", [Role.CLINICIAN, Role.RECEPTION])
def test_only_a_manager_joins_and_parts(kept, joined, role):
    by = StaffFactory(home_site=kept.site, role=role)

    with pytest.raises(PermissionDenied):
        join(kept, joined, by)
    with pytest.raises(PermissionDenied):
        services.part_records(link=RecordLinkFactory(kept=kept, joined=joined), by=by, reason="x")


def test_records_of_two_sites_are_not_joined(kept, manager):
    elsewhere = ClientFactory(site=SiteFactory(code="QY", name="Quay"))

    with pytest.raises(ValidationError, match="two sites"):
        join(kept, elsewhere, manager)


def test_a_record_is_not_joined_to_itself(kept, manager):
    with pytest.raises(ValidationError, match="two records"):
        join(kept, kept, manager)


def test_no_chains(kept, joined, manager):
    third = ClientFactory(site=kept.site)
    join(kept, joined, manager)

    for one, two, words in (
        (third, joined, "joined to another"),
        (joined, third, "joined to another"),
        (third, kept, "Other records are joined"),
    ):
        with pytest.raises(ValidationError, match=words):
            join(one, two, manager)


def test_all_three_are_compared(kept, joined, manager):
    for name in COMPARED:
        with pytest.raises(ValidationError, match="Compare all three"):
            join(kept, joined, manager, **{name: False})


def test_other_birth_dates_ask_for_a_reason(kept, manager):
    other = ClientFactory(site=kept.site, birth_date=date(1990, 12, 4))

    with pytest.raises(ValidationError, match="dates of birth differ"):
        join(kept, other, manager)
    link = join(kept, other, manager, birth_reason="Day and month were swapped.")

    assert (link.births_differ, link.birth_reason) == (True, "Day and month were swapped.")


def test_one_day_is_due_for_one_person(kept, joined, manager):
    ReassessmentFactory(client=joined)

    with pytest.raises(ValidationError, match="close it on the due list"):
        join(kept, joined, manager)


def test_a_death_is_the_same_in_both(kept, joined, manager):
    Client.objects.filter(pk=joined.pk).update(died_on=date(2026, 5, 1))

    with pytest.raises(ValidationError, match="whether, or when, the client died"):
        join(kept, joined, manager)
    Client.objects.filter(pk=kept.pk).update(died_on=date(2026, 5, 1))
    assert join(kept, joined, manager).joined == joined


def test_a_death_ends_what_is_open_in_both(kept, joined, staff):
    visit = AppointmentFactory(client=joined, clinician=staff, local_date=date(2026, 7, 1))
    RecordLinkFactory(kept=kept, joined=joined)

    with pytest.raises(ValidationError, match="joined to ML90042: write the day"):
        people.change_client(client=joined, seen=1, by=staff, died_on=date(2026, 5, 30))
    people.change_client(client=kept, seen=1, by=staff, died_on=date(2026, 5, 30))

    visit.refresh_from_db()
    assert visit.state == "cancelled"
    for one in (kept, joined):
        with pytest.raises(ValidationError, match="the client has died"):
            refuse_dead(one)


def test_records_are_parted_once_and_with_a_reason(kept, joined, manager):
    link = join(kept, joined, manager)
    with pytest.raises(ValidationError, match="Say why"):
        services.part_records(link=link, by=manager, reason=" ")

    parted = services.part_records(link=link, by=manager, reason="Two sisters.")

    assert (parted.parted_by, parted.part_reason) == (manager, "Two sisters.")
    assert set(person(kept.pk)) == {kept.pk}
    assert TrailEntry.objects.filter(action="unmerge").count() == 2
    with pytest.raises(ValidationError, match="parted already"):
        services.part_records(link=link, by=manager, reason="Again.")
    assert join(joined, kept, manager).kept == joined


def rows_of(client):
    """Every row of one record as the database has it, but the trail and the links."""
    from clinic.web.person_rows import paths

    found = {}
    with connection.cursor() as cursor:
        for table, path in paths().items():
            if table in (TrailEntry, RecordLink):
                continue
            keys = table._default_manager.filter(**{path or "pk": client.pk}).values_list(
                "pk", flat=True
            )
            for key in keys:
                name = connection.ops.quote_name(table._meta.db_table)
                cursor.execute(f"SELECT * FROM {name} WHERE id = %s", [key])  # noqa: S608
                found[table._meta.label, key] = repr(cursor.fetchall())
    return found


def test_parted_records_have_exactly_their_own_rows_again(kept, joined, staff, manager, edition):
    for one in (kept, joined):
        make_assessment(edition=edition, client=one, by=staff, on=date(2026, 5, 1))
        AlertFactory(client=one)
        HoldFactory(client=one)
        ConsentFactory(client=one, taken_by=staff)
        PaperFactory(client=one, created_by=staff)
    before = {one.pk: rows_of(one) for one in (kept, joined)}
    assert all(len(rows) > 7 for rows in before.values())

    link = join(kept, joined, manager)
    during = {one.pk: rows_of(one) for one in (kept, joined)}
    written = people.add_alert(client=kept, by=staff, since=TODAY, kind="access", text="Step")
    services.part_records(link=link, by=manager, reason="Two sisters.")

    assert during == before
    assert list(problems(Tally())) == []
    after = {one.pk: rows_of(one) for one in (kept, joined)}
    assert after[joined.pk] == before[joined.pk]
    new = set(after[kept.pk]) - set(before[kept.pk])
    assert new == {("clinic.Alert", written.pk)}
    assert {key: after[kept.pk][key] for key in before[kept.pk]} == before[kept.pk]


# what the database refuses


def test_the_database_refuses_chains(kept, joined):
    third = ClientFactory(site=kept.site)
    RecordLinkFactory(kept=kept, joined=joined)

    for one, two in ((third, kept), (joined, third), (third, joined)):
        with pytest.raises(IntegrityError), transaction.atomic():
            RecordLinkFactory(kept=one, joined=two)
    with pytest.raises(IntegrityError, match="link_of_two"), transaction.atomic():
        RecordLinkFactory(kept=third, joined=third)


@pytest.mark.parametrize(
    "change", [{"reason": "x"}, {"births_differ": True}, {"kept": None}, {"part_reason": "x"}]
)
def test_a_link_is_never_changed(kept, joined, manager, change):
    link = join(kept, joined, manager)
    if "part_reason" in change:
        services.part_records(link=link, by=manager, reason="Two sisters.")
    if "kept" in change:
        change = {"kept": ClientFactory(site=kept.site)}

    with pytest.raises(IntegrityError), transaction.atomic():
        RecordLink.objects.filter(pk=link.pk).update(**change)


def test_a_link_is_never_deleted(kept, joined, deleting_refused):
    link = RecordLinkFactory(kept=kept, joined=joined)

    with pytest.raises(IntegrityError, match="never deleted"), transaction.atomic():
        RecordLink.objects.filter(pk=link.pk).delete()


def test_the_database_refuses_new_rows_in_a_joined_record(kept, joined, staff, edition):
    episode = EpisodeFactory(client=joined, clinician=staff)
    RecordLinkFactory(kept=kept, joined=joined)
    of = {"site": joined.site, "client": joined}
    makers = {
        Episode: lambda: EpisodeFactory(client=joined, clinician=staff),
        Assessment: lambda: Assessment.objects.create(
            episode=episode,
            clinician=staff,
            kind="baseline",
            assessed_on=TODAY,
            edition=edition,
            **of,
        ),
        RunningHistory: lambda: RunningHistory.objects.create(
            taken_on=TODAY, taken_by=staff, **of
        ),
        Screening: lambda: Screening.objects.create(screened_on=TODAY, screened_by=staff, **of),
        Appointment: lambda: AppointmentFactory(client=joined, clinician=staff),
        Consent: lambda: ConsentFactory(client=joined, taken_by=staff),
        WaitingEntry: lambda: WaitingEntry.objects.create(
            kind=AppointmentKindFactory(site=joined.site),
            since=datetime(2026, 6, 1, tzinfo=UTC),
            asked_by=staff,
            **of,
        ),
    }

    for model, make in makers.items():
        with pytest.raises(IntegrityError, match="the record is joined"), transaction.atomic():
            make()
        assert model._meta.label in {it._meta.label for it in apps.get_models()}
