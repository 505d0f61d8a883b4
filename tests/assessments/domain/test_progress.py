"""Measures over several visits, judged as change and visit_changes judge them."""

from datetime import date
from decimal import Decimal

import pytest

from assessments.change_words import change_words, reading_words
from assessments.domain.assessment import Assessment, Observation, StrengthTest, Trial
from assessments.domain.change import Reading, Verdict, change
from assessments.domain.progress import compared, progress, readings_of
from assessments.domain.reading import read_assessment_tables
from assessments.domain.visits import visit_changes
from assessments.domain.vocabulary import AssessmentKind, Method, Shoes, Side, Surface
from clinic.domain.tables import Reader

DAYS = [date(2026, 1, 12), date(2026, 3, 9), date(2026, 5, 4)]


@pytest.fixture(scope="session")
def tables(reference_texts):
    return read_assessment_tables(Reader(reference_texts))


def run(code="t1", speed="3.2", camera=Side.LEFT):
    return Trial(code, Surface.TREADMILL, Decimal(speed), shoes=Shoes.USUAL, camera=camera)


def seen(feature, value, side=Side.NONE, trial="t1", sd=None):
    return Observation(
        feature,
        side,
        trial,
        Decimal(value),
        method=Method.VIDEO_2D,
        sd=None if sd is None else Decimal(sd),
    )


def visit(number, *observations, trials=None, tests=(), scores=None):
    return Assessment(
        kind=AssessmentKind.REASSESSMENT,
        assessed_on=DAYS[number],
        facts={},
        screened_on=None,
        answers={},
        lifts={},
        trials=tuple(trials or (run(),)),
        observations=observations,
        tests=tests,
        scores=scores or {},
    )


def only(series):
    (found,) = series
    return found


def test_every_kind_of_number_is_read(tables):
    taken = visit(
        0,
        seen("cadence", "156"),
        Observation("trunk_lean", Side.NONE, "t1", grade=2),
        tests=(StrengthTest("knee_to_wall", Side.LEFT, Decimal(8)),),
        scores={"running_pain_now": Decimal(4), "something": "yes"},
    )

    assert set(readings_of(taken)) == {
        ("cadence", Side.NONE),
        ("knee_to_wall", Side.LEFT),
        ("running_pain_now", Side.NONE),
    }


def test_a_series_carries_error_camera_and_speed():
    reading = readings_of(visit(0, seen("cadence", "156", sd="0.8")))["cadence", Side.NONE][0]

    assert (reading.sd, reading.camera) == (Decimal("0.8"), Side.LEFT)
    assert reading.trial.speed_m_s == Decimal("3.2")


def test_the_last_visit_is_judged_with_those_between(tables):
    values = ["156", "158", "159"]
    found = only(progress([visit(n, seen("cadence", v)) for n, v in enumerate(values)], tables))

    first, *later = (point.reading for point in found.points)
    assert found.since_first == visit_changes(first, later, tables.features["cadence"])[-1]
    assert found.since_last == change(later[0], later[1], tables.features["cadence"])
    # 3 steps in a minute are detectable between two looks, but not as the larger of two tries
    assert change(first, later[-1], tables.features["cadence"]).verdict is Verdict.BETTER
    assert found.since_first.verdict is Verdict.WITHIN_ERROR
    assert not found.is_real


def test_a_measure_taken_once_has_no_change(tables):
    found = only(progress([visit(0), visit(1, seen("cadence", "156"))], tables))

    assert (len(found.points), found.since_first, found.since_last) == (1, None, None)
    assert not found.is_real


def test_the_trial_that_can_be_compared_counts(tables):
    slow, quick = run("t1", "2.5"), run("t2", "3.2")
    found = only(
        progress(
            [
                visit(0, seen("cadence", "156", trial="t2"), trials=(slow, quick)),
                visit(
                    1,
                    seen("cadence", "150"),
                    seen("cadence", "166", trial="t2"),
                    trials=(slow, quick),
                ),
            ],
            tables,
        )
    )

    assert [point.reading.value for point in found.points] == [Decimal(156), Decimal(166)]
    assert found.since_first.verdict is Verdict.BETTER


