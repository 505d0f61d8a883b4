"""Month ends, leap days, year ends and holidays that are moved, against dates written out.

Public holidays: gov.uk/bank-holidays, each division's own list. Christmas Day 2027 is a Saturday
and New Year's Day 2028 as well, so substitute days follow: 27 and 28 December 2027 and 3 January
2028, in Scotland also 4 January 2028 for 2 January. Weeks: ISO 8601, week 1 holds 4 January; 2026
begins on a Thursday and has 53 weeks, the last from 28 December 2026 to 3 January 2027.
"""

import re
from datetime import UTC, date, datetime, time

import pytest
from django.urls import reverse

from clinic.domain.diary import late_words
from clinic.models import Appointment
from clinic.public_holidays import holidays_between
from clinic.services import diary, free_times, reassessments
from clinic.services.free_times import Wish
from tests.factories import StaffFactory
from tests.factories.diary import Place
from tests.factories.hours import HoursChangeFactory

pytestmark = pytest.mark.django_db
CHRISTMAS = {
    "GB-ENG": ["2027-12-27", "2027-12-28", "2028-01-03"],
    "GB-SCT": ["2027-12-27", "2027-12-28", "2028-01-03", "2028-01-04"],
    "GB-NIR": ["2027-12-27", "2027-12-28", "2028-01-03"],
}
# days of the year that one division keeps and another does not, 2027 and 2028
OWN = [
    ("GB-ENG", "2027-03-29", True),  # Easter Monday
    ("GB-SCT", "2027-03-29", False),
    ("GB-NIR", "2027-03-29", True),
    ("GB-ENG", "2027-03-17", False),  # St Patrick
    ("GB-NIR", "2027-03-17", True),
    ("GB-NIR", "2027-07-12", True),  # Battle of the Boyne
    ("GB-SCT", "2027-01-04", True),  # for 2 January, a Saturday
    ("GB-ENG", "2027-01-04", False),
    ("GB-SCT", "2027-08-02", True),  # summer, first Monday of August
    ("GB-ENG", "2027-08-02", False),
    ("GB-ENG", "2027-08-30", True),  # summer, last Monday of August
    ("GB-SCT", "2027-08-30", False),
    ("GB-SCT", "2027-11-30", True),  # St Andrew
    ("GB-ENG", "2028-04-17", True),  # Easter Monday
    ("GB-NIR", "2028-07-12", True),
]


@pytest.fixture
def today(time_machine):
    """Turns the clock to noon of a day."""

    def turn(day):
        noon = datetime.combine(date.fromisoformat(day), time(12), tzinfo=UTC)
        time_machine.move_to(noon, tick=False)

    turn("2027-11-15")
    return turn


@pytest.fixture
def place(today):
    return Place(holiday_region="GB-ENG")


@pytest.fixture
def desk(client, place):
    client.force_login(place.desk)
    return client


def plain(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode())).strip()


# public holidays


@pytest.mark.parametrize("region", CHRISTMAS)
def test_substitute_days_are_those_of_the_region(region):
    found = holidays_between(region, date(2027, 12, 24), date(2028, 1, 7))

    assert [str(day) for day in sorted(found) if day.weekday() < 5] == CHRISTMAS[region]


@pytest.mark.parametrize(("region", "day", "kept"), OWN)
def test_region_keeps_its_own_days(region, day, kept):
    on = date.fromisoformat(day)

    assert bool(holidays_between(region, on, on)) == kept


# a due day on which nobody works


def due(place, day):
    return reassessments.open_reassessment(
        client=place.client,
        clinician=place.clinician,
        due_on=date.fromisoformat(day),
        by=place.clinician,
    )


def offered(browser, place):
    """First of the offers from the due day on, last of those before it."""
    free = browser.get(reverse("appointment-find", args=[place.client.pk])).context["free"]
    return free.same[0].words, free.earlier[-1].words


@pytest.mark.parametrize(
    ("region", "day", "from_it", "before_it"),
    [
        # the substitute day of Christmas, a Monday
        ("GB-ENG", "2027-12-27", "Wed 29 Dec 09:00", "Fri 24 Dec 16:15"),
        # that of New Year's Day, a Monday: Scotland keeps the Tuesday as well
        ("GB-ENG", "2028-01-03", "Tue 4 Jan 09:00", "Fri 31 Dec 16:15"),
        ("GB-SCT", "2028-01-03", "Wed 5 Jan 09:00", "Fri 31 Dec 16:15"),
        ("GB-NIR", "2028-03-17", "Mon 20 Mar 09:00", "Thu 16 Mar 16:15"),
        # no holiday: a Saturday, and a leap day that is a Tuesday like any other
        ("GB-ENG", "2028-01-15", "Mon 17 Jan 09:00", "Fri 14 Jan 16:15"),
        ("GB-ENG", "2028-02-29", "Tue 29 Feb 09:00", "Mon 28 Feb 16:15"),
    ],
)
def test_due_day_without_work_stays_and_times_around_it_are_offered(
    client, today, region, day, from_it, before_it
):
    place = Place(holiday_region=region)
    client.force_login(place.desk)

    row = due(place, day)

    assert str(row.due_on) == day
    assert offered(client, place) == (from_it, before_it)


