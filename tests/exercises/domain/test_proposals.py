"""Findings, notes, modifiers, caps and cadence as pages show them.

Source: fixtures/EVALUATION.md, 3 to 5 and 8 to 16; the section stands beside each test.
"""

import pytest

from tests.exercises.domain.cases import (
    by_code,
    case,
    finding,
    line,
    proposed,
    result,
    seen,
    trial,
)


def not_assessed(data, rule):
    found = proposed(data)["not_assessed"]
    return {entry["side"]: entry["missing"] for entry in found if entry["rule"] == rule}


def not_reliable(data, rule):
    return [entry for entry in proposed(data)["not_reliable"] if entry["rule"] == rule]


# Section 3
def test_no_complaint_makes_region_and_side_not_applicable():
    observed = [seen("late_pronation", "left", grade=2)]
    without = case(observations=observed, episode={"complaint_present": "no"})
    unknown = case(observations=observed, episode={"complaint_present": "yes"})

    assert not_assessed(without, "R60").get("left") is None
    assert "complaint_region" in not_assessed(unknown, "R60")["left"]


# Section 3
def test_region_given_beside_no_complaint_does_not_count():
    data = case(
        observations=[seen("trunk_lean", value=6)],
        episode={"complaint_present": "no", "complaint_region": "knee_front"},
    )

    assert finding(data, "upright_trunk") is None


# Section 3
def test_complaint_of_the_low_back_is_a_lumbar_complaint():
    data = case(
        complaint="low_back",
        facts={"lumbar_complaint": "no"},
        observations=[seen("trunk_lean", value=12), seen("hip_hinge_angle", value=9)],
    )

    assert line(data, "dead_bug")["because"][0]["rule"] == "R33"


# Section 3
def test_first_trial_that_meets_the_guard_counts_else_the_first():
    slow, good = trial("t1", frame_rate_hz=30), trial("t2")
    observed = [
        seen("pelvic_drop", "left", value=9.0),
        seen("pelvic_drop", "left", value=6.0, trial="t2"),
    ]

    assert (
        finding(case(trials=[slow, good], observations=observed), "contralateral_pelvic_drop")[
            "because"
        ][0]["value"]
        == 6
    )
    assert (
        finding(
            case(
                trials=[good, slow],
                observations=[seen("pelvic_drop", "left", value=4.0, trial="t2"), observed[0]],
            ),
            "contralateral_pelvic_drop",
        )
        is None
    )


# Sections 3 and 5
def test_grade_stands_in_only_where_no_trial_has_a_value():
    alone = case(observations=[seen("pelvic_drop", "left", grade=2)])
    beside = case(
        trials=[trial(frame_rate_hz=25)],
        observations=[seen("pelvic_drop", "left", grade=2, value=9.0)],
    )

    reason = finding(alone, "contralateral_pelvic_drop")["because"][0]
    assert (reason["attribute"], reason["threshold"], reason["detectable_difference"]) == (
        "grade",
        1,
        None,
    )
    assert finding(beside, "contralateral_pelvic_drop") is None
    assert not_reliable(beside, "R39") == [
        {
            "rule": "R39",
            "finding": "contralateral_pelvic_drop",
            "side": "left",
            "subject": "pelvic_drop",
            "attribute": "value",
            "value": 9,
            "guard": ["min_frame_rate=60"],
        }
    ]


# Section 4
@pytest.mark.parametrize(
    ("observed", "client", "missing"),
    [
        ([], {}, ["heel_to_com"]),
        ([seen("heel_to_com", "left", value=30)], {"height_m": None}, ["height_m"]),
    ],
)
def test_heel_ahead_is_missing_itself_or_for_the_height(observed, client, missing):
    data = case(observations=observed, client=client)
    data["client"] = {key: value for key, value in data["client"].items() if value}

    found = [
        entry["missing"]
        for entry in proposed(data)["not_assessed"]
        if entry["finding"] == "overstride" and entry["side"] in ("left", "both")
    ]
    assert found == [missing]


# Sections 3 and 4
def test_heel_ahead_without_height_is_judged_by_its_grade():
    data = case(observations=[seen("heel_to_com", "left", value=30, grade=3)])
    del data["client"]["height_m"]

    assert finding(data, "overstride")["severity"] == "marked"


# Section 4: 15.2 cm for each metre of height
def test_heel_exactly_one_foot_length_ahead_is_no_finding():
    usual = case(client={"height_m": 1.75}, observations=[seen("heel_to_com", "left", value=26.6)])
    beyond = case(
        client={"height_m": 1.75}, observations=[seen("heel_to_com", "left", value=26.61)]
    )

    assert finding(usual, "overstride") is None
    assert finding(beyond, "overstride") is not None


# Section 4
def test_side_difference_is_signed_for_a_side_and_takes_both_from_one_trial():
    data = case(
        trials=[trial("t1"), trial("t2")],
        observations=[
            seen("pelvic_drop", "left", value=4.9),
            seen("pelvic_drop", "right", value=-2, trial="t2"),
        ],
    )
    assert finding(data, "contralateral_pelvic_drop") is None

    data["observations"].append(seen("pelvic_drop", "right", value=1.0))

    found = finding(data, "contralateral_pelvic_drop")
    assert found["side"] == "left"
    assert [reason["value"] for reason in found["because"]] == [3.9]