def test_other_conditions_give_no_verdict_and_say_why(tables):
    found = only(
        progress(
            [
                visit(0, seen("cadence", "156")),
                visit(1, seen("cadence", "170"), trials=(run(camera=Side.RIGHT),)),
            ],
            tables,
        )
    )

    assert change_words(found.since_first, "steps/min") == (
        "+14 steps/min, not comparable: camera left then, right now"
    )


def test_several_visits_are_judged_together_and_that_is_said(tables):
    values = ("156", "160", "166")
    visits = [visit(place, seen("cadence", value)) for place, value in enumerate(values)]
    found = only(progress(visits, tables))

    # two later visits: 3 steps/min of features.csv times 2.2414 / 1.9600, the two-sided normal
    # values for 0.05 / 2 and 0.05 (Holm S 1979, Scandinavian Journal of Statistics 6:65-70)
    assert change_words(found.since_first, "steps/min") == (
        "+10 steps/min, better (detectable difference 3.43 steps/min, published for this measure, "
        "widened as 2 visits are judged together)"
    )


def test_the_larger_error_governs_and_is_named(tables):
    feature = tables.features["cadence"]
    small = change(Reading(Decimal(156)), Reading(Decimal(160)), feature)
    wide = change(
        Reading(Decimal(156), sd=Decimal(2)), Reading(Decimal(160), sd=Decimal(2)), feature
    )

    assert change_words(small, "steps/min") == (
        "+4 steps/min, better (detectable difference 3 steps/min, published for this measure)"
    )
    # 1.96 x root(2^2 + 2^2) = 5.5437, JCGM 100:2008, 5.1.2
    assert change_words(wide, "steps/min") == (
        "+4 steps/min, within error (detectable difference 5.544 steps/min, of the two readings)"
    )


@pytest.mark.parametrize(
    ("value", "sd", "words"),
    [
        # JCGM 100:2008, 7.2.6: the value is rounded to the place of its uncertainty
        ("7.312", "1.64", "7.3 ± 1.6"),
        ("156", "0.83", "156.0 ± 0.8"),
        ("156.5", None, "156.5"),
        ("8.00", "0", "8"),
    ],
)
def test_a_reading_is_printed_with_its_error(value, sd, words):
    reading = Reading(Decimal(value), sd=None if sd is None else Decimal(sd))

    assert reading_words(reading) == words


def test_letter_and_progress_judge_alike(tables):
    then = visit(0, seen("cadence", "156"), seen("hip_adduction", "15", Side.LEFT))
    now = visit(1, seen("cadence", "160"), seen("hip_adduction", "11", Side.LEFT))

    by_letter = {(one.measure.code, one.side): one.change for one in compared(then, now, tables)}
    by_page = {
        (one.measure.code, one.side): one.since_last for one in progress([then, now], tables)
    }

    assert by_letter == by_page
    assert len(by_letter) == 2


def test_letter_and_progress_judge_alike_with_several_trials(tables):
    slow, quick = run("t1", "3.0"), run("t2", "4.0")
    visits = [
        visit(0, seen("cadence", "156"), trials=(slow,)),
        visit(1, seen("cadence", "160", trial="t2"), trials=(quick,)),
        visit(
            2,
            seen("cadence", "157"),
            seen("cadence", "168", trial="t2"),
            trials=(slow, quick),
        ),
    ]

    by_letter = only(compared(visits[1], visits[2], tables)).change
    found = only(progress(visits, tables))

    assert found.since_last == by_letter
    assert (by_letter.difference, by_letter.verdict) == (Decimal(8), Verdict.BETTER)
    assert found.since_first.difference == Decimal(1)
