"""What the page prints beside a measure, against the sentences of the clinical tables."""

from datetime import date
from decimal import Decimal

import pytest

from assessments import answer_states, grid, measure_words, stored_answers
from assessments.domain.reading import read_assessment_tables
from assessments.domain.vocabulary import Side
from assessments.models import Trial
from clinic.domain.tables import Reader
from tests.factories.consult import make_assessment, observe


@pytest.fixture(scope="session")
def tables(reference_texts):
    return read_assessment_tables(Reader(reference_texts))


def read(code, tables):
    return measure_words.findings_read(tables.features[code], tables)


# the three lists of "Value and grade side by side" in the reference notes
@pytest.mark.parametrize("code", ["trunk_rotation", "anterior_pelvic_tilt", "step_width"])
def test_findings_read_the_grade(tables, code):
    assert read(code, tables) == "Findings read the grade, also beside a value."


@pytest.mark.parametrize(
    "code",
    ["hip_hinge_angle", "lateral_trunk_lean", "pelvic_drop", "hip_adduction", "heel_to_com"],
)
def test_findings_read_the_value_first(tables, code):
    assert read(code, tables).startswith("Findings read the value; the grade counts where no")


@pytest.mark.parametrize("code", ["knee_drive", "toe_out"])
def test_some_features_are_read_by_no_finding(tables, code):
    assert read(code, tables) == "No finding reads this feature."


def test_every_feature_with_both_is_told(tables):
    both = [one.code for one in tables.features.values() if one.kind == "grade_or_value"]

    assert len(both) == 10
    assert all(read(code, tables) for code in both)


def test_special_cases_are_said(tables):
    assert "three-dimensional" in read("hip_adduction", tables)
    assert "difference of the sides is read from values only" in read("pelvic_drop", tables)
    assert "height" in read("heel_to_com", tables)


def test_one_kind_of_answer_needs_no_such_sentence(tables):
    assert read("cadence", tables) == ""


# ranges and errors as printed in features.csv, tests.csv and scores.csv
@pytest.mark.parametrize(
    ("kind", "code", "span", "error"),
    [
        ("o", "hip_adduction", "Reference 4 to 17 deg", "detectable difference 3.8 deg"),
        ("o", "cadence", "Reference 163 to 185 steps/min", "detectable difference 3 steps/min"),
        ("o", "elbow_angle", "No reference range", "no detectable difference published"),
        (
            "t",
            "knee_to_wall",
            "Reference 9 to 18 cm",
            "error of this test: detectable difference 1.9 cm",
        ),
        ("t", "side_plank", "Reference 45 s or more", "no published error"),
        (
            "t",
            "single_leg_hop",
            "No reference range",
            "error of this test: detectable difference 11 % of the earlier value",
        ),
        ("s", "pain_now", "Scale 0 to 10 points", "no detectable difference published"),
    ],
)
def test_range_and_error_are_printed(tables, kind, code, span, error):
    about = measure_words.about(kind, measure_words.measure_of(kind, code, tables), tables)

    assert (about.range_words, about.error_words) == (span, error)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("7,5", "7.5"),
        ("7.5", "7.5"),
        (" -3 ", "-3"),
        ("−3", "-3"),
        ("", None),
        ("1,2,3", None),
        ("x", None),
        ("inf", None),
    ],
)
def test_numbers_are_read_as_typed(text, number):
    assert answer_states.number_of(text) == (None if number is None else Decimal(number))


def test_a_forged_token_counts_as_an_empty_cell():
    assert answer_states.seen_of("1;2") == answer_states.State()


@pytest.mark.parametrize(
    ("code", "state", "words"),
    [
        ("pronation_amount", answer_states.State(choice="as_expected"), "as expected"),
        ("late_pronation", answer_states.State(grade="2"), "grade 2"),
        ("late_pronation", answer_states.State(grade="n"), "not seen"),
        ("hip_hinge_angle", answer_states.State(grade="1", value="6.5"), "grade 1, 6.5 deg"),
        ("cadence", answer_states.State(), ""),
    ],
)
def test_answer_is_said_in_words(tables, code, state, words):
    assert measure_words.state_words(state, tables.features[code]) == words


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ({"value": 7, "sd": 1.6321, "steps": 4}, "± 1.6 deg, from frames, mean of 4 steps"),
        ({"value": 7, "sd": 1.6321, "steps": 1}, "± 1.6 deg, from frames, of one step"),
        ({"value": 7, "steps": 4}, "error not known, from frames, mean of 4 steps"),
        ({"value": 7}, ""),
        ({"grade": 2}, ""),
    ],
)  # fmt: skip
def test_error_of_a_computed_value_in_words(edition, tables, answer, words):
    row = observe(make_assessment(edition=edition), "hip_adduction", "left", **answer)
    feature = tables.features["hip_adduction"]

    assert measure_words.computed_words(row, feature) == words
    assert measure_words.computed_words(None, feature) == ""


def test_last_times_value_is_compared_with_error_and_camera(edition, tables):
    """156 to 160 steps a minute is better by the published 3, within error with 2 each."""
    then = make_assessment(edition=edition, on=date(2026, 1, 12))
    now = make_assessment(edition=edition, client=then.client, by=then.clinician)
    for made, value in ((then, 156), (now, 160)):
        observe(made, "cadence", value=Decimal(value), method="video_2d", sd=Decimal(2))

    now.last_id, now.last_on = then.pk, then.assessed_on
    assert "within error" in last_time(now, tables).change

    Trial.objects.filter(assessment=then).update(camera="left")
    Trial.objects.filter(assessment=now).update(camera="right")
    assert "camera left then, right now" in last_time(now, tables).change


def last_time(now, tables):
    held = stored_answers.stored(now)
    return grid.last_of("o", tables.features["cadence"], Side.NONE, held, held.trials[0])
