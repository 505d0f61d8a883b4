"""The diary by room: a day with what is free, and a week."""

import re
from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.urls import reverse

from clinic.domain.opening import ChangeKind
from clinic.models import KeptTime
from clinic.services import diary
from tests.factories import AppointmentFactory, ClientFactory, RoomFactory, StaffFactory
from tests.factories.diary import Place
from tests.factories.hours import HoursChangeFactory

pytestmark = pytest.mark.django_db
MONDAY = date(2027, 3, 15)
NINE = datetime(2027, 3, 15, 9, tzinfo=UTC)


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)


@pytest.fixture
def place():
    return Place()


@pytest.fixture
def desk(client, place):
    client.force_login(place.desk)
    return client


def plain(html):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).strip().replace(" ,", ",")


def day_of(browser, day=MONDAY, **more):
    page = browser.get(reverse("diary-rooms"), {"day": day.isoformat(), **more})
    assert page.status_code == 200
    html = page.content.decode()
    sections = re.findall(r'<section class="diary-column".*?</section>', html, re.DOTALL)
    return plain(html), [plain(it) for it in sections]


def test_room_shows_who_is_in_it_until_when_and_what_is_free(desk, place):
    place.kind.clear_minutes = 15
    place.kind.save()
    diary.book(**place.booking())
    RoomFactory(site=place.site, name="Room 2", has_treadmill=False)

    words, rooms = day_of(desk)

    assert "Mill Lane: 1 appointment." in words
    assert rooms == [
        f"Room 1 With a treadmill 09:00 {place.client} to 09:45, Reassessment, {place.clinician}; "
        "room clear at 10:00 booked 10:00 free to 17:00",
        "Room 2 No treadmill 09:00 free to 17:00",
    ]


def test_cancelled_ones_leave_the_room_and_stand_below(desk, place):
    diary.cancel(appointment=diary.book(**place.booking()), reason="Has a cold", by=place.desk)

    words, rooms = day_of(desk)

    assert rooms == ["Room 1 With a treadmill 09:00 free to 17:00"]
    assert f"1 cancelled 09:00 {place.client}, {place.clinician}: Has a cold" in words


def test_time_kept_for_a_caller_is_not_free(desk, place):
    KeptTime.objects.create(
        site=place.site,
        client=place.client,
        clinician=place.clinician,
        room=place.room,
        kind=place.kind,
        starts_at=NINE + timedelta(hours=1),
        clear_at=NINE + timedelta(hours=2),
        kept_by=place.desk,
        kept_until=datetime(2027, 3, 8, 12, 5, tzinfo=UTC),
    )

    _, rooms = day_of(desk)

    assert rooms == [
        "Room 1 With a treadmill 09:00 free to 10:00 "
        f"10:00 Kept for a caller to 11:00, {place.clinician}; by {place.desk} "
        "11:00 free to 17:00"
    ]


def test_nothing_is_free_while_the_site_is_closed(desk, place):
    HoursChangeFactory(
        site=place.site,
        clinician=None,
        kind=ChangeKind.CLOSED,
        first_day=MONDAY,
        last_day=MONDAY,
        opens=time(12),
        closes=time(17),
        why="fire drill",
    )

    words, rooms = day_of(desk)

    assert "The whole site: fire drill." in words
    assert rooms == ["Room 1 With a treadmill 09:00 free to 12:00"]


def test_public_holiday_is_named_and_leaves_nothing_free(desk, place):
    place.site.holiday_region = "GB-ENG"
    place.site.save()

    # Good Friday 2027: gov.uk/bank-holidays, England and Wales
    words, rooms = day_of(desk, date(2027, 3, 26))

    assert "Public holiday: Good Friday." in words
    assert rooms == ["Room 1 With a treadmill Nothing booked, nobody to be booked."]


