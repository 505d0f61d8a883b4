"""Every worked example of fixtures/EVALUATION.md; the section stands beside each."""

from decimal import Decimal

import pytest

from assessments.domain.rounding import half_up
from exercises.domain.dose import daily_minutes, session_minutes
from tests.exercises.domain.cases import (
    case,
    edition,
    finding,
    line,
    proposed,
    result,
    seen,
    trial,
)


def drop(**sides):
    return case(observations=[seen("pelvic_drop", side, value=v) for side, v in sides.items()])


# Section 6
@pytest.mark.parametrize(
    ("degrees", "severity"), [(8.1, "clear"), (6.0, "borderline"), (10.6, "marked"), (4.9, None)]
)
def test_pelvic_drop_is_graded_by_its_band(degrees, severity):
    found = finding(drop(left=degrees), "contralateral_pelvic_drop")

    assert (found and found["severity"]) == severity


# Section 6
@pytest.mark.parametrize(("degrees", "severity"), [(3.0, "clear"), (2.0, "marked")])
def test_trunk_lean_without_band_is_marked_from_half_of_the_threshold(degrees, severity):
    found = finding(case(observations=[seen("trunk_lean", value=degrees)]), "upright_trunk")

    assert found["severity"] == severity


# Section 6
def test_hand_reach_grade_3_is_marked():
    found = finding(
        case(observations=[seen("forward_hand_reach", "left", grade=3)]), "arm_forward_reach"
    )

    assert found["severity"] == "marked"


# Section 6: norm of a man of 24 is 37, so the deficit is 15
def test_heel_raises_22_for_a_man_of_24_are_marked():
    data = case(client={"age_years": 24}, tests=[result("heel_raises", "right", 22)])

    found = finding(data, "low_calf_endurance")

    assert found["severity"] == "marked"
    assert [reason["value"] for reason in found["because"]] == [15]


# Section 6
@pytest.mark.parametrize(
    ("cadence", "severity"), [(157, "borderline"), (152, "clear"), (147, "marked"), (163, None)]
)
def test_cadence_is_graded_by_the_band_of_its_row(cadence, severity):
    found = finding(case(observations=[seen("cadence", value=cadence)]), "low_cadence")

    assert (found and found["severity"]) == severity


# Section 7: woman of 46, norm 24
def test_heel_raises_17_for_a_woman_of_46_are_clear():
    data = case(client={"age_years": 46, "sex": "f"}, tests=[result("heel_raises", "left", 17)])

    found = finding(data, "low_calf_endurance")

    assert (found["severity"], found["because"][0]["value"]) == ("clear", 7)


# Section 7: 1.600 - 0.005 x 40 + 0.215 = 1.615
def test_hip_abduction_of_a_man_of_40_is_judged_by_the_formula():
    data = case(client={"age_years": 40}, tests=[result("hip_abduction_strength", "left", 1.20)])

    found = finding(data, "hip_muscle_weakness")

    assert (found["severity"], found["because"][0]["value"]) == ("clear", 0.415)


# Section 7
@pytest.mark.parametrize("client", [{"age_years": 68}, {"sex": "x"}])
def test_hip_abduction_without_a_norm_is_not_assessed(client):
    data = case(client=client, tests=[result("hip_abduction_strength", "left", 1.2)])

    missing = [
        entry["missing"]
        for entry in proposed(data)["not_assessed"]
        if (entry["rule"], entry["side"]) == ("R42", "left")
    ]

    assert missing == [["norm:hip_abduction_strength"]]


# Section 10
@pytest.mark.parametrize(
    ("changes", "priority"),
    [
        ({}, 3),
        ({"facts": {"previous_injury_region": "knee_front", "previous_injury_months": 8}}, 2),
        ({"complaint": "knee_front"}, 1),
    ],
)
def test_priority_of_the_side_plank_follows_complaint_and_old_injury(changes, priority):
    data = case(observations=[seen("pelvic_drop", "left", value=8.1)], **changes)

    assert line(data, "side_plank_hold")["priority"] == priority


