"""Answers: what is taken, refused, merged, and what the database itself refuses."""

from decimal import Decimal

import pytest
from django.db import IntegrityError, connection

from assessments.editions import tables_of
from assessments.models import Observation
from assessments.services import answers
from assessments.services.assessments import SIGNED, for_consult
from assessments.stored_answers import stored
from clinic.models import TrailEntry
from tests.factories import StaffFactory
from tests.factories.consult import (
    answer,
    make_assessment,
    make_history,
    make_screening,
    make_trial,
    observe,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def assessment(edition):
    return make_assessment(edition=edition)


def save(assessment, post, by=None):
    by = by or assessment.clinician
    held = stored(for_consult(by).get(pk=assessment.pk))
    return answers.save_answers(
        held=held,
        trial=held.trials[0],
        typed=answers.typed_answers(post),
        by=by,
        tables=tables_of(assessment.edition_id),
    )


def only_row():
    return Observation.objects.get()


def test_value_is_saved_with_its_method(assessment):
    saving = save(assessment, answer("hip_adduction", "left", value="7,5"))

    row = only_row()
    assert (saving.saved, saving.refused) == (["o.hip_adduction.left"], {})
    assert (row.value, row.method, row.version) == (Decimal("7.5"), "video_2d", 1)
    assert (row.saved_by, row.site) == (assessment.clinician, assessment.site)


def test_grade_is_by_eye(assessment):
    save(assessment, answer("hip_adduction", "left", grade="2"))

    assert (only_row().grade, only_row().method) == (2, "by_eye")


def test_value_beside_a_grade_makes_the_method_film(assessment):
    save(assessment, answer("hip_adduction", "left", grade="2"))
    save(
        assessment,
        answer(
            "hip_adduction", "left", seen="1;2;;;by_eye", grade="2", value="9", method="by_eye"
        ),
    )

    row = only_row()
    assert (row.grade, row.value, row.method, row.version) == (2, 9, "video_2d", 2)


def test_same_answer_again_changes_nothing(assessment):
    post = answer("hip_adduction", "left", value="7.5")
    save(assessment, post)
    save(assessment, post)

    assert only_row().value == Decimal("7.5")


def test_untouched_cells_write_nothing(assessment):
    observe(assessment, "cadence", value=Decimal(170), method="counted")
    before = TrailEntry.objects.count()

    seen = "1;;170;;counted"
    saving = save(assessment, answer("cadence", seen=seen, value="170", method="counted"))

    assert saving.saved == []
    assert TrailEntry.objects.count() == before


def test_clearing_a_value_clears_it(assessment):
    observe(assessment, "cadence", value=Decimal(170), method="counted")

    save(assessment, answer("cadence", seen="1;;170;;counted", value="", method="counted"))

    assert (only_row().value, only_row().method) == (None, "")


# limits as features.csv, tests.csv and scores.csv print them
@pytest.mark.parametrize(
    ("post", "field", "text"),
    [
        (
            answer("hip_adduction", "left", value="36"),
            "value",
            "36 lies outside what is possible: -10 to 35 deg.",
        ),
        (answer("cadence", value="fast"), "value", "Write a number, 120 to 240 steps/min."),
        (answer("cadence", value="170.1234"), "value", "Three decimals at most."),
        (answer("cadence", value="NaN"), "value", "Write a number, 120 to 240 steps/min."),
        (
            answer("hip_adduction", "left", grade="4"),
            "grade",
            "A grade is 0, 1, 2, 3 or not seen.",
        ),
        (
            answer("foot_strike", "left", choice="toe"),
            "choice",
            "Choose one of: rearfoot, midfoot, forefoot.",
        ),
        (
            answer("knee_to_wall", "left", kind="t", value="26"),
            "value",
            "26 lies outside what is possible: 0 to 25 cm.",
        ),
        (
            answer("pain_now", kind="s", value="11"),
            "value",
            "11 lies outside what is possible: 0 to 10 points.",
        ),
        (
            answer("cadence", "left", value="170"),
            "value",
            "This is not asked in the edition of this assessment.",
        ),
        (
            answer("hip_adduction", "left", grade="n", value="9"),
            "grade",
            "Clear the answer first: what was not seen has none.",
        ),
    ],
)
def test_bad_answers_are_refused_with_what_is_allowed(assessment, post, field, text):
    saving = save(assessment, post)

    [errors] = saving.refused.values()
    assert errors == {field: text}
    assert not Observation.objects.exists()


def test_refused_cell_does_not_hold_back_the_others(assessment):
    post = answer("cadence", value="9") | answer("trunk_lean", value="7")

    saving = save(assessment, post)

    assert saving.saved == ["o.trunk_lean.none"]
    assert list(saving.refused) == ["o.cadence.none"]


def test_different_fields_of_two_people_merge(assessment):
    colleague = StaffFactory(home_site=assessment.site)
    save(assessment, answer("hip_adduction", "left", grade="2"), by=colleague)

    save(assessment, answer("hip_adduction", "left", value="9"))

    row = only_row()
    assert (row.grade, row.value, row.saved_by) == (2, 9, assessment.clinician)


def test_same_field_of_two_people_is_refused_with_both_values(assessment):
    colleague = StaffFactory(home_site=assessment.site, last_name="Birch")
    save(assessment, answer("cadence", value="160"), by=colleague)

    saving = save(assessment, answer("cadence", value="172"))

    text = saving.refused["o.cadence.none"]["value"]
    assert "Ines Birch saved “160”" in text
    assert "you gave “172”" in text
    assert only_row().value == 160


def test_same_field_is_taken_once_the_other_value_was_seen(assessment):
    colleague = StaffFactory(home_site=assessment.site)
    save(assessment, answer("cadence", value="160"), by=colleague)

    save(assessment, answer("cadence", seen="1;;160;;video_2d", value="172", method="video_2d"))

    assert only_row().value == 172


def test_own_answer_of_another_window_is_refused_with_both_values(assessment):
    save(assessment, answer("cadence", value="160"))

    saving = save(assessment, answer("cadence", value="161"))

    assert "saved “160”" in saving.refused["o.cadence.none"]["value"]
    assert saving.overtaken == {"o.cadence.none"}
    assert only_row().value == 160


def test_taking_the_stored_answer_leaves_it_alone(assessment):
    save(assessment, answer("cadence", value="160"))

    saving = save(assessment, answer("cadence", value="161") | {"o.cadence.none.take": "yes"})

    assert (saving.saved, saving.refused) == ([], {})
    assert only_row().value == 160


def test_trail_tells_old_and_new_of_each_field(assessment):
    save(assessment, answer("cadence", value="160"))
    save(assessment, answer("cadence", seen="1;;160;;video_2d", value="172", method="video_2d"))

    entry = TrailEntry.objects.latest("pk")
    assert entry.detail == {"trial": 1, "answers": {"o.cadence.none": {"value": ["160", "172"]}}}
    assert (entry.action, entry.client) == ("change", assessment.client)


def test_row_saved_meanwhile_is_refused_and_not_lost(assessment):
    by = assessment.clinician
    held = stored(for_consult(by).get(pk=assessment.pk))
    observe(assessment, "cadence", value=Decimal(160), method="video_2d")

    saving = answers.save_answers(
        held=held,
        trial=held.trials[0],
        typed=answers.typed_answers(answer("cadence", value="172")),
        by=by,
        tables=tables_of(assessment.edition_id),
    )

    assert saving.refused == {"o.cadence.none": {"value": answers.MEANWHILE}}
    assert only_row().value == 160


def test_signed_assessment_takes_no_answer(assessment):
    sign(assessment)

    saving = save(assessment, answer("cadence", value="160"))

    assert saving.refused == {"o.cadence.none": {"value": SIGNED}}


def test_words_are_saved_and_a_stale_text_is_refused(assessment):
    by = assessment.clinician
    kwargs = {"by": by, "name": "words"}
    seen = for_consult(by).get(pk=assessment.pk)
    other = for_consult(by).get(pk=assessment.pk)

    assert answers.save_words(assessment=seen, text="It aches.", seen="", **kwargs) == ""
    assert answers.save_words(assessment=other, text="It stings.", seen="", **kwargs) == (
        answers.MEANWHILE
    )
    fresh = for_consult(by).get(pk=assessment.pk)
    refused = answers.save_words(assessment=fresh, text="It stings.", seen="", **kwargs)
    assert "It aches." in refused
    assessment.refresh_from_db()
    assert assessment.words == "It aches."


# what the database refuses by itself, whatever code writes


def sign(assessment):
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE assessments_assessment SET signed_at = %s, signed_by_id = %s WHERE id = %s",
            ["2026-03-12 10:00:00+00:00", assessment.clinician_id, assessment.pk],
        )