def test_due_day_on_which_the_site_is_closed_stays(desk, place):
    HoursChangeFactory(site=place.site, first_day=date(2027, 12, 1), last_day=date(2027, 12, 2))
    due(place, "2027-12-01")

    assert offered(desk, place) == ("Fri 3 Dec 09:00", "Tue 30 Nov 16:15")


def test_late_from_the_day_after_the_due_day_even_if_that_was_a_holiday(desk, place, today):
    due(place, "2027-12-27")
    today("2027-12-28")
    desk.force_login(place.desk)

    page = desk.get(reverse("due-list"))

    assert "1 day late" in plain(page)


@pytest.mark.parametrize(
    ("due_on", "day", "words"),
    [
        ("2028-02-29", "2028-02-28", "due tomorrow"),
        ("2028-03-01", "2028-02-28", "due in 2 days"),
        ("2027-03-01", "2027-02-28", "due tomorrow"),
        ("2028-02-29", "2028-03-01", "1 day late"),
        ("2028-01-31", "2028-03-01", "4 weeks late"),  # 30 days
        ("2027-01-01", "2026-12-31", "due tomorrow"),
        ("2027-04-30", "2027-05-31", "4 weeks late"),  # 31 days
    ],
)
def test_late_words_over_month_ends(due_on, day, words):
    assert late_words(date.fromisoformat(due_on), date.fromisoformat(day)) == words


# the usual week and the pages over the end of a year


def test_usual_week_goes_on_over_the_end_of_the_year(today):
    """Tuesdays and Fridays, from 22 December 2027 on; Tuesday 28 is a holiday."""
    place = Place(holiday_region="GB-ENG")
    person = place.clinician_with_hours(weekdays=[1, 4])
    wish = Wish(kind=place.kind, first_day=date(2027, 12, 22), clinician=person, days=21)

    days = sorted({it.day for it in free_times.search(wish).run() if it.clinician == person})

    assert [str(day) for day in days] == [
        "2027-12-24",
        "2027-12-31",
        "2028-01-04",
        "2028-01-07",
        "2028-01-11",
    ]


@pytest.mark.parametrize(
    ("day", "heading", "week", "before", "after"),
    [
        ("2026-12-28", "28 December to 3 January 2027", 53, "2026-12-21", "2027-01-04"),
        ("2027-01-02", "28 December to 3 January 2027", 53, "2026-12-26", "2027-01-09"),
        ("2027-01-04", "4 January to 10 January 2027", 1, "2026-12-28", "2027-01-11"),
        ("2027-12-31", "27 December to 2 January 2028", 52, "2027-12-24", "2028-01-07"),
        ("2028-01-03", "3 January to 9 January 2028", 1, "2027-12-27", "2028-01-10"),
        ("2028-02-29", "28 February to 5 March 2028", 9, "2028-02-22", "2028-03-07"),
    ],
)
@pytest.mark.parametrize("name", ["diary-week", "diary-rooms-week"])
def test_week_is_that_of_iso_8601(desk, name, day, heading, week, before, after):
    page = desk.get(reverse(name), {"day": day})

    words, html = plain(page), page.content.decode()
    assert heading in words
    assert re.search(r"week (\d+)[.,]", words)[1] == str(week)
    assert re.findall(r'href="\?day=([\d-]+)[^"]*"\s+rel="(\w+)"', html) == [
        (before, "prev"),
        (after, "next"),
    ]


@pytest.mark.parametrize(
    ("day", "before", "after"),
    [
        ("2028-02-28", "2028-02-27", "2028-02-29"),
        ("2028-02-29", "2028-02-28", "2028-03-01"),
        ("2027-02-28", "2027-02-27", "2027-03-01"),
        ("2027-12-31", "2027-12-30", "2028-01-01"),
        ("2027-04-30", "2027-04-29", "2027-05-01"),
        ("2027-07-31", "2027-07-30", "2027-08-01"),
        # the clocks go forward and back
        ("2027-03-28", "2027-03-27", "2027-03-29"),
        ("2027-10-31", "2027-10-30", "2027-11-01"),
    ],
)
@pytest.mark.parametrize("name", ["diary", "diary-rooms"])
def test_day_before_and_day_after(desk, name, day, before, after):
    html = desk.get(reverse(name), {"day": day}).content.decode()

    assert re.findall(r'href="\?day=([\d-]+)[^"]*"\s+rel="(\w+)"', html) == [
        (before, "prev"),
        (after, "next"),
    ]


