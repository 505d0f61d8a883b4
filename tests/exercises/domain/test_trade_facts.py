"""Facts of the trade that the tables must keep; source of each: common practice."""

import pytest

from tests.exercises.domain.cases import (
    by_code,
    case,
    edition,
    finding,
    line,
    proposed,
    seen,
)


# Source: common practice
def test_forearm_plank_with_leg_lift_is_three_holds_of_30_to_60_s():
    dose = edition().exercises["prone_plank_leg_lift"].dose

    assert dose.sets == 3
    assert 30 <= dose.hold_s <= 60


# Source: common practice
@pytest.mark.parametrize("cadence", range(120, 241, 5))
def test_first_cadence_stage_adds_5_to_10_steps_a_minute(cadence):
    data = case(
        observations=[seen("pelvic_drop", "left", value=8.1), seen("cadence", value=cadence)]
    )

    plan = proposed(data)["cadence_plan"]

    assert 5 <= plan["first_plus"] <= 10
    assert plan["first_target"] == cadence + plan["first_plus"]


# Source: common practice
@pytest.mark.parametrize("cadence", [150, 153, 155])
@pytest.mark.parametrize("speed", [2.6, 3.0, 3.5])
def test_cadence_of_150_to_155_at_easy_speed_is_clearly_low(cadence, speed):
    data = case(
        trials=[{"id": "t1", "speed_m_s": speed}],
        observations=[seen("cadence", value=cadence)],
    )

    assert finding(data, "low_cadence")["severity"] == "clear"


# Source: common practice
@pytest.mark.parametrize("speed", [2.5, 3.6])
def test_cadence_outside_the_range_of_speed_is_no_finding(speed):
    data = case(
        trials=[{"id": "t1", "speed_m_s": speed}], observations=[seen("cadence", value=150)]
    )

    assert finding(data, "low_cadence") is None


# Source: common practice
@pytest.mark.parametrize("cadence", [150, 168])
def test_overstriding_with_arm_reach_gives_one_cue_and_the_arm_drill_together(cadence):
    data = case(
        observations=[
            seen("heel_to_com", "left", value=33),
            seen("forward_hand_reach", "right", grade=2),
            seen("cadence", value=cadence),
        ]
    )

    found = proposed(data)

    cues = [
        item["exercise"]
        for item in found["programme"]
        if item["stage"] == "now" and item["running_cue"]
    ]
    arm = by_code(found["programme"], "exercise")["arm_drive_back_drill"]
    assert cues == ["metronome_run_5"]
    assert arm["stage"] == "now"
    assert "R68" in [one["rule"] for one in arm["because"]]
    assert arm["order_note"] == "in the same run as the step drill, one cue at a time"


def stiff_arch(**changes):
    return case(
        observations=[
            seen("arch_stiffness", "left", grade=2),
            seen("pronation_amount", "left", value="restricted"),
        ],
        **changes,
    )


# Source: common practice
def test_stiff_high_arch_without_complaint_gets_wedge_and_balance_and_no_support():
    found = proposed(stiff_arch())

    exercises = {item["exercise"] for item in found["programme"]}
    assert {"wedge_balance", "single_leg_balance_reach"} <= exercises
    assert found["referral_notes"] == []


# Source: common practice
def test_stiff_high_arch_with_complaint_also_gets_the_opinion_on_a_shoe_or_orthosis():
    found = proposed(stiff_arch(complaint="foot_outer"))

    assert [note["code"] for note in found["referral_notes"]] == [
        "cushioned_shoe_or_orthosis_opinion"
    ]
    assert line(stiff_arch(complaint="foot_outer"), "wedge_balance") is not None


# Source: common practice
def test_one_leg_hops_never_come_in_the_first_stage():
    for rule in edition().rules:
        if rule.exercise == "single_leg_hop_hold" and rule.effect == "prescribe":
            assert rule.dose_override["stage"] == "later"
