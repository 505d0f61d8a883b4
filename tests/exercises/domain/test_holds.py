"""Holds, lifts, withholding, pain zones and drafts. Source: fixtures/EVALUATION.md, 12 and 16."""

import pytest

from tests.exercises.domain.cases import by_code, case, line, proposed, result, seen

LIFT = {
    "answer": "yes_lifted",
    "lifted_on": "2027-03-01",
    "lifted_by": "A. Clinician",
    "reason": "Letter seen",
}
DROP = [seen("pelvic_drop", "left", value=8.1)]


def holds(**changes):
    return by_code(proposed(case(**changes))["holds"])


def withheld(**changes):
    found = proposed(case(**changes))["withheld"]
    return {item["exercise"]: item["because"] for item in found}


def test_stop_all_flag_makes_a_hold_of_everything_joined_by_rule_1():
    assert holds(flags={"s04": "yes"})["s04"] == {
        "code": "s04",
        "scope": "stop_all",
        "withholds": ["all"],
        "rules": ["R01"],
        "to": "Emergency department",
        "urgency": "emergency",
    }


def test_stop_all_keeps_other_holds_and_lifts_and_only_the_referrals_of_flags():
    data = case(flags={"s01": "yes", "s35": "yes", "s31": LIFT}, facts={"weeks_postnatal": 8})

    found = proposed(data)

    assert [hold["code"] for hold in found["holds"]] == ["R08", "s01", "s35"]
    assert [one["code"] for one in found["lifted"]] == ["s31"]
    assert [note["code"] for note in found["referral_notes"]] == ["s01", "s35"]


def test_row_for_the_groin_joins_the_hold_of_its_flag():
    plain = holds(flags={"s20": "yes"})["s20"]
    groin = holds(flags={"s20": "yes"}, complaint="groin")["s20"]

    assert "tissue:lateral_hip" not in plain["withholds"]
    assert "tissue:lateral_hip" in groin["withholds"]
    assert groin["rules"] == ["R02"]
    assert groin["withholds"] == sorted(groin["withholds"])


def test_low_energy_with_bone_pain_becomes_a_hold_by_rule_14_only():
    assert holds(flags={"s30": "yes"}, complaint="calf") == {}

    found = holds(flags={"s30": "yes"}, complaint="shin_bone")

    assert (found["s30"]["rules"], found["s30"]["scope"]) == (["R14"], "no_impact")


def test_flag_without_urgency_refers_to_nobody():
    hold = holds(flags={"s22": "yes"})["s22"]

    assert (hold["to"], hold["urgency"], hold["rules"]) == (None, None, ["R07"])


@pytest.mark.parametrize(
    ("flag", "region", "tissues"),
    [
        ("s35", None, ["achilles_calf"]),
        ("s35", "calf", ["achilles_calf"]),
        ("s35", "hip_front", ["achilles_calf"]),
        ("s35", "knee_front", ["achilles_calf", "patellofemoral"]),
        ("s32", None, []),
        ("s32", "other", []),
        ("s32", "hip_front", ["hip_flexor"]),
        ("s32", "midfoot", ["achilles_calf", "foot", "plantar"]),
        ("s32", "low_back", ["lumbar"]),
    ],
)
def test_limit_of_load_means_tissues_by_flag_and_region(flag, region, tissues):
    hold = holds(flags={flag: "yes"}, complaint=region)[flag]

    assert hold["withholds"] == [f"tissue:{tissue}" for tissue in tissues]
    assert hold["scope"] == "limit_load"


@pytest.mark.parametrize(
    ("facts", "withholds"),
    [
        ({"weeks_postnatal": 12}, None),
        ({"weeks_postnatal": 11}, ["exercise:prone_plank_leg_lift", "impact_1", "impact_2"]),
        ({"weeks_postnatal": 4}, ["exercise:prone_plank_leg_lift", "impact_1", "impact_2"]),
    ],
)
def test_weeks_after_birth_hold_under_the_rule_number(facts, withholds):
    found = holds(facts=facts).get("R08")

    assert (found and found["withholds"]) == withholds
    assert found is None or (found["scope"], found["rules"]) == ("rule", ["R08"])


def test_row_before_six_weeks_withholds_without_a_hold_of_its_own():
    found = withheld(facts={"weeks_postnatal": 4}, observations=DROP)

    assert found["side_plank_hold"] == ["R08"]


def test_age_and_pregnancy_withhold_without_a_hold():
    assert holds(facts={"pregnant": "yes"}, client={"age_years": 70}) == {}


def test_lifted_flag_stops_nothing_and_is_listed():
    data = case(flags={"s10": LIFT}, observations=DROP)

    found = proposed(data)

    assert (found["holds"], found["withheld"], found["referral_notes"]) == ([], [], [])
    assert found["lifted"] == [
        {
            "code": "s10",
            "lifted_on": "2027-03-01",
            "lifted_by": "A. Clinician",
            "reason": "Letter seen",
            "keeps": "nothing",
        }
    ]
    assert (found["outcome"], found["review_in_days"]) == ("proposed", 42)