# Section 4
def test_difference_without_side_is_absolute_and_in_per_cent_of_the_mean():
    data = case(
        observations=[
            seen("contact_time", "left", value=240),
            seen("contact_time", "right", value=260),
        ]
    )

    found = finding(data, "timing_asymmetry")

    assert (found["side"], found["because"][0]["value"]) == ("none", 8)


# Section 4
def test_difference_of_two_zeros_in_per_cent_is_0():
    data = case(
        tests=[
            result("hip_extension_strength", "left", 0),
            result("hip_extension_strength", "right", 0),
        ]
    )

    assert "R31" not in [
        reason["rule"]
        for reason in (finding(data, "hip_muscle_weakness") or {"because": []})["because"]
    ]
    assert not_assessed(data, "R31") == {}


# Section 4
@pytest.mark.parametrize(
    ("side", "made"), [("left", "left"), ("both", "both"), ("right", "right")]
)
def test_complaint_counts_on_its_own_side(side, made):
    data = case(
        complaint="shin_inner",
        complaint_side=side,
        observations=[
            seen("late_pronation", "left", grade=2),
            seen("late_pronation", "right", grade=2),
        ],
    )

    assert finding(data, "marked_pronation")["side"] == made


# Sections 3 and 4
def test_complaint_without_a_side_is_missing_its_side():
    data = case(
        episode={"complaint_present": "yes", "complaint_region": "shin_inner"},
        observations=[seen("late_pronation", "left", grade=2)],
    )

    assert "complaint_side" in not_assessed(data, "R60")["left"]


# Section 5
def test_hip_angle_without_a_held_pelvis_is_not_reliable():
    loose = case(tests=[result("modified_thomas_hip", "left", 8)])
    held = case(
        tests=[
            result("modified_thomas_hip", "left", 8),
            result("modified_thomas_pelvis_held", "left", "yes"),
        ]
    )

    assert not_reliable(loose, "R38")[0]["guard"] == ["pelvis_held=yes"]
    assert finding(held, "short_hip_flexors")["severity"] == "marked"


# Section 5
def test_left_and_right_with_the_same_unreliable_content_become_both():
    data = case(
        trials=[{"id": "t1"}],
        observations=[
            seen("hip_adduction", "left", value=20, method="video_2d"),
            seen("hip_adduction", "right", value=20, method="video_2d"),
        ],
    )

    assert not_reliable(data, "R40") == [
        {
            "rule": "R40",
            "finding": "excessive_hip_adduction",
            "side": "both",
            "subject": "hip_adduction",
            "attribute": "value",
            "value": 20,
            "guard": [
                "min_steps=7",
                "min_frame_rate=60",
                "speed=known",
                "method=motion_capture_3d",
            ],
        }
    ]


# Section 4: a finding row is missing while a maker of the finding is open there
def test_finding_row_is_missing_while_its_finding_is_open():
    data = case(observations=[seen("hip_extension_toe_off", "left", value=5)])

    found = [
        entry
        for entry in proposed(data)["not_assessed"]
        if (entry["rule"], entry["side"]) == ("R34", "left")
    ]

    assert [entry["missing"] for entry in found] == [["overstride"]]


# Section 8
def test_row_without_side_is_printed_once_for_both_sides():
    data = case(
        observations=[
            seen("hip_extension_toe_off", "left", value=5),
            seen("hip_extension_toe_off", "right", value=5),
            seen("lumbar_extension", grade=2),
        ]
    )

    found = finding(data, "limited_hip_extension")

    assert [(reason["subject"], reason["side"]) for reason in found["because"]] == [
        ("hip_extension_toe_off", "left"),
        ("hip_extension_toe_off", "right"),
        ("lumbar_extension", "none"),
    ]
    assert finding(data, "lumbar_extension_for_hip")["side"] == "none"


# Section 8
def test_between_is_printed_as_a_span_and_in_as_written():
    data = case(
        complaint="foot_outer",
        observations=[seen("arch_stiffness", "left", grade=2)],
        tests=[result("foot_posture_index", "left", -2)],
    )

    thresholds = [
        reason["threshold"] for reason in finding(data, "restricted_pronation")["because"]
    ]

    assert thresholds == [1, "-4..-1", "foot_outer|shin_bone"]


# Section 9
def test_rule_that_makes_a_finding_reads_only_what_it_made():
    by_abduction = case(tests=[result("hip_abduction_strength", "left", 1.0)])
    found = line(by_abduction, "side_lying_hip_abduction")

    assert [one["rule"] for one in found["because"]] == ["R42"]


# Section 9
def test_absent_means_judged_and_not_there():
    judged = case(
        observations=[
            seen("trunk_lean", value=8),
            seen("hip_hinge_angle", value=2),
        ]
    )
    open_ = case(observations=[seen("trunk_lean", value=9)])

    codes = [by_code(proposed(data)["notes"]) for data in (judged, open_)]

    assert ["trunk_lean_usual" in found for found in codes] == [True, False]


