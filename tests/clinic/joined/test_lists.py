"""Joined records in lists and under restrictions: one person, one name, one rule."""

from datetime import UTC, date, datetime

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from clinic.domain.vocabulary import Role
from clinic.models import Appointment, Client, Reassessment
from clinic.models.limits import told_to
from clinic.services import people, reassessments, record_links, reminders
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    RoomFactory,
    StaffFactory,
)
from tests.factories.hours import WaitingEntryFactory
from tests.factories.limits import restrict
from tests.factories.people import ConsentFactory, ReassessmentFactory, RecordLinkFactory

pytestmark = pytest.mark.django_db
TODAY = date(2026, 6, 1)


def visit(client, staff, **fields):
    first = {
        "room": RoomFactory(site=client.site),
        "kind": AppointmentKindFactory(site=client.site),
        "local_date": TODAY,
    }
    return AppointmentFactory(client=client, clinician=staff, site=client.site, **first | fields)


# one name in lists


@pytest.mark.parametrize(
    "page", ["today", "diary", "diary-week", "diary-rooms", "diary-rooms-week"]
)
def test_diary_names_the_kept_record(client, kept, joined, staff, page):
    visit(joined, staff)
    client.force_login(staff)
    assert "Marsh" in client.get(reverse(page)).content.decode()

    RecordLinkFactory(kept=kept, joined=joined)
    shown = client.get(reverse(page)).content.decode()

    assert "Fen" in shown
    assert "Marsh" not in shown


def test_due_list_and_waiting_list_name_the_kept_record(client, kept, joined, staff):
    visit_of = visit(joined, staff, local_date=date(2026, 6, 20))
    ReassessmentFactory(client=joined, state="booked", appointment=visit_of)
    WaitingEntryFactory(
        site=kept.site, client=joined, since=datetime(2026, 5, 1, tzinfo=UTC), asked_by=staff
    )
    RecordLinkFactory(kept=kept, joined=joined)
    client.force_login(staff)

    for where in (f"{reverse('due-list')}?show=booked", reverse("waiting-list")):
        shown = client.get(where).content.decode()
        assert "ML90042" in shown
        assert "01632 960042" in shown
        assert "ML90007" not in shown


@pytest.mark.parametrize("rows", [1, 40])
def test_joined_records_cost_lists_one_query(staff, rows, django_assert_num_queries):
    for _ in range(rows):
        one = ClientFactory(site=staff.home_site)
        due = ReassessmentFactory(client=ClientFactory(site=staff.home_site))
        RecordLinkFactory(kept=one, joined=due.client, site=one.site)

    with django_assert_num_queries(2):
        found = told_to(Reassessment.objects.for_listing(), staff)

    assert len(found) == rows
    assert {row.client.pk for row in found} == set(
        Client.objects.filter(links_as_kept__isnull=False).values_list("pk", flat=True)
    )


def test_lists_without_joined_records_cost_nothing_more(staff, django_assert_num_queries):
    ReassessmentFactory(client=ClientFactory(site=staff.home_site))

    with django_assert_num_queries(1):
        assert len(told_to(Reassessment.objects.for_listing(), staff)) == 1


def test_list_that_names_the_kept_record_changes_no_row(kept, joined, staff):
    visit(joined, staff)
    RecordLinkFactory(kept=kept, joined=joined)

    (row,) = told_to(Appointment.objects.for_listing(), staff)

    assert row.client == kept
    assert Appointment.objects.get().client == joined


# restrictions


def opens(staff, *clients):
    found = Client.objects.for_staff(staff)
    return [found.filter(pk=one.pk).exists() for one in clients]


def test_restriction_of_one_closes_all_of_the_person(kept, joined, staff):
    colleague = StaffFactory(home_site=kept.site)
    third, stranger = ClientFactory(site=kept.site), ClientFactory(site=kept.site)
    for other in (joined, third):
        RecordLinkFactory(kept=kept, joined=other)
    assert opens(colleague, kept, joined, third, stranger) == [True] * 4

    restrict(joined, staff)

    assert opens(colleague, kept, joined, third, stranger) == [False, False, False, True]
    assert opens(staff, kept, joined, third, stranger) == [True] * 4


def test_restriction_of_the_kept_record_closes_the_joined(kept, joined, staff):
    colleague = StaffFactory(home_site=kept.site)
    link = RecordLinkFactory(kept=kept, joined=joined)
    restrict(kept, staff)
    assert opens(colleague, kept, joined) == [False, False]

    record_links.part_records(
        link=link, by=StaffFactory(home_site=kept.site, role=Role.MANAGER), reason="Two sisters."
    )

    assert opens(colleague, kept, joined) == [False, True]


