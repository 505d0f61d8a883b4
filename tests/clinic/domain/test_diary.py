"""Local times and clock changes.

Clock changes: IANA tz database (europe and northamerica files): Europe/London goes forward at
01:00 GMT on the last Sunday of March (2027: the 28th) and back at 01:00 GMT on the last Sunday of
October (the 31st); America/New_York goes forward at 02:00 on the second Sunday of March (the
14th) and back at 02:00 on the first Sunday of November (the 7th). Which instant a missing or
doubled time stands for: RFC 5545, 3.3.5.
"""

from datetime import UTC, date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.domain import diary
from clinic.domain.diary import Hours, MissingTimeError, Span

LONDON, NEW_YORK = ZoneInfo("Europe/London"), ZoneInfo("America/New_York")
MONDAY = date(2027, 3, 15)


def utc(*parts):
    return datetime(*parts, tzinfo=UTC)


def span(start, minutes):
    return Span(start, start + timedelta(minutes=minutes))


@pytest.mark.parametrize(
    ("day", "at", "zone", "expected"),
    [
        (date(2027, 1, 15), time(9), LONDON, utc(2027, 1, 15, 9)),
        (date(2027, 7, 15), time(9), LONDON, utc(2027, 7, 15, 8)),
        (date(2027, 3, 28), time(0, 59), LONDON, utc(2027, 3, 28, 0, 59)),
        (date(2027, 3, 28), time(2, 0), LONDON, utc(2027, 3, 28, 1, 0)),
        (date(2027, 3, 14), time(3, 0), NEW_YORK, utc(2027, 3, 14, 7, 0)),
        (date(2027, 1, 15), time(9), NEW_YORK, utc(2027, 1, 15, 14)),
    ],
)
def test_moment_is_the_instant_of_the_local_time(day, at, zone, expected):
    assert diary.moment(day, at, zone) == diary.Moment(expected, doubled=False)


@pytest.mark.parametrize(
    ("day", "at", "zone", "expected"),
    [
        (date(2027, 10, 31), time(1, 30), LONDON, utc(2027, 10, 31, 0, 30)),
        (date(2027, 11, 7), time(1, 30), NEW_YORK, utc(2027, 11, 7, 5, 30)),
    ],
)
def test_moment_takes_the_first_of_a_doubled_hour_and_says_so(day, at, zone, expected):
    assert diary.moment(day, at, zone) == diary.Moment(expected, doubled=True)


@pytest.mark.parametrize(
    ("day", "at", "zone", "expected"),
    [
        (date(2027, 10, 31), time(1, 30), LONDON, utc(2027, 10, 31, 1, 30)),
        (date(2027, 11, 7), time(1, 30), NEW_YORK, utc(2027, 11, 7, 6, 30)),
        (date(2027, 1, 15), time(9), LONDON, utc(2027, 1, 15, 9)),
    ],
)
def test_moment_takes_the_second_where_it_is_chosen(day, at, zone, expected):
    assert diary.moment(day, at, zone, second=True).at == expected


def test_moment_forgets_a_fold_that_was_set():
    second = time(1, 30, fold=1)

    assert diary.moment(date(2027, 10, 31), second, LONDON).at == utc(2027, 10, 31, 0, 30)


@pytest.mark.parametrize(
    ("day", "at", "zone", "message"),
    [
        (
            date(2027, 3, 28),
            time(1, 30),
            LONDON,
            "01:30 does not exist on 28 March 2027: the clocks go forward. "
            "Choose 02:30 or another time.",
        ),
        (
            date(2027, 3, 14),
            time(2, 30),
            NEW_YORK,
            "02:30 does not exist on 14 March 2027: the clocks go forward. "
            "Choose 03:30 or another time.",
        ),
    ],
)
def test_moment_refuses_a_time_that_the_clocks_jump_over(day, at, zone, message):
    with pytest.raises(MissingTimeError) as refused:
        diary.moment(day, at, zone)

    assert str(refused.value) == message


def test_offset_needs_a_zone():
    naive = datetime(2027, 3, 15, 9)  # noqa: DTZ001 naive is what is refused

    with pytest.raises(ValueError, match="has no time zone"):
        diary.offset(naive)


@given(
    st.datetimes(datetime(2027, 1, 1), datetime(2027, 12, 31)),  # noqa: DTZ001 local times
    st.sampled_from([LONDON, NEW_YORK]),
)
def test_moment_reads_back_as_the_same_local_time(local, zone):
    try:
        found = diary.moment(local.date(), local.time(), zone)
    except MissingTimeError:
        return

    back = found.at.astimezone(zone)
    assert (back.date(), back.time().replace(fold=0)) == (local.date(), local.time())


def test_within_hours_needs_one_stretch_for_the_whole_span():
    opening = [Hours(time(9), time(12)), Hours(time(13), time(17))]

    assert diary.within_hours(span(utc(2027, 3, 15, 11), 60), MONDAY, opening, LONDON)
    assert not diary.within_hours(span(utc(2027, 3, 15, 12), 60), MONDAY, opening, LONDON)
    assert not diary.within_hours(span(utc(2027, 3, 15, 11, 30), 60), MONDAY, opening, LONDON)


def test_fixed_offset_zone_has_no_clock_change():
    zone = timezone(timedelta(hours=2))

    assert diary.moment(date(2027, 3, 28), time(1, 30), zone).at == utc(2027, 3, 27, 23, 30)


@pytest.mark.parametrize(
    ("due_on", "words"),
    [
        (date(2027, 3, 15), "due today"),
        (date(2027, 3, 16), "due tomorrow"),
        (date(2027, 3, 28), "due in 13 days"),
        (date(2027, 3, 29), "due in 2 weeks"),
        (date(2027, 3, 14), "1 day late"),
        (date(2027, 3, 2), "13 days late"),
        (date(2027, 2, 22), "3 weeks late"),
    ],
)
def test_late_words(due_on, words):
    assert diary.late_words(due_on, MONDAY) == words