def test_flag_lifted_in_part_still_holds_impact_under_its_code():
    changes = {"flags": {"s44": {**LIFT, "keeps": "no_impact"}}, "observations": DROP}

    assert holds(**changes) == {
        "s44": {
            "code": "s44",
            "scope": "no_impact",
            "withholds": ["impact_1", "impact_2"],
            "rules": [],
            "to": None,
            "urgency": None,
        }
    }
    assert withheld(**changes) == {
        "metronome_run_5": ["s44"],
        "metronome_run_10": ["s44"],
        "mirror_retraining": ["s44"],
    }
    assert proposed(case(**changes))["review_in_days"] == 14


def test_hold_by_weeks_stays_when_its_flag_is_lifted():
    found = holds(flags={"s42": LIFT}, facts={"weeks_postnatal": 8})

    assert list(found) == ["R08"]


def test_withheld_names_flag_rule_and_fact_that_stop_it():
    found = withheld(flags={"s42": "yes"}, facts={"pelvic_floor_signs": "yes"}, observations=DROP)

    assert found["metronome_run_5"] == ["R08", "pelvic_floor_signs", "s42"]


def test_rule_that_joined_a_hold_is_named_beside_its_flag_only_where_each_stops():
    found = withheld(
        flags={"s20": "yes"},
        observations=DROP,
    )

    assert found["metronome_run_5"] == ["R02", "s20"]
    assert found["lateral_step_down"] == ["R02"]


def test_only_what_a_rule_asked_for_is_listed_as_withheld():
    assert withheld(flags={"s10": "yes"}) == {}


@pytest.mark.parametrize(
    ("scores", "changes", "days"),
    [
        ({}, {}, 42),
        ({"pain_now": 2}, {}, 42),
        ({"pain_now": 3}, {}, 14),
        ({"pain_now": 0, "pain_last_run": 4}, {}, 14),
        ({"pain_now": 0, "pain_first_steps_morning": 9}, {}, 42),
        ({"pain_now": 1}, {"complaint": "midfoot"}, 14),
        ({"pain_now": 1}, {"complaint": "calf"}, 42),
    ],
)
def test_review_comes_sooner_with_pain_that_is_not_safe(scores, changes, days):
    assert proposed(case(scores=scores, **changes))["review_in_days"] == days


@pytest.mark.parametrize(
    ("pain", "region", "held"),
    [(5, "calf", False), (6, "calf", True), (2, "shin_bone", False), (3, "shin_bone", True)],
)
def test_pain_in_zone_stop_holds_impact_under_rule_4(pain, region, held):
    found = holds(scores={"pain_last_run": pain}, complaint=region)

    assert ("R04" in found) is held


def test_pain_over_5_at_rest_withholds_the_painful_tissue_besides():
    found = withheld(
        scores={"pain_now": 6},
        complaint="shin_inner",
        client={"age_years": 24},
        tests=[result("heel_raises", "left", 20)],
    )

    assert found["straight_knee_calf_raise"] == ["R04"]


@pytest.mark.parametrize(
    ("screened_on", "outcome", "notes"),
    [
        ("2027-02-10", "proposed", []),
        ("2027-02-09", "draft", ["screening_out_of_date"]),
        ("2027-03-11", "draft", ["screening_out_of_date"]),
        (None, "draft", ["screening_out_of_date"]),
    ],
)
def test_screening_older_than_28_days_without_date_or_from_later_makes_a_draft(
    screened_on, outcome, notes
):
    data = case(episode={"complaint_present": "yes"})
    data["screening"]["screened_on"] = screened_on
    if screened_on is None:
        del data["screening"]["screened_on"]

    found = proposed(data)

    assert found["outcome"] == outcome
    assert found["notes"] == [{"code": code, "rules": ["R15"], "exercises": []} for code in notes]


@pytest.mark.parametrize(
    ("flag", "outcome"), [("s10", "draft"), ("s44", "draft"), ("s36", "proposed")]
)
@pytest.mark.parametrize("unanswered", ["not_asked", None])
def test_unanswered_flag_makes_a_draft_if_it_does_more_than_note(flag, outcome, unanswered):
    data = case(flags={flag: unanswered})
    if unanswered is None:
        del data["screening"]["answers"][flag]

    assert proposed(data)["outcome"] == outcome


def test_missing_kit_is_named_only_where_a_list_was_given():
    assert line(case(observations=DROP), "side_plank_hold")["missing_kit"] == []

    data = case(observations=DROP, facts={"equipment": ["step", "mirror"]})

    assert line(data, "side_plank_hold")["missing_kit"] == ["mat"]
    assert line(data, "lateral_step_down")["missing_kit"] == []
    assert line(data, "mirror_retraining")["missing_kit"] == ["treadmill"]
