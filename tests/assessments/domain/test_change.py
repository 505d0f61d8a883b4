"""Verdicts on a change, against the detectable differences printed in the clinical tables."""

from dataclasses import replace
from decimal import Decimal

import pytest

from assessments.domain.assessment import Trial
from assessments.domain.change import Reading, Verdict, change, detectable, not_comparable
from assessments.domain.reading import read_assessment_tables
from assessments.domain.vocabulary import Method, Shoes, Surface
from clinic.domain.tables import Reader

RUN = Trial("t1", Surface.TREADMILL, Decimal("3.2"), shoes=Shoes.USUAL)


@pytest.fixture(scope="session")
def tables(reference_texts):
    return read_assessment_tables(Reader(reference_texts))


def reading(value, trial=RUN, method=Method.VIDEO_2D):
    return Reading(Decimal(value), trial, method)


# the error of each measure is written here as features.csv, tests.csv and scores.csv print it
@pytest.mark.parametrize(
    ("table", "code", "then", "now", "verdict"),
    [
        ("features", "hip_adduction", "15", "11.2", Verdict.BETTER),  # 3.8, lower is better
        ("features", "hip_adduction", "15", "11.3", Verdict.WITHIN_ERROR),
        ("features", "hip_adduction", "11", "14.8", Verdict.WORSE),
        ("features", "cadence", "156", "159", Verdict.BETTER),  # 3, toward 163 to 185
        ("features", "cadence", "156", "158", Verdict.WITHIN_ERROR),
        ("features", "cadence", "170", "180", Verdict.CHANGED),  # both within the range
        ("features", "cadence", "184", "190", Verdict.WORSE),
        ("features", "foot_inclination", "10", "13", Verdict.CHANGED),  # 2.3, none is better
        ("features", "trunk_lean", "3", "9", Verdict.NO_ERROR_PUBLISHED),
        ("tests", "knee_to_wall", "8", "9.9", Verdict.BETTER),  # 1.9, higher is better
        ("tests", "knee_to_wall", "8", "9.8", Verdict.WITHIN_ERROR),
        ("tests", "single_leg_hop", "100", "111", Verdict.BETTER),  # 11 % of the earlier value
        ("tests", "single_leg_hop", "100", "110", Verdict.WITHIN_ERROR),
        ("scores", "lower_extremity_function_total", "60", "69", Verdict.BETTER),  # 9
        ("scores", "lower_extremity_function_total", "60", "68", Verdict.WITHIN_ERROR),
        ("scores", "pain_now", "6", "2", Verdict.NO_ERROR_PUBLISHED),
    ],
)
def test_verdict_follows_the_detectable_difference(tables, table, code, then, now, verdict):
    measure = getattr(tables, table)[code]
    sides = (reading(then), reading(now))
    if table != "features":
        sides = (Reading(Decimal(then)), Reading(Decimal(now)))

    assert change(*sides, measure).verdict is verdict


def test_difference_is_now_minus_then(tables):
    found = change(reading("15"), reading("11.2"), tables.features["hip_adduction"])

    assert (found.difference, found.error) == (Decimal("-3.8"), Decimal("3.8"))


def test_error_in_per_cent_is_of_the_earlier_value(tables):
    assert detectable(Decimal(150), tables.tests["single_leg_hop"]) == Decimal("16.5")


@pytest.mark.parametrize(
    ("then", "now", "why"),
    [
        (RUN, RUN, ""),
        (RUN, replace(RUN, speed_m_s=Decimal("3.5")), ""),
        (RUN, replace(RUN, speed_m_s=Decimal("3.51")), "speed 3.2 m/s then, 3.51 m/s now"),
        (RUN, replace(RUN, speed_m_s=None), "the speed was not recorded"),
        (replace(RUN, speed_m_s=None), RUN, "the speed was not recorded"),
        (RUN, replace(RUN, surface=Surface.ROAD), "surface treadmill then, road now"),
        (RUN, replace(RUN, shoes=None), "shoes usual then, not recorded now"),
    ],
)
def test_other_runs_are_not_compared(then, now, why):
    assert not_comparable(reading(1, then), reading(2, now)) == why


def test_other_method_is_not_compared(tables):
    now = reading("5", method=Method.MOTION_CAPTURE_3D)
    found = change(reading("15"), now, tables.features["hip_adduction"])

    assert found.verdict is Verdict.NOT_COMPARABLE
    assert found.why == "measured another way"
