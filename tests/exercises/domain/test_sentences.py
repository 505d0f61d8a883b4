"""Sentences that pages and papers show beside a proposal.

Source: fixtures/EVALUATION.md, 16, and fixtures/README.md, "Value and grade side by side".
"""

from dataclasses import replace

import pytest

from assessments.domain.record import record_of
from exercises.domain.sentences import (
    flag_sentence,
    guard_words,
    hold_sentence,
    lifted_sentence,
    missing_name,
    note_sentence,
    referral_sentence,
    states_of,
    stopped_by,
    what_counts,
)
from tests.exercises.domain.cases import assessment, case, edition, proposal, result, seen
from tests.exercises.domain.test_holds import DROP, LIFT


def test_hold_of_a_flag_has_the_sentences_of_its_flag():
    hold = proposal(case(flags={"s10": "yes"})).holds[0]
    flag = edition().tables.flags["s10"]

    said = hold_sentence(hold, edition())

    assert (said.letter, said.handout) == (flag.letter_sentence, flag.handout_sentence)


def test_hold_under_a_rule_number_has_the_sentence_of_the_rule():
    hold = proposal(case(facts={"weeks_postnatal": 8})).holds[0]

    assert hold_sentence(hold, edition()).code == "R08"


def test_flag_lifted_in_part_and_whole_say_so():
    part = proposal(case(flags={"s44": {**LIFT, "keeps": "no_impact"}}))
    whole = proposal(case(flags={"s44": LIFT}))

    assert hold_sentence(part.holds[0], edition()).code == "lifted_in_part"
    assert lifted_sentence(part.lifted[0], edition()).code == "lifted_in_part"
    assert lifted_sentence(whole.lifted[0], edition()).code == "lifted"


def test_notes_and_referrals_have_sentences():
    found = proposal(case(flags={"s36": "yes"}))

    assert note_sentence(found.notes[-1], edition()).code == "s36"
    assert (
        referral_sentence(found.referral_notes[0], edition()).page
        == flag_sentence("s36", edition()).page
    )


def test_each_reason_that_stops_an_exercise_is_said():
    data = case(flags={"s42": "yes"}, facts={"pelvic_floor_signs": "yes"}, observations=DROP)
    withheld = next(one for one in proposal(data).withheld if one.exercise == "metronome_run_5")

    said = {reason.code: reason.text for reason in stopped_by(withheld, edition())}

    assert said["pelvic_floor_signs"] == "Pelvic floor signs: yes"
    assert said["s42"] == flag_sentence("s42", edition()).page
    assert "Running is not advised in the first three months after birth." in said["R08"]


@pytest.mark.parametrize(
    ("data", "states"),
    [
        (case(flags={"s01": "yes"}), {"stop_all"}),
        (
            case(observations=DROP, facts={"equipment": []}),
            {"proposed", "not_assessed", "missing_kit", "later"},
        ),
        (case(), {"proposed", "not_assessed", "no_exercise"}),
        (
            case(trials=[{"id": "t1"}], observations=DROP, flags={"s10": "not_asked"}),
            {"draft", "not_reliable", "not_assessed", "no_exercise"},
        ),
        (
            case(observations=DROP, flags={"s10": "yes"}),
            {"proposed", "not_assessed", "withheld"},
        ),
    ],
)
def test_states_of_a_proposal(data, states):
    assert set(states_of(proposal(data), edition())) == states


def test_nothing_found_is_said_only_where_everything_was_judged():
    whole = replace(proposal(case()), not_assessed=())

    assert set(states_of(whole, edition())) == {"proposed", "nothing_found", "no_exercise"}


@pytest.mark.parametrize(
    ("code", "name"),
    [
        ("cadence", "Cadence"),
        ("side_plank", "Side plank hold"),
        ("height_m", "Height"),
        ("overstride", "Over-striding"),
        ("norm:heel_raises", "Single-leg heel raises: norm for this sex and age"),
    ],
)
def test_missing_things_have_names(code, name):
    assert missing_name(code, edition()) == name


def test_unknown_missing_thing_is_an_error():
    with pytest.raises(ValueError, match="nothing in this edition is called swagger"):
        missing_name("swagger", edition())


@pytest.mark.parametrize(
    ("guard", "words"),
    [
        ("min_steps=7", "mean of at least 7 steps"),
        ("min_frame_rate=60", "at least 60 frames a second"),
        ("speed=known", "speed recorded"),
        ("speed=2.6..3.5", "speed from 2.6 to 3.5 m/s"),
        ("method=motion_capture_3d", "measured by three-dimensional capture"),
        ("pelvis_held=yes", "pelvis held still"),
    ],
)
def test_guards_are_said_in_words(guard, words):
    assert guard_words(guard) == words


def test_text_that_is_no_guard_is_an_error():
    with pytest.raises(ValueError, match="'speed=fast' is no guard"):
        guard_words("speed=fast")


@pytest.mark.parametrize(
    ("feature", "counts"),
    [
        ("trunk_rotation", "grade"),
        ("anterior_pelvic_tilt", "grade"),
        ("step_width", "grade"),
        ("hip_hinge_angle", "value"),
        ("lateral_trunk_lean", "value"),
        ("pelvic_drop", "value"),
        ("hip_adduction", "value"),
        ("heel_to_com", "value"),
        ("knee_drive", None),
        ("toe_out", None),
        ("cadence", None),
    ],
)
def test_which_of_value_and_grade_counts(feature, counts):
    assert what_counts(feature, edition()) == counts


def test_heel_ahead_counts_by_grade_without_a_height():
    data = case()
    tall = record_of(assessment(data))
    del data["client"]["height_m"]
    unknown = record_of(assessment(data))

    assert what_counts("heel_to_com", edition(), tall) == "value"
    assert what_counts("heel_to_com", edition(), unknown) == "grade"


def test_every_code_that_a_proposal_can_name_has_a_name():
    data = case(
        tests=[result("heel_raises", "left", 12)], observations=[seen("cadence", value=150)]
    )
    del data["client"]["age_years"]

    found = proposal(data)

    assert all(missing_name(code, edition()) for one in found.not_assessed for code in one.missing)