def test_restricted_and_open_records_are_not_joined(kept, joined, staff):
    manager = StaffFactory(home_site=kept.site, role=Role.MANAGER)
    compared = {"names_compared": True, "births_compared": True, "addresses_compared": True}
    fields = {"kept": kept, "joined": joined, "by": manager, "reason": "Asked."} | compared
    restrict(joined, staff, staff=[manager])

    with pytest.raises(ValidationError, match="restrict both"):
        record_links.join_records(**fields)
    restrict(kept, staff, staff=[manager])
    assert record_links.join_records(**fields).kept == kept


def test_joined_record_that_is_closed_is_told_without_the_person(kept, joined, staff):
    visit(joined, staff)
    RecordLinkFactory(kept=kept, joined=joined)
    restrict(kept, staff)

    (row,) = told_to(Appointment.objects.for_listing(), StaffFactory(home_site=kept.site))

    assert (row.is_open, row.client.pk, row.client.number) == (False, None, "")


# reaching the person


def agreed(client, staff):
    ConsentFactory(client=client, taken_by=staff, purpose="reminding")


def test_mail_of_an_earlier_booking_goes_to_the_address_that_is_kept_up(
    kept, joined, staff, mailoutbox
):
    booked = visit(joined, staff, local_date=date(2026, 6, 20))
    Client.objects.filter(pk=kept.pk).update(email="new@example.org")
    Client.objects.filter(pk=joined.pk).update(email="old@example.org")
    agreed(kept, staff)
    RecordLinkFactory(kept=kept, joined=joined)

    reminders.send_appointment(appointment=booked, by=staff)

    (message,) = mailoutbox
    assert message.to == ["new@example.org"]
    assert b"old@example.org" not in message.attachments[0].content.encode()
    assert Appointment.objects.get().client == joined


def test_an_end_in_the_joined_record_stops_mail(kept, joined, staff):
    booked = visit(kept, staff, local_date=date(2026, 6, 20))
    Client.objects.filter(pk=kept.pk).update(email="new@example.org")
    agreed(kept, staff)
    ConsentFactory(client=joined, taken_by=staff, purpose="reminding", given=False, given_on=TODAY)
    RecordLinkFactory(kept=kept, joined=joined)

    with pytest.raises(ValidationError, match="has not agreed"):
        reminders.send_appointment(appointment=booked, by=staff)


def test_a_new_day_is_set_where_one_stands(kept, joined, staff):
    due = ReassessmentFactory(client=joined, clinician=staff)
    RecordLinkFactory(kept=kept, joined=joined)

    found = reassessments.open_reassessment(
        client=kept, clinician=staff, due_on=date(2026, 8, 1), by=staff
    )

    assert (found, found.client) == (due, joined)
    assert Reassessment.objects.count() == 1


@pytest.mark.parametrize(("day", "shown"), [(date(2026, 6, 3), "3 Jun"), (None, "9 Jun")])
def test_search_shows_the_next_visit_of_the_person(client, kept, joined, staff, day, shown):
    visit(kept, staff, local_date=date(2026, 6, 9))
    if day:
        visit(joined, staff, local_date=day)
    RecordLinkFactory(kept=kept, joined=joined)
    ClientFactory(site=kept.site, family_name="Fennimore")
    for one in Client.objects.all():
        Client.objects.filter(pk=one.pk).update(search_text=people.searched_by(one))
    client.force_login(staff)

    found = client.post(reverse("client-list"), {"q": "fen"}, follow=True).content.decode()

    assert shown in found
    assert ("9 Jun" in found) == (day is None)


def test_what_is_due_in_either_record_is_offered_to_book(client, kept, joined, staff):
    ReassessmentFactory(client=joined, clinician=staff, due_on=date(2026, 7, 15))
    client.force_login(staff)
    pages = [reverse("appointment-find", args=[kept.pk]), reverse("due-edit", args=[kept.pk])]
    before = [client.get(page).content.decode() for page in pages]

    RecordLinkFactory(kept=kept, joined=joined)
    after = [client.get(page).content.decode() for page in pages]

    assert not any("15 Jul 2026" in page for page in before)
    assert all("15 Jul 2026" in page or "15.07.2026" in page for page in after)
