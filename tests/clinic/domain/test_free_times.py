"""Free times against a search that tries every start by itself.

Clock changes: IANA tz database, as in test_diary.
"""

from datetime import UTC, date, datetime, time, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clinic.domain.diary import Hours
from clinic.domain.free_times import (
    Bookable,
    Days,
    Needs,
    Place,
    free_times,
    minute_of,
    runs,
    stretch_of,
)

LONDON, NEW_YORK = ZoneInfo("Europe/London"), ZoneInfo("America/New_York")
MONDAY = date(2027, 3, 15)
HOUR = [Hours(time(9), time(10))]


def utc(*parts):
    return datetime(*parts, tzinfo=UTC)


def stretch(start, minutes):
    return stretch_of(start, start + timedelta(minutes=minutes))


def found(
    *,
    hours=None,
    taken=(),
    rooms=((),),
    minutes=30,
    clear=0,
    first=MONDAY,
    count=84,
    zone=LONDON,
    many=6,
    **more,
):
    """The first free times of one clinician; hours: weekday to stretches."""
    days = Days.from_day(first, count, zone)
    hours = hours or {0: HOUR}
    opened = {
        number: days.open_steps(number, hours.get(days.day(number).weekday(), ()))
        for number in range(count)
    }
    people = [Bookable(1, opened, days.taken(taken))]
    places = [Place(key, days.taken(spans)) for key, spans in enumerate(rooms)]
    return list(islice(free_times(days, people, places, Needs(minutes, clear), **more), many))


def times(free, zone=LONDON):
    return [f"{it.local(zone):%H:%M}" for it in free]


def test_starts_lie_on_the_quarter_hour_and_end_by_closing():
    assert times(found(hours={0: [Hours(time(9, 5), time(10))]}, minutes=15, many=9)[:3]) == [
        "09:15",
        "09:30",
        "09:45",
    ]
    assert times(found(many=3)) == ["09:00", "09:15", "09:30"]


def test_the_next_open_day_follows():
    assert [it.local(LONDON).date() for it in found(minutes=60, many=2)] == [
        MONDAY,
        date(2027, 3, 22),
    ]


def test_what_is_taken_is_skipped_and_back_to_back_is_allowed():
    taken = [stretch(utc(2027, 3, 15, 9, 15), 15)]

    assert times(found(taken=taken, minutes=15, many=3)) == ["09:00", "09:30", "09:45"]


def test_clearing_the_room_takes_time_but_may_go_beyond_closing():
    taken = [stretch(utc(2027, 3, 15, 9, 45), 15)]

    assert times(found(taken=taken, minutes=15, clear=15, many=2)) == ["09:00", "09:15"]
    assert times(found(minutes=60, clear=15, many=1)) == ["09:00"]


def test_the_first_free_room_is_taken():
    busy = [stretch(utc(2027, 3, 15, 9), 30)]

    assert [it.room for it in found(rooms=(busy, ()), many=3)] == [1, 1, 0]


def test_nothing_without_a_free_room():
    full = [stretch(utc(2027, 3, 15, 9), 60)]

    assert found(rooms=(full,), many=1)[0].local(LONDON).date() == date(2027, 3, 22)
    assert found(rooms=()) == []


def test_nothing_before_the_given_minute():
    not_before = minute_of(utc(2027, 3, 15, 9, 20))

    assert times(found(minutes=15, not_before=not_before, many=2)) == ["09:30", "09:45"]


def test_backwards_begins_with_the_latest():
    assert times(found(count=1, backwards=True)) == ["09:30", "09:15", "09:00"]


def test_the_clients_own_appointments_take_time():
    days = Days.from_day(MONDAY, 84, LONDON)
    own = days.taken([stretch(utc(2027, 3, 15, 9), 30)])

    assert times(found(also_taken=own, many=1)) == ["09:30"]


def test_the_missing_hour_is_left_out_and_a_length_stays_true():
    night = {6: [Hours(time(0, 30), time(2, 30))]}

    free = found(hours=night, minutes=15, first=date(2027, 3, 28), count=1)

    assert times(free) == ["00:30", "00:45", "02:00", "02:15"]
    assert free[2].minute - free[1].minute == 15