def run(sql, *values):
    with connection.cursor() as cursor:
        cursor.execute(sql, values)


@pytest.mark.parametrize("value", ["-10.001", "35.001"])  # hip_adduction: -10 to 35 deg
def test_database_refuses_a_value_outside_its_limits(assessment, value):
    row = observe(assessment, "hip_adduction", "left", value=Decimal(12))

    with pytest.raises(IntegrityError, match="outside its limits"):
        run("UPDATE assessments_observation SET value = %s WHERE id = %s", value, row.pk)


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("observation", "UPDATE assessments_observation SET grade = 1"),
        ("trial", "UPDATE assessments_trial SET speed_m_s = 3"),
        ("assessment", "UPDATE assessments_assessment SET words = 'other'"),
    ],
)
def test_database_refuses_changes_of_a_signed_assessment(assessment, table, change):
    observe(assessment, "hip_adduction", "left", value=Decimal(12))
    sign(assessment)

    with pytest.raises(IntegrityError, match=r"signed|fixed"):
        run(change)


def test_database_refuses_a_new_trial_in_a_signed_assessment(assessment):
    sign(assessment)

    with pytest.raises(IntegrityError, match="signed"):
        make_trial(assessment, position=2)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE assessments_historyanswer SET history_id = {other} WHERE history_id = {row}",
        "UPDATE assessments_screeninganswer SET screening_id = {other} WHERE screening_id = {row}",
        "UPDATE assessments_runninghistory SET injured_on = '2025-01-01' WHERE id = {row}",
        "UPDATE assessments_screening SET screened_on = '2026-03-01' WHERE id = {row}",
    ],
)
def test_database_keeps_what_a_signed_assessment_rests_on(assessment, change):
    runner, by = assessment.client, assessment.clinician
    if "screening" in change:
        used, free = (make_screening(runner, by, flags={"s20": "no"}) for _ in range(2))
        other = make_screening(runner, by)
        assessment.screening = used
    else:
        used, free = (make_history(runner, by, runs_per_week=3) for _ in range(2))
        other = make_history(runner, by)
        assessment.history = used
    assessment.save()
    sign(assessment)

    run(change.format(row=free.pk, other=other.pk))  # nothing signed rests on this one
    with pytest.raises(IntegrityError, match=r"rests on it|fixed"):
        run(change.format(row=used.pk, other=other.pk))


@pytest.mark.parametrize(
    ("changed", "kept"),
    [
        ({"value": "8.1"}, None),
        ({"value": ""}, None),
        ({"method": "sensor"}, None),
        ({"grade": "2"}, Decimal("1.6321")),
    ],
)
def test_error_stays_with_the_value_it_was_computed_for(assessment, changed, kept):
    seen = {"value": "7.3", "method": "video_2d"}
    observe(assessment, "hip_adduction", "left", **seen, sd=Decimal("1.6321"))

    saving = save(
        assessment, answer("hip_adduction", "left", seen="1;;7.3;;video_2d", **seen | changed)
    )

    assert (saving.refused, only_row().sd) == ({}, kept)


@pytest.mark.parametrize(
    "wrong", [{"value": None, "sd": Decimal(1)}, {"value": Decimal(7), "sd": Decimal("-0.0001")}]
)
def test_database_refuses_an_error_that_cannot_be(assessment, wrong):
    with pytest.raises(IntegrityError):
        observe(assessment, "hip_adduction", "left", **wrong)


def test_database_refuses_another_camera_side(assessment):
    with pytest.raises(IntegrityError):
        assessment.trials.update(camera="both")
