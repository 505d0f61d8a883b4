"""How late appointments were cancelled: in the diary, the record and the manager's list."""

import re
from datetime import UTC, date, datetime, time

import pytest
from django.urls import reverse

from clinic.services import diary
from tests.factories import AppointmentFactory, ClientFactory, RoomFactory, StaffFactory
from tests.factories.diary import Place

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)


@pytest.fixture
def place():
    return Place()


@pytest.fixture
def manager(place):
    return StaffFactory(home_site=place.site, role="manager")


def at(time_machine, *parts):
    time_machine.move_to(datetime(2027, 3, *parts, tzinfo=UTC), tick=False)


def plain(page):
    words = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode())).strip()
    return words.replace(" ,", ",")


def cancelled(place, time_machine, *parts, **booking):
    """Booked for Monday 15 March, 9:00, and cancelled at that moment of March (UTC)."""
    found = diary.book(**place.booking(**booking))
    at(time_machine, *parts)
    return diary.cancel(appointment=found, reason="Has a cold", by=place.desk)


@pytest.mark.parametrize(
    ("moment", "words", "late"),
    [
        ((12, 9), "3 days before", False),
        ((14, 9), "24 hours before", False),
        ((14, 9, 0, 1), "23 hours before", True),
        ((15, 8, 40), "20 minutes before", True),
        ((15, 9, 10), "after the start", True),
    ],
)
def test_notice_is_kept_with_the_cancelled_appointment(place, time_machine, moment, words, late):
    found = cancelled(place, time_machine, *moment)

    found.refresh_from_db()
    assert found.cancelled_at == datetime(2027, 3, *moment, tzinfo=UTC)
    assert (found.notice, found.is_cancelled_late) == (words, late)


def test_cancelling_again_leaves_the_first_time(place, time_machine):
    found = cancelled(place, time_machine, 12, 9)
    at(time_machine, 14, 20)

    diary.cancel(appointment=found, reason="Again", by=place.desk)

    found.refresh_from_db()
    assert (found.cancelled_at.day, found.reason) == (12, "Has a cold")


def test_others_have_no_notice(place):
    found = diary.book(**place.booking())

    assert (found.notice, found.is_cancelled_late, found.cancelled_local) == ("", False, None)


def test_late_is_counted_on_the_clock_of_the_appointment(time_machine):
    """New York goes forward on 14 March 2027 at 2:00 (tz database).

    Nine o'clock is 13:00 UTC on the 14th and 14:00 UTC on the 13th: half past eight on the 13th
    is in time, though only 23 and a half hours before.
    """
    place = Place(code="NY", name="Pier", time_zone="America/New_York")
    person = place.clinician_with_hours(weekdays=[6])
    found = cancelled(
        place, time_machine, 13, 13, 30, clinician=person, local_date=date(2027, 3, 14)
    )

    assert found.starts_at == datetime(2027, 3, 14, 13, tzinfo=UTC)
    assert (found.notice, found.is_cancelled_late) == ("23 hours before", False)
    assert found.cancelled_local == datetime(2027, 3, 13, 8, 30)  # noqa: DTZ001  # as shown


def test_pages_say_how_late_it_came(client, place, time_machine):
    found = cancelled(place, time_machine, 15, 6)
    client.force_login(place.desk)

    pages = {
        "day": client.get(reverse("diary"), {"day": "2027-03-15"}),
        "rooms": client.get(reverse("diary-rooms"), {"day": "2027-03-15"}),
        "record": client.get(reverse("client-open", args=[place.client.pk])),
        "own": client.get(reverse("appointment-open", args=[found.pk])),
    }

    assert {name for name, it in pages.items() if "3 hours before, late" in plain(it)} == set(
        pages
    )
    assert "Cancelled 15 Mar 2027, 06:00, 3 hours before, late" in plain(pages["own"])


def test_page_says_before_that_cancelling_is_late_and_for_good(client, place, time_machine):
    found = diary.book(**place.booking())
    client.force_login(place.desk)
    address = reverse("appointment-cancel", args=[found.pk])
    early = plain(client.get(address))
    at(time_machine, 14, 10)
    client.force_login(place.desk)

    late = plain(client.get(address))

    words = "Cancelled now it is late: less than 24 hours before."
    assert "which cannot be taken back" in early
    assert (words in early, words in late) == (False, True)


# the manager's list


def three(place, time_machine):
    """One missed on Monday, one cancelled late, one in time; one seen."""
    seen, missed = (
        diary.book(**place.booking(client=ClientFactory(site=place.site), local_time=time(hour)))
        for hour in (9, 10)
    )
    cancelled(place, time_machine, 12, 9, local_time=time(11))
    cancelled(place, time_machine, 14, 12, local_time=time(11))
    at(time_machine, 15, 18)
    diary.mark_missed(appointment=missed, by=place.desk)
    diary.mark_seen(appointment=seen, by=place.clinician)


def test_list_names_and_counts_what_did_not_happen(client, place, manager, time_machine):
    three(place, time_machine)
    client.force_login(manager)

    page = client.get(reverse("diary-missed"))

    words = plain(page)
    assert "Mill Lane, 16 Feb 2027 to 15 Mar 2027. Of 4 booked: 1 missed, 1 cancelled late, " in (
        words
    )
    assert "1 cancelled in time. Late is less than 24 hours before, on the clock." in words
    assert [(row.local_time.hour, row.notice) for row in page.context["page"]] == [
        (11, "23 hours before"),
        (11, "3 days before"),
        (10, ""),
    ]
    assert "cancelled 23 hours before, late Has a cold" in words
    assert "missed not said" in words


def test_list_is_of_the_period_that_was_chosen(client, place, manager, time_machine):
    three(place, time_machine)
    time_machine.move_to(datetime(2027, 4, 12, 9, tzinfo=UTC), tick=False)
    client.force_login(manager)

    counted = {
        weeks: client.get(reverse("diary-missed"), {"weeks": weeks})
        .context["page"]
        .paginator.count
        for weeks in ("4", "12", "52", "3", "soon", "")
    }

    # four weeks from 16 March on: Monday 15 March is just outside
    assert counted == {"4": 0, "12": 3, "52": 3, "3": 0, "soon": 0, "": 0}


def test_list_is_of_the_own_site(client, place, time_machine):
    three(place, time_machine)
    other = Place(code="QY", name="Quay")
    client.force_login(StaffFactory(home_site=other.site, role="manager"))

    assert "Nothing in this time." in plain(client.get(reverse("diary-missed")))


@pytest.mark.parametrize("role", ["reception", "clinician", "auditor"])
def test_list_is_the_managers(client, place, role):
    client.force_login(StaffFactory(home_site=place.site, role=role))

    assert client.get(reverse("diary-missed")).status_code == 403
    assert reverse("diary-missed") not in client.get(reverse("today")).content.decode()


def test_manager_without_a_site_has_no_list(client, manager):
    manager.home_site = None
    manager.save()
    client.force_login(manager)

    assert client.get(reverse("diary-missed")).status_code == 403


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_of_the_list_do_not_grow(
    client, place, manager, rows, django_assert_num_queries, time_machine
):
    for number in range(rows):
        AppointmentFactory(
            site=place.site,
            client=ClientFactory(site=place.site),
            clinician=StaffFactory(home_site=place.site),
            room=RoomFactory(site=place.site, name=f"Cabin {number}"),
            kind=place.kind,
            state="missed" if number % 2 else "cancelled",
        )
    at(time_machine, 16, 9)
    client.force_login(manager)

    with django_assert_num_queries(6):
        page = client.get(reverse("diary-missed")).content.decode()
    assert page.count("<tr>") == rows + 1
