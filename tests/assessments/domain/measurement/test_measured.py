"""Numbers with their error: printing, reasons, means of repeated frames."""

from math import nan

import numpy as np
import pytest

from assessments.domain.measured import (
    LandmarkMissingError,
    Measured,
    MeasurementError,
    Reason,
    SettingError,
    decimal_places,
    mean_of,
    printed,
    printed_error,
    rounded,
)


@pytest.mark.parametrize(
    ("value", "sd", "text"),
    [
        (7.3456, 1.6, "7.3 ± 1.6"),
        (7.3456, 0.96, "7.3 ± 1.0"),
        (123.4, 12.3, "123 ± 12"),
        (1234.5, 234.0, "1200 ± 200"),
        (-0.01, 0.5, "0.0 ± 0.5"),
        (-7.25, 0.3, "-7.2 ± 0.3"),  # halves up: floor(x + 1/2)
        (0.30964, 0.0019, "0.3096 ± 0.0019"),
        (5.0, 0.0, "5"),
        (5.25, nan, "5.25"),
        (nan, 1.0, "not measured"),
    ],
)
def test_number_prints_by_its_error(value, sd, text):
    """JCGM 100:2008, 7.2.6; two digits where the first is 1: common practice."""
    assert printed(value, sd) == text
    assert str(Measured(value, sd)) == text


def test_rounded_pair_is_as_printed():
    assert rounded(7.3456, 1.64) == (7.3, 1.6)
    assert rounded(7.3456, 0.0) == (7.3456, 0.0)


@pytest.mark.parametrize("sd", [0.0, -1.0, nan, float("inf")])
def test_decimals_of_an_impossible_error_are_refused(sd):
    with pytest.raises(SettingError, match="above 0"):
        decimal_places(sd)


def series(values, sds):
    why = np.isnan(values).astype(np.int16)
    told = (Reason("heel", "is missing", error=LandmarkMissingError),)
    return Measured(np.array(values), np.array(sds), 1, "as placed", why, told)


def test_array_says_how_many_and_why_not():
    readings = series([1.0, nan, 3.0], [0.1, nan, 0.1])

    assert str(readings) == "3 values"
    assert [readings.at(index).value for index in (0, 2)] == [1.0, 3.0]
    assert str(readings.reason(1)) == "heel in frame 1: is missing"
    assert str(readings.reason(1, frame=28)) == "heel in frame 28: is missing"
    assert readings.reason(0) is None
    assert readings.at(1).reason() == readings.reason(1)


def test_required_number_raises_its_typed_error():
    with pytest.raises(LandmarkMissingError, match="heel in frame 1: is missing") as raised:
        series([1.0, nan], [0.1, nan]).required()

    assert (raised.value.what, raised.value.frame) == ("heel", 1)
    assert series([1.0], [0.1]).required().value == [1.0]


def test_mean_takes_the_standard_error_where_frames_scatter():
    """1, 2, 3, 4: s = 1.29099, s / 2 = 0.645497; by definition."""
    mean = mean_of(series([1.0, 2.0, nan, 3.0, 4.0], [0.1, 0.1, nan, 0.1, 0.1]))

    assert (mean.value, mean.n) == (2.5, 4)
    assert mean.sd == pytest.approx(0.645497, abs=1e-6)
    assert mean.method == "as placed; mean of 4, standard error of the mean"


def test_mean_takes_the_errors_of_the_readings_where_they_are_larger():
    mean = mean_of(series([2.0, 2.0, 2.0, 2.0], [0.6] * 4), method="shank angle")

    assert mean.sd == pytest.approx(0.3)
    assert mean.method == "shank angle; mean of 4, error of the readings over root n"


def test_mean_takes_the_scatter_where_no_reading_has_an_error():
    """1, 2, 3, 4: s / 2 = 0.645497; by definition."""
    mean = mean_of(series([1.0, 2.0, 3.0, 4.0], [nan] * 4))

    assert mean.sd == pytest.approx(0.645497, abs=1e-6)
    assert mean.method == "as placed; mean of 4, standard error of the mean"
    assert np.isnan(mean_of(series([2.0], [nan])).sd)


def test_mean_of_one_frame_keeps_its_error():
    mean = mean_of(series([2.0], [0.6]))

    assert (mean.value, mean.sd, mean.n) == (2.0, pytest.approx(0.6), 1)


def test_mean_of_nothing_raises_the_first_reason():
    with pytest.raises(LandmarkMissingError, match="heel in frame 0"):
        mean_of(series([nan, nan], [nan, nan]))
    with pytest.raises(MeasurementError, match="none has a number"):
        mean_of(Measured(np.array([]), np.array([])))


@pytest.mark.parametrize(
    ("sd", "words"),
    # JCGM 100:2008, 7.2.6: one digit, two where the first is 1
    [(1.6321, "1.6"), (0.9821, "1.0"), (0.148, "0.15"), (23.4, "20"), (0.0, "0")],
)
def test_error_alone_is_rounded_as_beside_its_value(sd, words):
    assert printed_error(sd) == words


def test_error_below_zero_is_refused():
    with pytest.raises(SettingError):
        printed_error(-1.0)
