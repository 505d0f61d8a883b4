"""Limits, guards, norms, severity and rounding on their own.

Source: fixtures/EVALUATION.md, 2 and 4 to 7; the section stands beside each test.
"""

from dataclasses import replace
from decimal import Decimal

import pytest

from assessments.domain.assessment import Observation, StrengthTest, Trial
from assessments.domain.guards import parsed_guard, unmet
from assessments.domain.limits import Limit
from assessments.domain.norms import parsed_equation
from assessments.domain.rounding import half_up
from assessments.domain.severity import severity_of
from assessments.domain.tables import Range
from assessments.domain.vocabulary import Method, Operator, Severity, Side
from tests.exercises.domain.cases import edition

TEN = Decimal(10)


# Section 4
@pytest.mark.parametrize(
    ("operator", "below", "at", "above"),
    [
        ("lt", True, False, False),
        ("le", True, True, False),
        ("gt", False, False, True),
        ("ge", False, True, True),
        ("eq", False, True, False),
        ("ne", True, False, True),
    ],
)
def test_number_is_compared_by_the_operator(operator, below, at, above):
    limit = Limit(Operator(operator), TEN)

    assert (limit.met(Decimal("9.9")), limit.met(10), limit.met(Decimal("10.1"))) == (
        below,
        at,
        above,
    )


# Section 4: both ends included
@pytest.mark.parametrize(("number", "met"), [(3, False), (4, True), (15, True), (16, False)])
def test_between_includes_both_ends(number, met):
    assert Limit(Operator.BETWEEN, Decimal(4), Decimal(15)).met(number) is met


# Section 4
@pytest.mark.parametrize(
    ("operator", "words", "met"),
    [
        ("eq", ("calf",), True),
        ("ne", ("calf",), False),
        ("in", ("shin", "calf"), True),
        ("ne", ("shin",), True),
    ],
)
def test_word_is_compared_by_the_operator(operator, words, met):
    assert Limit(Operator(operator), words=words).met("calf") is met


def test_number_against_words_is_an_error():
    with pytest.raises(ValueError, match="cannot be compared"):
        Limit(Operator.EQ, words=("calf",)).met(10)


# Section 6
@pytest.mark.parametrize(
    ("limit", "beyond"),
    [
        (Limit(Operator.GT, TEN), 2),
        (Limit(Operator.LE, TEN), -2),
        (Limit(Operator.EQ, TEN), None),
        (Limit(Operator.IN, words=("a",)), None),
    ],
)
def test_distance_beyond_goes_with_the_operator(limit, beyond):
    assert limit.beyond(Decimal(12)) == beyond


# Section 2: floor(x + 1/2)
@pytest.mark.parametrize(
    ("number", "places", "rounded"),
    [
        ("0.5", 0, "1"),
        ("-0.5", 0, "0"),
        ("-1.5", 0, "-1"),
        ("2.4999", 0, "2"),
        ("1.2765", 3, "1.277"),
        ("1.27649999999999999999999999999999999999", 3, "1.276"),
        ("9.85", 1, "9.9"),
    ],
)
def test_rounding_goes_half_up(number, places, rounded):
    assert half_up(Decimal(number), places) == Decimal(rounded)


GOOD = Trial("t1", speed_m_s=Decimal("2.6"), frame_rate_hz=Decimal(60), steps_averaged=Decimal(7))
SEEN = Observation("trunk_lean", Side.NONE, "t1", method=Method.VIDEO_2D)


# Section 5
@pytest.mark.parametrize(
    ("text", "trial", "met"),
    [
        ("min_steps=7", GOOD, True),
        ("min_steps=8", GOOD, False),
        ("min_steps=1", Trial("t1"), False),
        ("min_frame_rate=60", GOOD, True),
        ("min_frame_rate=61", GOOD, False),
        ("speed=known", GOOD, True),
        ("speed=known", Trial("t1"), False),
        ("speed=2.6..3.5", GOOD, True),
        ("speed=2.7..3.5", GOOD, False),
        ("speed=2.0..2.5", GOOD, False),
        ("method=video_2d", GOOD, True),
        ("method=sensor", GOOD, False),
        ("min_steps=7", None, False),
    ],
)
def test_guard_is_met_by_facts_that_are_given(text, trial, met):
    assert parsed_guard(text).met(SEEN, trial, None) is met


# Section 5
@pytest.mark.parametrize(("choice", "missed"), [("yes", ()), ("no", ("pelvis_held=yes",))])
def test_guard_of_the_pelvis_reads_the_test_of_the_side(choice, missed):
    held = StrengthTest("modified_thomas_pelvis_held", Side.LEFT, choice=choice)

    assert unmet([parsed_guard("pelvis_held=yes")], None, None, held) == missed


@pytest.mark.parametrize(
    "text",
    ["", "min_steps", "min_steps=x", "speed=3.5..2.6", "method=guess", "pelvis_held=no", "speed="],
)
def test_what_is_no_guard_is_not_read(text):
    assert parsed_guard(text) is None


# Section 7 and norms.csv
def test_equation_of_hip_abduction_gives_its_worked_value():
    equation = parsed_equation("1.600 - 0.005 * age_years + 0.215 * male")

    assert equation.at(Decimal(40), man=True) == Decimal("1.615")
    assert equation.at(Decimal(40), man=False) == Decimal("1.400")


@pytest.mark.parametrize("text", ["", "age_years", "2 * height", "2 + ", "2 x 3"])
def test_what_is_no_sum_is_no_equation(text):
    assert parsed_equation(text) is None


def criterion(subject):
    return next(row for row in edition().tables.criteria if row.subject == subject)


# Section 6: a threshold of 0 without band is never marked
def test_threshold_of_0_without_a_band_is_never_marked():
    row = replace(criterion("modified_thomas_hip"), band=None)

    assert severity_of(row, Decimal(40), None) is Severity.CLEAR


# Section 6
def test_choice_and_span_are_clear():
    row = criterion("single_leg_squat")

    assert severity_of(row, None, None) is Severity.CLEAR
    assert severity_of(replace(row, limit=Limit(Operator.BETWEEN, TEN, TEN + 2)), TEN, None) is (
        Severity.CLEAR
    )


def test_open_range_holds_everything_on_its_open_side():
    assert Range(None, TEN).holds(Decimal(-99))
    assert not Range(TEN, None).holds(Decimal(9))
