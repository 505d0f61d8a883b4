"""Local times, clock changes and free slots.

Clock changes: IANA tz database (europe and northamerica files): Europe/London goes forward at
01:00 GMT on the last Sunday of March (2027: the 28th) and back at 01:00 GMT on the last Sunday of
October (the 31st); America/New_York goes forward at 02:00 on the second Sunday of March (the
14th) and back at 02:00 on the first Sunday of November (the 7th). Which instant a missing or
doubled time stands for: RFC 5545, 3.3.5.
"""

from datetime import UTC, date, datetime, time, timedelta, timezone
from itertools import islice
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.domain import diary
from clinic.domain.diary import Hours, MissingTimeError, RoomTimes, Span, Week

LONDON, NEW_YORK = ZoneInfo("Europe/London"), ZoneInfo("America/New_York")
MONDAY = date(2027, 3, 15)
ONE_ROOM = (RoomTimes(1, ()),)
LONG_AGO = datetime(2027, 1, 1, tzinfo=UTC)


def utc(*parts):
    return datetime(*parts, tzinfo=UTC)


def span(start, minutes):
    return Span(start, start + timedelta(minutes=minutes))


def week(*, opening=None, taken=(), rooms=ONE_ROOM, zone=LONDON):
    return Week(opening or {0: [Hours(time(9), time(10))]}, taken, rooms, zone)


def times(slots):
    return [slot.time.strftime("%H:%M") for slot in slots]


def offered(given_week, minutes=30, first_day=MONDAY, not_before=LONG_AGO, many=6):
    return list(islice(diary.free_slots(given_week, minutes, first_day, not_before), many))


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


@pytest.mark.parametrize(
    ("day", "at", "zone"),
    [
        (date(2027, 10, 31), time(0, 45), LONDON),
        (date(2027, 3, 28), time(0, 45), LONDON),
        (date(2027, 11, 7), time(1, 45), NEW_YORK),
    ],
)
def test_span_over_a_clock_change_has_its_true_length(day, at, zone):
    found = diary.span_of(day, at, 60, zone)

    assert found.ends_at - found.starts_at == timedelta(hours=1)


def test_spans_that_meet_do_not_overlap():
    first, second = span(utc(2027, 3, 15, 9), 45), span(utc(2027, 3, 15, 9, 45), 45)

    assert not first.overlaps(second)
    assert not second.overlaps(first)


@pytest.mark.parametrize(("start", "minutes"), [(44, 1), (-10, 11), (0, 45), (10, 5), (-5, 90)])
def test_spans_that_share_a_minute_overlap_both_ways(start, minutes):
    first = span(utc(2027, 3, 15, 9), 45)
    other = span(utc(2027, 3, 15, 9) + timedelta(minutes=start), minutes)

    assert first.overlaps(other)
    assert other.overlaps(first)


def test_starts_lie_on_the_quarter_hour():
    found = list(diary.starts(Hours(time(9, 5), time(10))))

    assert found == [time(9, 15), time(9, 30), time(9, 45)]


def test_slots_end_by_closing_time():
    found = offered(week(), minutes=30, many=3)

    assert times(found) == ["09:00", "09:15", "09:30"]


def test_slots_go_on_the_next_open_day():
    found = offered(week(), minutes=60, many=2)

    assert [slot.day for slot in found] == [MONDAY, date(2027, 3, 22)]


def test_slots_skip_what_is_taken_of_the_clinician_and_allow_back_to_back():
    taken = [span(utc(2027, 3, 15, 9, 15), 15)]

    found = offered(week(taken=taken), minutes=15, many=3)

    assert times(found) == ["09:00", "09:30", "09:45"]


def test_slots_take_the_first_free_room():
    first = RoomTimes(7, [span(utc(2027, 3, 15, 9), 30)])

    found = offered(week(rooms=(first, RoomTimes(8, ()))), minutes=30, many=3)

    assert [slot.room for slot in found] == [8, 8, 7]


def test_no_slot_without_a_free_room():
    full = RoomTimes(7, [span(utc(2027, 3, 15, 9), 60)])

    assert offered(week(rooms=(full,)), minutes=30, many=1)[0].day == date(2027, 3, 22)
    assert offered(week(rooms=())) == []


def test_slots_of_several_stretches_come_in_order():
    opening = {0: [Hours(time(14), time(14, 30)), Hours(time(9), time(9, 30))]}

    assert times(offered(week(opening=opening), many=2)) == ["09:00", "14:00"]


def test_nothing_is_offered_before_the_given_instant():
    found = offered(week(), minutes=15, not_before=utc(2027, 3, 15, 9, 20), many=2)

    assert times(found) == ["09:30", "09:45"]


def test_slots_stop_after_twelve_weeks():
    found = offered(week(), minutes=60, many=100)

    assert len(found) == 12
    assert found[-1].day == MONDAY + timedelta(weeks=11)


def test_slots_leave_out_the_missing_hour_and_keep_their_length():
    night = {6: [Hours(time(0, 30), time(2, 30))]}

    found = offered(week(opening=night), minutes=15, first_day=date(2027, 3, 28), many=4)

    assert times(found) == ["00:30", "00:45", "02:00", "02:15"]
    assert found[1].span.ends_at == found[2].span.starts_at


def test_slots_in_the_doubled_hour_are_its_first_occurrence():
    night = {6: [Hours(time(1), time(2))]}

    found = offered(week(opening=night), minutes=30, first_day=date(2027, 10, 31), many=1)

    assert found[0].span == span(utc(2027, 10, 31, 0, 0), 30)


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