def test_what_is_over_is_not_called_free(desk, place, time_machine):
    time_machine.move_to(datetime(2027, 3, 15, 13, 20, tzinfo=UTC), tick=False)
    desk.force_login(place.desk)

    assert day_of(desk)[1] == ["Room 1 With a treadmill 13:20 free to 17:00"]
    assert day_of(desk, date(2027, 3, 12))[1] == [
        "Room 1 With a treadmill Nothing booked, nobody to be booked."
    ]


def test_times_are_those_of_the_site_whatever_zone_the_machine_has(client):
    """New York is on summer time from 14 March 2027 on (tz database): 9:00 there is 13:00 UTC."""
    there = Place(code="NY", name="Pier", time_zone="America/New_York")
    client.force_login(there.desk)
    found = diary.book(**there.booking())

    _, rooms = day_of(client)

    assert found.starts_at == datetime(2027, 3, 15, 13, tzinfo=UTC)
    assert rooms == [
        f"Room 1 With a treadmill 09:00 {there.client} to 09:45, Reassessment, {there.clinician} "
        "booked 09:45 free to 17:00"
    ]


def test_another_site_sees_nothing_of_it(client, place):
    diary.book(**place.booking())
    client.force_login(Place(code="QY", name="Quay").desk)

    words, _ = day_of(client, site=place.site.pk)

    assert place.client.family_name not in words


def week_of(browser, day):
    page = browser.get(reverse("diary-rooms-week"), {"day": day.isoformat()})
    html = page.content.decode()
    rows = re.findall(r"<tr>.*?</tr>", html, re.DOTALL)
    head, *body = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", it, re.DOTALL) for it in rows]
    unlabelled = re.compile(r'<span class="diary-cell-day".*?</span>')
    return (
        plain(html),
        [plain(it) for it in head],
        [[plain(unlabelled.sub("", cell)) for cell in row] for row in body],
    )


def test_week_has_a_row_for_each_room_and_a_column_for_each_day(desk, place):
    RoomFactory(site=place.site, name="Room 2")
    diary.book(**place.booking(local_date=date(2027, 3, 17)))

    words, head, body = week_of(desk, MONDAY)

    assert "15 March to 21 March 2027, by room" in words
    assert "week 11." in words  # ISO 8601: 4 January lies in week 1
    assert head == ["Room", "Mon 15 Mar", "Tue 16 Mar", "Wed 17 Mar", "Thu 18 Mar", "Fri 19 Mar"]
    none = "nothing booked"
    booked = f"09:00 {place.client} {place.clinician.last_name}"
    assert body == [
        ["Room 1 with a treadmill", none, none, booked, none, none],
        ["Room 2 with a treadmill", none, none, none, none, none],
    ]


def test_week_names_holidays(desk, place):
    place.site.holiday_region = "GB-ENG"
    place.site.save()

    _, head, _ = week_of(desk, date(2027, 3, 24))

    assert "Fri 26 Mar Good Friday" in head


def test_site_without_a_room_says_so(desk, place):
    place.room.delete()

    assert "The site has no room." in day_of(desk)[0]
    assert "The site has no room." in week_of_words(desk)


def week_of_words(browser):
    return plain(browser.get(reverse("diary-rooms-week")).content.decode())


def test_week_in_which_nobody_works_says_so(desk, place):
    place.clinician.hours.all().delete()

    assert "Nobody can be booked in this week." in week_of_words(desk)


@pytest.mark.parametrize("rows", [1, 40])
@pytest.mark.parametrize(("name", "queries"), [("diary-rooms", 10), ("diary-rooms-week", 9)])
def test_queries_do_not_grow(desk, place, django_assert_num_queries, rows, name, queries):
    for number in range(rows):
        AppointmentFactory(
            site=place.site,
            client=ClientFactory(site=place.site),
            clinician=StaffFactory(home_site=place.site),
            room=RoomFactory(site=place.site, name=f"Cabin {number}"),
            kind=place.kind,
        )

    with django_assert_num_queries(queries):
        page = desk.get(reverse(name), {"day": "2027-03-15"})

    assert page.content.count(b"Cabin") == rows
