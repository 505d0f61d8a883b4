"""Agreement, reliability and intervals against published examples and reference libraries.

Checks S1, S2, S3, S5, S7, S8 and U1 read their published values from data/; the tolerance of each
is what the rounding of its source leaves.
"""

import csv
import json
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from uncertainties import ufloat

from assessments.domain.measured import Measured, MeasurementError, SettingError
from assessments.domain.reliability import (
    Correlation,
    Interval,
    agreement,
    intraclass_correlation,
    mean_interval,
    minimal_detectable_change,
    normal_quantile,
    percentile,
    ratio,
    standard_error,
    standard_error_of_limits,
    t_quantile,
    wilson_interval,
)

DATA = Path(__file__).parent / "data"
CASES = json.loads((DATA / "agreement_cases.json").read_text())


def rows(name):
    lines = (DATA / name).read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def judges():
    return np.array(CASES["shrout_fleiss_1979"]["ratings"], dtype=float)


# S1: Newcombe 1998, Table I, method 3, printed to four decimals
@pytest.mark.parametrize("row", rows("wilson_newcombe_1998.csv"))
def test_wilson_interval_is_that_of_newcombe(row):
    found = wilson_interval(int(row["successes"]), int(row["n"]))

    assert found.low == pytest.approx(float(row["lower"]), abs=5.1e-5)
    assert found.high == pytest.approx(float(row["upper"]), abs=5.1e-5)


@pytest.mark.parametrize(("n", "confidence"), list(product([1, 7, 250], [0.9, 0.95, 0.99])))
def test_wilson_interval_is_that_of_statsmodels(n, confidence):
    for successes in {0, 1, n // 2, n}:
        found = wilson_interval(successes, n, confidence)
        low, high = proportion_confint(successes, n, 1 - confidence, "wilson")

        assert found.low == pytest.approx(low, abs=1e-12)
        assert found.high == pytest.approx(high, abs=1e-12)


@pytest.mark.parametrize(("successes", "n"), [(0, 0), (-1, 4), (5, 4)])
def test_wilson_interval_refuses_what_is_no_proportion(successes, n):
    with pytest.raises(MeasurementError, match="no proportion"):
        wilson_interval(successes, n)


# S2: Bland and Altman 1986: mean and SD printed to one decimal after a product of two
def test_agreement_is_that_of_bland_and_altman():
    table = rows("pefr_bland_altman_1986.csv")
    case = CASES["bland_altman_1986"]

    found = agreement(
        [float(row["wright_1"]) for row in table], [float(row["mini_1"]) for row in table]
    )

    assert found.n == 17
    assert found.bias == pytest.approx(case["published"]["mean_difference"], abs=0.2)
    assert found.sd == pytest.approx(case["published"]["sd_of_differences"], abs=0.2)
    assert (found.limits.low, found.limits.high) == pytest.approx(
        case["exact_from_data"]["limits_1.96"], abs=1e-3
    )


# S3: Shrout and Fleiss 1979, Table 4, printed to two decimals
@pytest.mark.parametrize(
    ("form", "published"),
    [
        (Correlation.ONE_WAY, "icc_1_1"),
        (Correlation.TWO_WAY_RANDOM, "icc_2_1"),
        (Correlation.TWO_WAY_MIXED, "icc_3_1"),
    ],
)
def test_intraclass_correlation_is_that_of_shrout_and_fleiss(form, published):
    expected = CASES["shrout_fleiss_1979"]["published"][published]

    assert intraclass_correlation(judges(), form) == pytest.approx(expected, abs=0.005)


def test_raters_who_agree_correlate_wholly():
    same = np.repeat([[1.0], [4.0], [9.0]], 3, axis=1)

    assert [intraclass_correlation(same, form) for form in Correlation] == [1, 1, 1]


def test_one_rater_who_is_always_higher_agrees_less_than_they_are_consistent():
    shifted = np.array([[1, 3], [4, 6], [9, 11]], dtype=float)

    assert intraclass_correlation(shifted, Correlation.TWO_WAY_MIXED) == pytest.approx(1)
    assert intraclass_correlation(shifted, Correlation.TWO_WAY_RANDOM) < 0.95


@pytest.mark.parametrize("ratings", [[1, 2, 3], [[1, 2]], [[1], [2]], [[1, np.nan], [2, 3]]])
def test_intraclass_correlation_refuses_too_few_ratings(ratings):
    with pytest.raises(MeasurementError, match="ratings"):
        intraclass_correlation(ratings, Correlation.ONE_WAY)


def test_intraclass_correlation_refuses_ratings_all_alike():
    with pytest.raises(MeasurementError, match="no rating differs"):
        intraclass_correlation(np.ones((3, 3)), Correlation.ONE_WAY)


# S5: Student 1908; interval printed to seven decimals by the R example of the same data
def test_mean_change_and_interval_are_those_of_student():
    case = CASES["student_sleep_1908"]

    found = agreement(case["drug_1"], case["drug_2"])

    assert found.bias == pytest.approx(case["published"]["mean_difference"], abs=1e-6)
    ends = (found.bias_interval.low, found.bias_interval.high)
    assert ends == pytest.approx(case["published"]["ci95"], abs=1e-6)


def test_interval_of_a_mean_is_that_of_scipy():
    readings = judges()[:, 0]

    found = mean_interval(readings, 0.9)

    expected = stats.t.interval(0.9, 5, readings.mean(), stats.sem(readings))
    assert (found.low, found.high) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 5, 16, 33, 200, 1001])
