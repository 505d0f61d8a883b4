"""Change by the larger of the published error and that of the readings, and over many visits."""

from dataclasses import replace
from decimal import Decimal
from math import sqrt
from statistics import NormalDist

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from assessments.domain.assessment import Trial
from assessments.domain.change import Confidence, Governs, Reading, Verdict, change, readings_error
from assessments.domain.reading import read_assessment_tables
from assessments.domain.visits import visit_changes, widening
from assessments.domain.vocabulary import Method, Shoes, Side, Surface
from clinic.domain.tables import Reader

RUN = Trial("t1", Surface.TREADMILL, Decimal("3.2"), shoes=Shoes.USUAL)


@pytest.fixture(scope="session")
def features(reference_texts):
    return read_assessment_tables(Reader(reference_texts)).features


def reading(value, sd=None, trial=RUN, camera=Side.RIGHT):
    number = None if sd is None else Decimal(str(sd))
    return Reading(Decimal(str(value)), trial, Method.VIDEO_2D, number, camera)


# 1.960 and 1.645 from the table of the normal distribution; 3-4-5 triangle
@pytest.mark.parametrize(("confidence", "z"), [(Confidence.P95, 1.960), (Confidence.P90, 1.645)])
def test_error_of_two_readings_adds_in_squares(confidence, z):
    found = readings_error(reading(1, 3), reading(2, 4), confidence)

    assert float(found) == pytest.approx(5 * z, abs=0.002)


# 3.8 deg is published for hip adduction; two readings of 2 deg give 1.96 root 8 = 5.54 deg
def test_larger_error_governs_and_is_named(features):
    measure = features["hip_adduction"]

    exact = change(reading(15, 0.5), reading(11, 0.5), measure)
    rough = change(reading(15, 2), reading(11, 2), measure)

    assert (exact.verdict, exact.error) == (Verdict.BETTER, Decimal("3.8"))
    assert exact.governs is Governs.PUBLISHED
    assert rough.verdict is Verdict.WITHIN_ERROR
    assert float(rough.error) == pytest.approx(1.96 * sqrt(8), abs=0.001)
    assert rough.governs is Governs.READINGS


def test_one_reading_without_error_leaves_the_published(features):
    found = change(reading(15, 9), reading(11), features["hip_adduction"])

    assert (found.error, found.governs) == (Decimal("3.8"), Governs.PUBLISHED)


def test_without_a_published_error_the_readings_decide(features):
    # trunk_lean has no detectable difference in features.csv
    told = change(reading(3, 0.5), reading(9, 0.5), features["trunk_lean"])
    untold = change(reading(3), reading(9), features["trunk_lean"])

    assert told.governs is Governs.READINGS
    assert not told.verdict.cannot_be_told
    assert (untold.verdict.cannot_be_told, untold.governs) == (True, None)


@pytest.mark.parametrize(
    ("camera", "why"),
    [
        (Side.LEFT, "camera right then, left now"),
        (None, "camera right then, not recorded now"),
    ],
)
def test_other_side_of_the_camera_is_not_compared(features, camera, why):
    found = change(reading(15), reading(1, camera=camera), features["hip_adduction"])

    assert (found.verdict, found.why) == (Verdict.NOT_COMPARABLE, why)
    assert found.verdict.cannot_be_told


# two-sided normal values for 0.05 / k: tables of Bonferroni's z (2.241, 2.394, 2.498)
@pytest.mark.parametrize(("looks", "z"), [(1, 1.960), (2, 2.241), (3, 2.394), (4, 2.498)])
def test_widening_is_that_of_bonferroni(looks, z):
    assert float(widening(looks)) == pytest.approx(z / 1.960, abs=5e-4)


def test_widening_needs_a_look():
    with pytest.raises(ValueError, match="1 or more"):
        widening(0)


def test_one_visit_is_judged_as_a_single_change(features):
    first, now, measure = reading(15), reading("11.2"), features["hip_adduction"]

    assert visit_changes(first, [now], measure) == (change(first, now, measure),)


def test_visits_are_judged_as_the_reference_steps_down(features):
    measure, rng = features["hip_adduction"], np.random.default_rng(4)
    z = 1.959963984540054

    for _ in range(200):
        first, values = reading(15), rng.normal(15, 4.5, size=4).round(3)
        found = visit_changes(first, [reading(value) for value in values], measure)

        sizes = np.abs(values - 15) * z / 3.8
        chances = [2 * (1 - _normal_area(size)) for size in sizes]
        expected = multipletests(chances, alpha=0.05, method="holm")[0]
        real = [one.verdict is not Verdict.WITHIN_ERROR for one in found]
        assert real == expected.tolist()


def test_change_real_alone_may_be_chance_among_many(features):
    first, measure = reading(15), features["hip_adduction"]

    found = visit_changes(first, [reading(11), reading(15), reading(16)], measure)

    assert change(first, reading(11), measure).verdict is Verdict.BETTER
    assert [one.verdict for one in found] == [Verdict.WITHIN_ERROR] * 3
    assert float(found[0].error) == pytest.approx(3.8 * 2.394 / 1.960, abs=0.01)


def test_visit_that_cannot_be_compared_takes_no_part(features):
    first, measure = reading(15), features["hip_adduction"]
    elsewhere = reading(3, trial=replace(RUN, surface=Surface.ROAD))

    found = visit_changes(first, [elsewhere, reading("11.2")], measure)

    assert [one.verdict for one in found] == [Verdict.NOT_COMPARABLE, Verdict.BETTER]


def test_no_error_at_all_is_told_for_each_visit(features):
    found = visit_changes(reading(3), [reading(9), reading(8)], features["trunk_lean"])

    assert [one.verdict for one in found] == [Verdict.NO_ERROR_PUBLISHED] * 2


# nothing changed in 4000 clients with five later visits: without Holm about 17 in 100 would have
# a false finding (shared first visit), with it at most 5 (here 5 + 2 standard errors of 0.34)
@pytest.mark.parametrize("sd", [1.0, 3.0])
def test_false_findings_over_five_visits_stay_below_5_in_100(features, sd):
    measure, rng = features["hip_adduction"], np.random.default_rng(20)
    measure = replace(measure, detectable_difference=None)
    false = alone = 0

    for values in rng.normal(15, sd, size=(4000, 6)).round(4):
        first, *later = (reading(value, sd) for value in values)
        alone += any(_real(change(first, now, measure)) for now in later)
        false += any(map(_real, visit_changes(first, later, measure)))

    assert alone / 4000 > 0.12
    assert 0.01 < false / 4000 <= 0.05


def _real(one):
    return one.verdict is not Verdict.WITHIN_ERROR


def _normal_area(size):
    return NormalDist().cdf(size)