# Section 11
@pytest.mark.parametrize(
    ("changes", "ceiling"),
    [({}, 5), ({"complaint": "shin_bone"}, 2), ({"flags": {"s20": "yes"}}, 0)],
)
def test_pain_ceiling_follows_the_lines_of_pain_zones(changes, ceiling):
    data = case(observations=[seen("pelvic_drop", "left", value=8.1)], **changes)

    assert line(data, "side_plank_hold")["pain_ceiling"] == ceiling


# Section 11: two rules name it, so one step up
def test_exercise_that_two_rules_name_goes_one_step_up():
    data = case(
        complaint="hamstring",
        observations=[seen("pelvic_drop", "left", value=8.1)],
        tests=[result("side_plank", "left", 40), result("side_plank", "right", 60)],
    )

    found = line(data, "side_plank_hold")

    assert [one["rule"] for one in found["because"]] == ["R39", "R43"]
    assert found["priority"] == 1


def ten_minutes(**changes):
    """Low calf endurance and pelvic drop on the right, late arm drive; Achilles complaint."""
    return case(
        complaint="achilles",
        complaint_side="right",
        client={"age_years": 35},
        observations=[
            seen("pelvic_drop", "right", value=8.3),
            seen("elbow_drive_back", "left", grade=2),
            seen("cadence", value=172),
        ],
        tests=[result("heel_raises", "right", 15), result("heel_raises", "left", 32)],
        **changes,
    )


# Section 14
@pytest.mark.parametrize(
    ("exercise", "minutes", "daily"),
    [
        ("straight_knee_calf_raise", "12.75", "5.464"),
        ("side_plank_hold", "4.5", "1.929"),
        ("bent_knee_calf_raise", "12.75", "5.464"),
        ("arm_drive_back_drill", "2.5", "2.5"),
    ],
)
def test_minutes_of_a_session_and_of_a_day(exercise, minutes, daily):
    work = edition().exercises[exercise]

    assert session_minutes(work.dose) == Decimal(minutes)
    assert half_up(daily_minutes(work), 3) == Decimal(daily)


# Section 14
def test_ten_minutes_a_day_hold_what_fits_and_the_rest_is_later():
    found = proposed(ten_minutes(facts={"minutes_a_day": 10}))

    stages = {item["exercise"]: item["stage"] for item in found["programme"]}
    now = sorted(exercise for exercise, stage in stages.items() if stage == "now")
    assert now == [
        "arm_drive_back_drill",
        "metronome_run_5",
        "side_plank_hold",
        "straight_knee_calf_raise",
    ]
    assert stages["bent_knee_calf_raise"] == "later"
    assert found["minutes_per_day"] == 9.9


# Section 15
@pytest.mark.parametrize(
    ("cadence", "first", "first_plus", "second"),
    [(158, 166, 8, 174), (210, 220, 10, 231), (120, 126, 6, 132)],
)
def test_cadence_plan_adds_5_to_10_steps_first(cadence, first, first_plus, second):
    data = case(
        observations=[seen("pelvic_drop", "left", value=8.1), seen("cadence", value=cadence)]
    )

    plan = proposed(data)["cadence_plan"]

    assert (plan["first_target"], plan["first_plus"]) == (first, first_plus)
    assert (plan["second_target"], plan["second_from_week"]) == (second, 3)


# Section 15
def test_second_target_waits_five_weeks_when_the_calves_come_first():
    data = case(
        observations=[seen("heel_to_com", "left", value=33), seen("cadence", value=170)],
        tests=[result("heel_raises", "left", 15)],
    )

    assert proposed(data)["cadence_plan"]["second_from_week"] == 5


# Section 15: the observation that R46's row takes is the first at 2.6 to 3.5 m/s
def test_cadence_plan_takes_the_trial_in_the_range_of_speed():
    data = case(
        trials=[trial("t0", speed_m_s=4.5), trial("t1")],
        observations=[
            seen("pelvic_drop", "left", value=8.1),
            seen("cadence", value=190, trial="t0"),
            seen("cadence", value=170),
        ],
    )

    plan = proposed(data)["cadence_plan"]

    assert (plan["measured"], plan["speed_m_s"]) == (170, 2.9)


def test_screening_counts_for_the_days_of_r15():
    # README.md of the tables, limits that are common practice: screening age 28 days
    assert edition().screening_days == 28