@pytest.mark.parametrize(
    ("day", "said"),
    [
        ("29.2.2027", "Write a day that exists, such as 12.3.2027."),
        ("31.4.2027", "Write a day that exists, such as 12.3.2027."),
    ],
)
def test_day_that_the_month_does_not_have_is_refused(desk, day, said):
    page = desk.get(reverse("diary"), {"day": day})

    assert page.context["form"].errors == {"day": [said]}
    assert f'value="{day}"' in page.content.decode()


@pytest.mark.parametrize("day", ["1.1.0001", "31.12.9999"])
@pytest.mark.parametrize("name", ["diary", "diary-week", "diary-rooms", "diary-rooms-week"])
def test_day_from_which_nothing_can_be_counted_is_refused(desk, name, day):
    page = desk.get(reverse(name), {"day": day})

    assert page.context["form"].errors == {"day": ["Write a day between 1900 and 2199."]}
    assert f'value="{day}"' in page.content.decode()


FAR = "Write a day between 1900 and 2199."


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31"])
def test_no_form_of_the_diary_takes_such_a_day(client, place, day):
    """Each answers with the page and the reason beside the field."""
    manager = StaffFactory(home_site=place.site, role="manager")
    client.force_login(manager)
    key, booked = [place.client.pk], diary.book(**place.booking(local_date=date(2027, 11, 16)))
    named = {"kind": place.kind.pk, "clinician": place.clinician.pk, "room": place.room.pk}
    change = {"kind": "closed", "first_day": day, "last_day": day}
    typed = {"local_date": day, "local_time": "9:00"} | named

    found = {
        "find": client.get(reverse("appointment-find", args=key), {"day": day}),
        "after": client.get(reverse("appointment-find", args=key), {"after": f"{day}T12:00Z"}),
        "book": client.post(reverse("appointment-find", args=key), typed),
        "move": client.post(
            reverse("appointment-move", args=[booked.pk]), typed | {"seen": booked.sequence}
        ),
        "wait": client.post(
            reverse("waiting-new", args=key), named | {"earliest": day, "latest": day}
        ),
        "hours": client.post(reverse("hours-change-new"), change),
        "trail": client.post(reverse("trail-list"), {"first": day, "last": day}, follow=True),
    }

    client.force_login(place.clinician)
    found["due"] = client.post(
        reverse("due-edit", args=key), {"due_on": day, "clinician": place.clinician.pk}
    )

    assert {name: page.status_code for name, page in found.items()} == dict.fromkeys(found, 200)
    assert {name for name, page in found.items() if FAR in plain(page)} == set(found)
    assert Appointment.objects.get().local_date == date(2027, 11, 16)


def test_leap_day_is_booked_and_moved_to(desk, place):
    booked = diary.book(**place.booking(local_date=date(2028, 2, 29)))
    diary.move(
        appointment=booked,
        clinician=place.clinician,
        room=place.room,
        local_date=date(2028, 3, 1),
        local_time=time(9),
        seen=0,
        by=place.desk,
    )

    assert str(Appointment.objects.get().starts_at) == "2028-03-01 09:00:00+00:00"


# zones


@pytest.fixture
def pier(client, today):
    """A site in New York, in winter five hours behind UTC (tz database); the machine: London."""
    place = Place(code="NY", name="Pier", time_zone="America/New_York")
    client.force_login(place.desk)
    return place


def test_kept_time_is_booked_at_the_hour_of_its_site(client, pier):
    address = reverse("appointment-find", args=[pier.client.pk])
    asked = {"kind": pier.kind.pk, "clinician": pier.clinician.pk, "room": pier.room.pk}
    client.post(
        reverse("time-keep", args=[pier.client.pk]),
        asked | {"local_date": "2027-11-17", "local_time": "09:30"},
    )

    page = client.get(address)
    form = re.search(r'<section class="rule note".*?</form>', page.content.decode(), re.DOTALL)[0]
    sent = dict(re.findall(r'<input type="hidden"\s+name="(\w+)"\s+value="([^"]*)"', form))
    client.post(address, sent)

    assert "Kept for you until 07:05 Wednesday 17 November, 09:30" in plain(page)
    found = Appointment.objects.get()
    assert (found.local_time, found.starts_at) == (
        time(9, 30),
        datetime(2027, 11, 17, 14, 30, tzinfo=UTC),
    )


def test_waiting_since_and_booked_at_are_hours_of_the_site(client, pier, time_machine):
    found = diary.book(**pier.booking(local_date=date(2027, 11, 16), local_time=time(9)))
    time_machine.move_to(datetime(2027, 11, 16, 13, 55, tzinfo=UTC), tick=False)
    client.force_login(pier.desk)
    diary.arrive(appointment=found, by=pier.desk)

    assert "waiting since 08:55" in plain(client.get(reverse("today")))
    page = plain(client.get(reverse("appointment-open", args=[found.pk])))
    assert "Booked 15 Nov 2027, 07:00 by" in page