@pytest.mark.parametrize("probability", [0.01, 0.3, 0.5, 0.9, 0.975, 0.9995])
def test_quantile_of_t_is_that_of_scipy(degrees, probability):
    expected = stats.t.ppf(probability, degrees)

    assert t_quantile(probability, degrees) == pytest.approx(expected, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(("probability", "degrees"), [(0.5, 0), (0, 3), (1, 3)])
def test_quantile_of_t_refuses_what_cannot_be(probability, degrees):
    with pytest.raises(SettingError):
        t_quantile(probability, degrees)


# S7: e-Handbook of Statistical Methods 7.2.6.2, data printed to four decimals
def test_percentile_is_of_type_7():
    case = json.loads((DATA / "percentile_nist.json").read_text())

    found = percentile(case["values"], case["p"])

    assert found == pytest.approx(case["expected"]["hyndman_fan_7"], abs=5e-5)


@pytest.mark.parametrize("percent", [0, 12.5, 50, 99, 100])
@pytest.mark.parametrize("readings", [[3.0], [9.0, 1.0], [5.0, 1.0, 2.0, 2.0, 8.0]])
def test_percentile_is_that_of_numpy(readings, percent):
    assert percentile(readings, percent) == pytest.approx(np.percentile(readings, percent))


@pytest.mark.parametrize("percent", [-1, 101, np.nan])
def test_percentile_lies_from_0_to_100(percent):
    with pytest.raises(SettingError, match="percent"):
        percentile([1.0], percent)


# S8: Hebert-Losier 2017, right heel: limits printed to one decimal
def test_detectable_change_follows_from_limits_of_agreement():
    case = CASES["heel_rise_retest"]

    error = standard_error_of_limits(Interval(*case["published"]["right"]["limits"]))

    assert error == pytest.approx(case["derived"]["right_sem"], abs=0.05)
    assert minimal_detectable_change(error) == pytest.approx(
        case["derived"]["right_mdc95"], abs=0.05
    )


def test_detectable_change_of_90_in_100_is_smaller():
    # 1.645 and 1.960: table of the normal distribution
    assert minimal_detectable_change(2, 0.90) == pytest.approx(1.645 * 2**0.5 * 2, abs=2e-3)
    assert minimal_detectable_change(2, 0.95) == pytest.approx(1.960 * 2**0.5 * 2, abs=2e-3)


def test_standard_error_of_a_reliable_reading_is_small():
    # sd root(1 - r), by hand
    assert standard_error(5, 0.84) == pytest.approx(2)
    assert standard_error(5, 1) == 0


@pytest.mark.parametrize(("sd", "correlation"), [(-1, 0.5), (np.nan, 0.5), (1, -0.1), (1, 1.1)])
def test_standard_error_refuses_what_cannot_be(sd, correlation):
    with pytest.raises(SettingError, match="reliability"):
        standard_error(sd, correlation)


@pytest.mark.parametrize("error", [-1, np.inf])
def test_detectable_change_refuses_an_error_that_cannot_be(error):
    with pytest.raises(SettingError, match="error"):
        minimal_detectable_change(error)


# U1: teaching notebook on propagation of uncertainty, BMClab/BMC (CC BY 4.0), two decimals
def test_ratio_carries_its_error():
    case = json.loads((DATA / "uncertainty_cases.json").read_text())["ratio"]

    found = ratio(Measured(*case["m"]), Measured(*case["V"]))

    assert (found.value, found.sd) == pytest.approx(case["expected"], abs=0.005)


@pytest.mark.parametrize("above", [(4.0, 0.5), (-3.0, 0.1), (0.0, 0.2)])
@pytest.mark.parametrize("below", [(2.0, 0.2), (-0.5, 0.01)])
def test_ratio_has_the_error_of_uncertainties(above, below):
    expected = ufloat(*above) / ufloat(*below)

    found = ratio(Measured(*above), Measured(*below))

    assert found.value == pytest.approx(expected.nominal_value)
    assert found.sd == pytest.approx(expected.std_dev)


def test_ratio_by_nothing_has_no_number():
    found = ratio(
        Measured(np.array([4.0, 4.0]), np.array([0.5, 0.5])),
        Measured(np.array([2.0, 0.0]), np.array([0.2, 0.2])),
    )

    assert found.missing.tolist() == [False, True]


@pytest.mark.parametrize("readings", [[1.0], [[1.0, 2.0]], [1.0, np.nan]])
def test_readings_without_numbers_are_refused(readings):
    with pytest.raises(MeasurementError, match="readings"):
        mean_interval(readings)


def test_readings_that_are_no_pairs_are_refused():
    with pytest.raises(MeasurementError, match="3 readings for 2"):
        agreement([1.0, 2.0], [1.0, 2.0, 3.0])


@pytest.mark.parametrize("confidence", [0, 1, 1.2])
def test_confidence_lies_between_0_and_1(confidence):
    with pytest.raises(SettingError, match="confidence"):
        normal_quantile(confidence)
