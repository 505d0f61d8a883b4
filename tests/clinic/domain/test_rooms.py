"""What is left of a room's day, on stretches worked by hand."""

from datetime import UTC, datetime, timedelta

import pytest

from clinic.domain.diary import Span
from clinic.domain.rooms import free_stretches

NINE = datetime(2027, 3, 15, 9, tzinfo=UTC)


def span(begins, ends):
    """Minutes after nine."""
    return Span(NINE + timedelta(minutes=begins), NINE + timedelta(minutes=ends))


@pytest.mark.parametrize(
    ("opened", "taken", "left"),
    [
        ([(0, 480)], [], [(0, 480)]),
        ([], [(0, 60)], []),
        ([(0, 480)], [(60, 120)], [(0, 60), (120, 480)]),
        # two clinicians' hours are one stretch; what touches leaves nothing between
        ([(0, 210), (120, 480)], [(0, 60), (60, 90)], [(90, 480)]),
        ([(0, 210), (270, 480)], [(180, 300)], [(0, 180), (300, 480)]),
        # beyond the hours on both sides, and over them altogether
        ([(0, 480)], [(-60, 30), (450, 600)], [(30, 450)]),
        ([(0, 480)], [(-60, 600)], []),
        # a longer one that holds a shorter one
        ([(0, 480)], [(0, 240), (30, 60)], [(240, 480)]),
        # 14 minutes are no time, 15 are
        ([(0, 120)], [(14, 60), (75, 120)], [(60, 75)]),
    ],
)
def test_free_stretches(opened, taken, left):
    found = free_stretches([span(*it) for it in opened], [span(*it) for it in taken])

    assert found == [span(*it) for it in left]