@pytest.mark.parametrize(
    ("zone", "day", "offset"),
    [(LONDON, date(2027, 10, 31), 0), (NEW_YORK, date(2027, 11, 7), 5 * 60 - 60)],
)
def test_the_doubled_hour_is_there_twice_and_told_apart(zone, day, offset):
    night = {6: [Hours(time(1), time(2))]}

    free = found(hours=night, minutes=30, first=day, count=1, zone=zone, many=9)

    assert times(free, zone) == [
        "01:00",
        "01:15",
        "01:30",
        "01:45",
        "01:00",
        "01:15",
        "01:30",
    ]
    assert [it.local(zone).fold for it in free] == [0, 0, 0, 0, 1, 1, 1]
    assert free[4].minute - free[0].minute == 60
    first = minute_of(utc(day.year, day.month, day.day))
    assert free[0].minute - first == offset + 60 * (zone is NEW_YORK)


@given(st.integers(0, 2**40), st.integers(1, 30))
def test_runs_are_the_starts_of_so_many_steps(free, steps):
    wanted = sum(
        1 << start
        for start in range(free.bit_length())
        if all(free >> (start + step) & 1 for step in range(steps))
    )

    assert runs(free, steps) == wanted


SPANS = st.lists(st.tuples(st.integers(-60, 3 * 1440), st.integers(1, 200)), max_size=12)


@settings(max_examples=150, deadline=None)
@given(
    clinician=SPANS,
    rooms=st.lists(SPANS, min_size=1, max_size=3),
    own=SPANS,
    minutes=st.sampled_from([5, 15, 30, 45, 50, 60]),
    clear=st.sampled_from([0, 10, 15]),
    start=st.sampled_from(
        [
            (LONDON, date(2027, 3, 27)),
            (LONDON, date(2027, 10, 30)),
            (NEW_YORK, date(2027, 11, 6)),
            (LONDON, date(2027, 6, 1)),
        ]
    ),
    hours=st.lists(st.tuples(st.integers(0, 95), st.integers(1, 40)), min_size=1, max_size=3),
)
def test_search_finds_what_trying_every_start_finds(
    clinician, rooms, own, minutes, clear, start, hours
):
    zone, first = start
    days = Days.from_day(first, 3, zone)
    midnight = days.midnights[0]

    def placed(spans):
        return [(midnight + begins, midnight + begins + length) for begins, length in spans]

    opening = [
        Hours(_clock(begins * 15), _clock(min(begins * 15 + length * 15, 1435)))
        for begins, length in hours
    ]
    opening = [it for it in opening if it.opens < it.closes]
    opened = {number: days.open_steps(number, opening) for number in range(3)}
    people = [Bookable(1, opened, days.taken(placed(clinician)))]
    places = [Place(key, days.taken(placed(spans))) for key, spans in enumerate(rooms)]

    free = list(
        free_times(days, people, places, Needs(minutes, clear), also_taken=days.taken(placed(own)))
    )

    tried = [
        minute
        for minute in range(midnight, days.midnights[-1], 15)
        if _fits(minute, days, opening, minutes)
        and _clear_of(placed(clinician), minute, minutes + clear)
        and _clear_of(placed(own), minute, minutes)
        and any(_clear_of(placed(spans), minute, minutes + clear) for spans in rooms)
    ]
    # a stretch is rounded out to whole steps of five minutes: never more is offered than fits
    assert {it.minute for it in free} <= set(tried)
    exact = all(
        begins % 5 == length % 5 == 0
        for spans in [clinician, own, *rooms]
        for begins, length in spans
    )
    late = {it for it in tried if _beyond_its_day(it, days, minutes + clear)}
    if exact:
        assert {it.minute for it in free} >= set(tried) - late
    assert len({it.minute for it in free}) == len(free)


def _clock(minute):
    return time(minute // 60, minute % 60)


def _fits(minute, days, opening, minutes):
    """Within one whole run of open minutes of its local day, as the clock shows them."""
    ends = minute + minutes
    here = datetime.fromtimestamp(minute * 60, UTC).astimezone(days.zone).date()
    open_minutes = set()
    for it in opening:
        begins = datetime.combine(here, it.opens, tzinfo=days.zone).timestamp() // 60
        closes = datetime.combine(here, it.closes, tzinfo=days.zone).timestamp() // 60
        open_minutes |= set(range(int(begins), int(closes)))
    return all(it in open_minutes for it in range(minute, ends))


def _clear_of(spans, minute, minutes):
    return all(minute + minutes <= begins or ends <= minute for begins, ends in spans)


def _beyond_its_day(minute, days, minutes):
    """Clearing after midnight is judged by the next day's rows, which this day does not see."""
    return any(minute < midnight < minute + minutes for midnight in days.midnights)
