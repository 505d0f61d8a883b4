"""Where a small chart puts its marks: worked by hand from its size, and invariances."""

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clinic.domain.chart import (
    BOTTOM,
    HEIGHT,
    LEFT,
    RIGHT,
    TOP,
    WIDTH,
    Chart,
    Mark,
    plotted,
)

DAY = date(2026, 1, 1)


def chart(*values, **more):
    marks = [Mark(DAY + timedelta(days=30 * n), value) for n, value in enumerate(values)]
    return plotted(Chart(tuple(marks), **more))


def test_first_and_last_day_stand_at_the_ends():
    plot = chart(1, 2, 3)

    assert [place.x for place in plot.places] == [LEFT, (LEFT + WIDTH - RIGHT) / 2, WIDTH - RIGHT]


def test_values_stand_on_their_scale():
    plot = chart(0, 30)

    # 114 units for 30: 38 for each ten
    words = {tick.words: tick.at for tick in plot.values}
    assert words == {"0": HEIGHT - BOTTOM, "10": 86.0, "20": 48.0, "30": TOP}
    assert [place.y for place in plot.places] == [words["0"], words["30"]]


def test_scale_in_steps_of_two_and_a_half_says_so():
    plot = chart(0, 7)

    assert [tick.words for tick in plot.values] == ["0.0", "2.5", "5.0", "7.5"]


def test_error_bars_are_95_percent():
    # 1.96 standard errors of a normal distribution on either side
    plot = plotted(Chart((Mark(DAY, 0.0, 1.0), Mark(DAY + timedelta(days=9), 10.0, None))))
    unit = (plot.places[0].y - plot.places[1].y) / 10

    first, second = plot.places
    assert first.bottom - first.top == pytest.approx(2 * 1.96 * unit, abs=0.2)
    assert (second.top, second.bottom) == (None, None)


def test_bands_lie_where_they_are_said_to_be():
    plot = chart(0, 10, reference=(2.0, 8.0), around=(0.0, 5.0))
    zero, ten = plot.places[0].y, plot.places[1].y

    assert plot.reference.y == pytest.approx(ten + (zero - ten) * 0.2, abs=0.1)
    assert plot.reference.height == pytest.approx((zero - ten) * 0.6, abs=0.2)
    assert plot.around.height == pytest.approx(zero - ten, abs=0.2)


@pytest.mark.parametrize(
    ("reference", "drawn"),
    [((None, None), False), ((5.0, None), True), ((None, 5.0), True), ((500.0, None), False)],
)
def test_a_reference_far_away_does_not_flatten_the_chart(reference, drawn):
    assert (chart(4, 6, reference=reference).reference is not None) is drawn


def test_a_change_within_error_does_not_fill_the_scale():
    plot = chart(7.4, 7.5, least_span=6.0)

    assert plot.places[0].y - plot.places[1].y < 0.05 * (HEIGHT - TOP - BOTTOM)


def test_sides_are_told_apart_and_joined_each():
    marks = [
        Mark(DAY, 1, side="left"),
        Mark(DAY, 2, side="right"),
        Mark(DAY + timedelta(days=9), 3, side="left"),
    ]

    plot = plotted(Chart(tuple(marks)))

    assert [line.side for line in plot.lines] == ["left", "right"]
    assert plot.lines[0].points.count(",") == 2


def test_one_day_stands_in_the_middle():
    assert chart(5).places[0].x == LEFT + (WIDTH - LEFT - RIGHT) / 2


def test_words_of_days_do_not_run_into_each_other():
    marks = tuple(Mark(DAY + timedelta(days=n), n) for n in (0, 1, 2, 100, 199, 200))

    days = plotted(Chart(marks)).days

    assert (days[0].words, days[-1].words) == ("1 Jan 26", "20 Jul 26")
    assert all(b.at - a.at >= 62 for a, b in pairwise(days))


def test_nothing_is_no_chart():
    with pytest.raises(ValueError, match="needs a mark"):
        plotted(Chart(()))


@given(
    st.lists(
        st.tuples(
            st.integers(0, 2000),
            st.floats(-1e4, 1e4),
            st.none() | st.floats(0.001, 1e3),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_everything_stays_on_the_sheet(rows):
    marks = tuple(
        Mark(DAY + timedelta(days=days), value, sd)
        for days, value, sd in sorted(rows, key=lambda row: row[0])
    )

    plot = plotted(Chart(marks))

    for place in plot.places:
        assert LEFT <= place.x <= WIDTH - RIGHT
        assert TOP <= place.y <= HEIGHT - BOTTOM
        if place.top is not None:
            assert TOP <= place.top <= place.bottom <= HEIGHT - BOTTOM
    assert 2 <= len(plot.values) <= 12
    assert len({tick.words for tick in plot.values}) == len(plot.values)
    said = [float(tick.words.replace("−", "-")) for tick in plot.values]
    steps = [after - before for before, after in pairwise(said)]
    assert steps == pytest.approx([steps[0]] * len(steps), rel=1e-6)