# Section 4
def test_difference_needs_a_value_on_both_sides():
    data = case(
        observations=[
            seen("pelvic_drop", "left", grade=1),
            seen("pelvic_drop", "right", value=4.0),
        ]
    )

    assert not_assessed(data, "R39") == {"right": ["pelvic_drop"]}
    assert finding(data, "contralateral_pelvic_drop")["side"] == "left"


# Section 9
def test_nothing_but_borderline_gives_four_general_exercises():
    data = case(observations=[seen("pelvic_drop", "left", value=6.0)])

    exercises = {item["exercise"] for item in proposed(data)["programme"]}

    assert exercises == {
        "single_leg_deadlift",
        "split_squat",
        "straight_knee_calf_raise",
        "side_plank_hold",
    }


# Section 9: a film that must be repeated is no clean bill
def test_borderline_beside_something_not_reliable_gives_no_general_exercises():
    data = case(
        trials=[trial("t1"), {"id": "t2"}],
        observations=[
            seen("pelvic_drop", "left", value=6.0),
            seen("trunk_lean", value=2.0, trial="t2"),
        ],
    )

    assert proposed(data)["programme"] == []


# Section 9: one note for each code; a row with an exercise only if it is in the programme
def test_tick_is_asked_for_an_exercise_in_the_programme_only():
    observed = [
        seen("contact_time", "left", value=220),
        seen("contact_time", "right", value=260),
    ]
    with_hop = case(client={"age_years": 70}, observations=observed)
    without = case(client={"age_years": 70})

    assert by_code(proposed(with_hop)["notes"])["clinician_tick_needed"] == {
        "code": "clinician_tick_needed",
        "rules": ["R13"],
        "exercises": ["single_leg_hop_hold"],
    }
    assert "clinician_tick_needed" not in by_code(proposed(without)["notes"])


# Section 9
def test_flag_with_a_note_adds_a_note_that_names_no_rule():
    found = proposed(case(flags={"s46": "yes"}))

    assert by_code(found["notes"])["s46"] == {"code": "s46", "rules": [], "exercises": []}
    assert found["referral_notes"] == []


# Section 10: R72 lowers two exercises by any rule, R17 has no prescribing row of its own
def test_modifier_with_an_exercise_acts_on_entries_of_any_rule():
    data = case(
        complaint="knee_front",
        complaint_side="left",
        observations=[
            seen("late_pronation", "left", grade=2),
            seen("knee_inside_foot", "left", grade=2),
        ],
    )

    assert line(data, "short_foot")["priority"] == 3
    assert line(data, "side_lying_hip_abduction")["priority"] == 1


# Section 11
def test_dose_override_changes_the_dose_from_the_first_entry_that_has_it():
    data = case(
        episode={"complaint_present": "no", "goal": "prevention"},
        facts={"weekly_distance_km": 20},
    )

    found = line(data, "short_foot")

    assert (found["sessions_per_week"], found["weeks"], found["side"]) == (3, 8, "none")


# Section 13: R70 gives the cue's place to the metronome run
def test_fired_cap_row_gives_the_place_of_the_cue():
    data = case(
        observations=[
            seen("cadence", value=150),
            seen("heel_to_com", "left", value=33),
            seen("pelvic_drop", "left", value=8.1),
        ]
    )

    found = proposed(data)

    cues = [i for i in found["programme"] if i["running_cue"] and i["stage"] == "now"]
    assert [item["exercise"] for item in cues] == ["metronome_run_5"]
    assert "R70" in [one["rule"] for one in cues[0]["because"]]


# Section 14
@pytest.mark.parametrize("minutes", [0, 0.5])
def test_no_minutes_leave_only_the_cue_in_stage_now(minutes):
    data = case(
        facts={"minutes_a_day": minutes}, observations=[seen("pelvic_drop", "left", value=8.1)]
    )

    found = proposed(data)

    now = [item["exercise"] for item in found["programme"] if item["stage"] == "now"]
    assert (now, found["minutes_per_day"]) == (["metronome_run_5"], 0)


# Section 15
def test_metronome_without_a_cadence_gives_a_note_and_no_plan():
    data = case(observations=[seen("pelvic_drop", "left", value=8.1)])

    found = proposed(data)

    assert found["cadence_plan"] is None
    assert by_code(found["notes"])["cadence_not_measured"] == {
        "code": "cadence_not_measured",
        "rules": [],
        "exercises": [],
    }


# Section 15
def test_cadence_without_a_metronome_gives_neither_plan_nor_note():
    found = proposed(case(observations=[seen("cadence", value=170)]))

    assert found["cadence_plan"] is None
    assert "cadence_not_measured" not in by_code(found["notes"])


# Section 16
def test_referrals_are_sorted_by_urgency_then_code():
    data = case(flags={"s10": "yes", "s20": "yes", "s38": "yes", "s36": "yes"})

    assert [note["code"] for note in proposed(data)["referral_notes"]] == [
        "s10",
        "s20",
        "s36",
        "s38",
    ]
