"""How late an appointment was cancelled, over clock changes of three zones.

Changes of 2027 by the tz database: London forward 28 March at 1:00 UTC, back 31 October at 1:00
UTC; New York forward 14 March; Lord Howe back by half an hour on 4 April at 2:00 there.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from clinic.domain.lateness import LATE_HOURS, latest_in_time, notice_words

NINE = datetime(2027, 3, 15, 9, tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "day", "at", "latest"),
    [
        ("Europe/London", "2027-03-15", "09:00", "2027-03-14 09:00"),
        # the day has 23 hours, then 25: nine o'clock the day before stays nine o'clock
        ("Europe/London", "2027-03-28", "09:00", "2027-03-27 09:00"),
        ("Europe/London", "2027-03-29", "09:00", "2027-03-28 08:00"),
        ("Europe/London", "2027-10-31", "09:00", "2027-10-30 08:00"),
        ("Europe/London", "2027-11-01", "09:00", "2027-10-31 09:00"),
        # half past one is skipped on 28 March and shown twice on 31 October
        ("Europe/London", "2027-03-29", "01:30", "2027-03-28 01:30"),
        ("Europe/London", "2027-11-01", "01:30", "2027-10-31 01:30"),
        ("America/New_York", "2027-03-15", "09:00", "2027-03-14 13:00"),
        ("America/New_York", "2027-03-14", "09:00", "2027-03-13 14:00"),
        ("Australia/Lord_Howe", "2027-04-05", "09:00", "2027-04-03 22:30"),
        # month end, leap day, year end
        ("Europe/London", "2028-03-01", "09:00", "2028-02-29 09:00"),
        ("Europe/London", "2027-01-01", "09:00", "2026-12-31 09:00"),
    ],
)
def test_in_time_is_the_same_clock_time_the_day_before(zone, day, at, latest):
    found = latest_in_time(date.fromisoformat(day), time.fromisoformat(at), ZoneInfo(zone))

    assert LATE_HOURS == 24
    assert f"{found:%Y-%m-%d %H:%M}" == latest


@pytest.mark.parametrize(
    ("before", "words"),
    [
        (timedelta(0), "0 minutes before"),
        (timedelta(seconds=59), "0 minutes before"),
        (timedelta(minutes=1), "1 minute before"),
        (timedelta(minutes=59, seconds=59), "59 minutes before"),
        (timedelta(hours=1), "1 hour before"),
        (timedelta(hours=23, minutes=59), "23 hours before"),
        (timedelta(hours=47, minutes=59), "47 hours before"),
        (timedelta(hours=48), "2 days before"),
        (timedelta(days=8, hours=23), "8 days before"),
        (timedelta(seconds=-1), "after the start"),
        (timedelta(minutes=-1), "after the start"),
        (timedelta(days=-1), "after the start"),
    ],
)
def test_notice_in_words(before, words):
    assert notice_words(NINE - before, NINE) == words
