"""Hours of one day: usual week, changes, public holidays."""

from datetime import date, time

import pytest

from clinic.domain.diary import Hours
from clinic.domain.opening import Change, ChangeKind, hours_on, hours_words

MONDAY = date(2027, 3, 15)
WEEK = {0: [Hours(time(9), time(12, 30)), Hours(time(13, 30), time(17, 30))]}
NO_DAYS = frozenset()


def change(kind="closed", own=True, hours=None, first=MONDAY, last=MONDAY):
    return Change(ChangeKind(kind), first, last, own=own, hours=hours and Hours(*hours))


def said(*changes, day=MONDAY, holidays=NO_DAYS):
    return hours_words(hours_on(day, WEEK, changes, holidays))


def test_usual_hours_hold_without_a_change():
    assert said() == "09:00 to 12:30 and 13:30 to 17:30"
    assert said(day=date(2027, 3, 16)) == "closed"


def test_a_public_holiday_is_closed_until_the_site_opens():
    assert said(holidays={MONDAY}) == "closed"
    site = change("open", own=False, hours=(time(10), time(14)))
    assert said(site, holidays={MONDAY}) == "10:00 to 12:30 and 13:30 to 14:00"


def test_own_open_hours_take_the_place_of_the_usual_ones():
    own = change("open", hours=(time(7), time(8)))

    assert said(own) == "07:00 to 08:00"
    assert said(own, holidays={MONDAY}) == "07:00 to 08:00"


def test_open_hours_of_the_site_open_no_day_without_usual_hours():
    tuesday = date(2027, 3, 16)
    site = change("open", own=False, hours=(time(9), time(17)), first=tuesday, last=tuesday)

    assert said(site, day=tuesday) == "closed"


@pytest.mark.parametrize(
    ("hours", "left"),
    [
        (None, "closed"),
        ((time(9), time(10)), "10:00 to 12:30 and 13:30 to 17:30"),
        ((time(12), time(14)), "09:00 to 12:00 and 14:00 to 17:30"),
        ((time(10), time(11)), "09:00 to 10:00 and 11:00 to 12:30 and 13:30 to 17:30"),
        ((time(8), time(18)), "closed"),
        ((time(17, 30), time(18)), "09:00 to 12:30 and 13:30 to 17:30"),
    ],
)
@pytest.mark.parametrize("own", [True, False])
def test_what_is_closed_is_taken_off(hours, left, own):
    assert said(change(own=own, hours=hours)) == left


def test_leave_stands_above_open_hours():
    own = change("open", hours=(time(9), time(17)))

    assert said(own, change()) == "closed"


@pytest.mark.parametrize(
    ("day", "closed"),
    [(14, False), (15, True), (17, True), (18, False)],
)
def test_a_change_holds_from_its_first_to_its_last_day(day, closed):
    leave = change(first=date(2027, 3, 15), last=date(2027, 3, 17))
    week = dict.fromkeys(range(7), WEEK[0])

    assert (hours_on(date(2027, 3, day), week, [leave], NO_DAYS) == []) is closed


def test_stretches_that_touch_become_one():
    own = [
        change("open", hours=(time(9), time(11))),
        change("open", hours=(time(11), time(12))),
        change("open", hours=(time(10), time(11, 30))),
    ]

    assert said(*own) == "09:00 to 12:00"
