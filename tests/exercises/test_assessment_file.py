# ruff: noqa: E501  # one case a line reads as a table
"""Bad assessment files are refused whole, every error with its JSON pointer.

Source: fixtures/EVALUATION.md, 2 and 3, and the plausible ranges of the tables.
"""

import json
from datetime import date
from decimal import Decimal

import pytest

from assessments.domain.vocabulary import Answer, Keeps
from clinic.json_files import BadFile, load_json
from exercises.assessment_file import read_assessment
from tests.exercises.domain.cases import SCHEMA, case, edition, result, seen, trial


def errors(data):
    """Every error of a file as a line of text."""
    text = data if isinstance(data, str) else json.dumps(data)
    with pytest.raises(BadFile) as refused:
        read_assessment(load_json(text), SCHEMA, edition())
    return [str(error) for error in refused.value.errors]


def read(data):
    return read_assessment(load_json(json.dumps(data)), SCHEMA, edition())


def lift(**changes):
    return {
        "answer": "yes_lifted",
        "lifted_on": "2027-03-01",
        "lifted_by": "A. Clinician",
        "reason": "Letter of the doctor seen",
        **changes,
    }


LIFT = "/screening/answers/s10"
CASES = [
    (case(kind="first"), ['/kind: "first" is not allowed, allowed are baseline, reassessment, discharge']),
    (case(assessed_on="10.3.2027"), ['/assessed_on: "10.3.2027" is no date, write it as 2027-03-10']),
    (case(assessed_on="2027-02-30"), ['/assessed_on: "2027-02-30" is no date, write it as 2027-03-10']),
    (case(assessed_on="20270310"), ['/assessed_on: "20270310" is no date, write it as 2027-03-10']),
    (case(client={"age_years": 4}), ["/client/age_years: 4 is outside the plausible range 5 to 110"]),
    (case(client={"age_years": 30.5}), ["/client/age_years: 30.5 is not a whole number, from 5 to 110"]),
    (case(client={"age_years": True}), ["/client/age_years: true is not a whole number, from 5 to 110"]),
    (case(client={"age_years": "30"}), ['/client/age_years: "30" is not a whole number, from 5 to 110']),
    (case(client={"height_m": 2.5}), ["/client/height_m: 2.5 is outside the plausible range 0.9 to 2.4"]),
    (case(client={"shoe": 1}), ["/client/shoe: unknown key, allowed are age_years, sex, height_m, mass_kg"]),
    (case(facts={"equipment": ["mat", "mat"]}), ["/history/equipment: an item stands twice in the list"]),
    (case(facts={"equipment": "mat"}), ['/history/equipment: "mat" is not a list']),
    (case(flags={"s10": "maybe"}), [f"{LIFT}: allowed are yes, no, not_asked, or an object with answer yes_lifted"]),
    (case(flags={"s10": lift(lifted_on="2027-03-11")}), [f"{LIFT}/lifted_on: 2027-03-11 is after the assessment of 2027-03-10"]),
    (case(flags={"s10": lift(lifted_by="")}), [f"{LIFT}/lifted_by: the text is empty"]),
    (case(flags={"s10": lift(answer="yes")}), [f'{LIFT}/answer: "yes" is not allowed, allowed is yes_lifted']),
    (case(flags={"s10": lift(keeps="all")}), [f'{LIFT}/keeps: "all" is not allowed, allowed are nothing, no_impact']),
    (case(flags={"s10": {"answer": "yes_lifted"}}), [f"{LIFT}: lifted_by is missing", f"{LIFT}: lifted_on is missing", f"{LIFT}: reason is missing"]),
    (case(assessed_on=20270310), ["/assessed_on: 20270310 is not a text"]),
    (case(trials=[trial(7)]), ["/trials/0/id: 7 is not a text"]),
    (case(trials=[trial("T 1")]), ['/trials/0/id: "T 1" is no id: 1 to 20 of a to z, 0 to 9 and _']),
    (case(trials=[trial(), trial()]), ["/trials/1: trial t1 stands at /trials/0 already"]),
    (case(trials=[trial(steps_averaged=0)]), ["/trials/0/steps_averaged: 0 is outside the plausible range 1 to 1000"]),
    (case(observations=[seen("cadence", value=170, trial="t9")]), ['/observations/0/trial: there is no trial "t9"']),
    (case(observations=[seen("cadence", value=300)]), ["/observations/0/value: 300 is outside the plausible range 120 to 240"]),
    (case(observations=[seen("cadence", value="fast")]), ['/observations/0/value: "fast" is not a number, from 120 to 240']),
    (case(observations=[seen("cadence", side="left", value=170)]), ['/observations/0/side: "left" is not allowed, allowed is none']),
    (case(observations=[seen("cadence", grade=1, value=170)]), ["/observations/0/grade: this is not recorded here"]),
    (case(observations=[seen("cadence")]), ["/observations/0: value is missing"]),
    (case(observations=[seen("pelvic_drop", side="left")]), ["/observations/0: value or grade is missing"]),
    (case(observations=[seen("heel_whip", side="left", grade=4)]), ["/observations/0/grade: 4 is outside the plausible range 0 to 3"]),
    (case(observations=[seen("cadence", value=170), seen("cadence", value=171)]), ["/observations/1: observation cadence none t1 stands at /observations/0 already"]),
    (case(tests=[result("side_plank", "left", 40), result("side_plank", "left", 41)]), ["/tests/1: test side_plank left stands at /tests/0 already"]),
    (case(tests=[result("single_leg_squat", "left", "bad")]), ['/tests/0/value: "bad" is not allowed, allowed are good, fair, poor']),
    ({**case(), "scores": [{"score": "pain_now", "value": 1}, {"score": "pain_now", "value": 1}]}, ["/scores/1: score pain_now stands at /scores/0 already"]),
    (case(scores={"pain_now": 2.5}), ["/scores/0/value: 2.5 is not a whole number, from 0 to 10"]),
    ([], [": [] is not an object"]),
    ({**case(), "trials": {}}, ["/trials: {} is not a list"]),
    ({**case(), "trials": [5], "observations": [7]}, ["/trials/0: 5 is not an object", "/observations/0: 7 is not an object"]),
    ({**case(), "screening": 3}, ["/screening: 3 is not an object"]),
]  # fmt: skip


@pytest.mark.parametrize(("data", "expected"), CASES, ids=range(len(CASES)))
def test_bad_file_is_refused_with_every_error(data, expected):
    assert errors(data) == expected


def test_unknown_feature_is_refused_with_the_list_of_features():
    found = errors(case(observations=[seen("swagger", value=1)]))

    assert [line.partition(", allowed are elbow_angle, ")[0] for line in found] == [
        '/observations/0/feature: "swagger" is not allowed'
    ]


def test_all_errors_are_named_in_the_order_of_the_file():
    data = case(client={"age_years": 4}, observations=[seen("cadence", value=300, trial="t9")])
    data["colour"] = "red"

    assert [line.partition(":")[0] for line in errors(data)] == [
        "/client/age_years",
        "/observations/0/trial",
        "/observations/0/value",
        "/colour",
    ]


def test_missing_parts_are_named():
    assert errors({}) == [
        f": {name} is missing"
        for name in sorted(
            [
                "kind",
                "assessed_on",
                "client",
                "episode",
                "history",
                "screening",
                "trials",
                "observations",
                "tests",
                "scores",
            ]
        )
    ]


def test_key_that_stands_twice_is_refused():
    text = json.dumps(case()).replace(
        '"kind": "baseline"', '"kind": "baseline", "kind": "baseline"'
    )

    assert errors(text) == ["/kind: this key stands twice in its object"]


def test_key_that_stands_twice_deep_inside_is_refused_with_its_pointer():
    text = json.dumps(case()).replace('"id": "t1"', '"id": "t1", "id": "t1"')

    assert errors(text) == ["/trials/0/id: this key stands twice in its object"]


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e99999999999999999999"])
def test_number_that_is_not_finite_is_refused(number):
    text = json.dumps(case()).replace('"height_m": 1.7', f'"height_m": {number}')

    assert errors(text) == [f"/client/height_m: {number} is no number"]


def test_number_that_is_not_finite_does_not_pass_as_a_text():
    text = json.dumps(case(flags={"s10": lift()})).replace('"A. Clinician"', "NaN")

    assert errors(text) == [f"{LIFT}/lifted_by: NaN is no number"]


def test_number_with_hundreds_of_decimals_is_refused():
    text = (
        json.dumps(case())
        .replace('"height_m": 1.7', '"height_m": 1.7e-0' + "0")
        .replace("1.7e-00", "1." + "0" * 401)
    )

    assert errors(text) == ["/client/height_m: more than 400 decimals are no measurement"]


def test_half_a_character_is_refused():
    text = json.dumps(case(flags={"s10": lift(reason="\ud800")}))

    assert errors(text) == [f"{LIFT}/reason: the text holds half a character"]


def test_pointer_escapes_slash_tilde_and_line_breaks():
    data = case(client={"a/b~c\nd": 1})

    assert errors(data)[0].startswith("/client/a~1b~0c\\nd: unknown key")


def test_half_a_character_in_a_key_is_refused():
    found = errors(json.dumps(case(client={"\ud800": 1})))

    assert "/client/\\ud800: the key holds half a character" in found


def test_long_value_is_cut_in_the_message():
    assert errors(case(kind="x" * 100))[0].startswith('/kind: "' + "x" * 56 + "... is not allowed")


def test_deeply_nested_value_is_refused():
    text = json.dumps(case()).replace('"height_m": 1.7', '"height_m": ' + "[" * 800 + "]" * 800)

    assert errors(text) == [": this is nested too deeply"] or errors(text)[0].startswith(
        "/client/height_m"
    )


def test_plain_python_floats_are_read_as_the_decimals_that_they_print():
    data = case(client={"height_m": 1.7}, observations=[seen("pelvic_drop", "left", value=8.1)])

    given = read_assessment(data, json.loads(json.dumps(SCHEMA, default=float)), edition())

    assert given.facts["height_m"] == Decimal("1.7")
    assert given.observations[0].value == Decimal("8.1")


def test_python_float_that_is_not_finite_is_refused():
    data = case(client={"height_m": float("nan")})

    with pytest.raises(BadFile, match="/client/height_m: nan is no number"):
        read_assessment(data, SCHEMA, edition())


def test_rule_of_a_schema_that_has_no_sentence_is_still_an_error():
    narrow = json.loads(json.dumps(SCHEMA, default=float))
    narrow["properties"]["client"]["maxProperties"] = 0

    with pytest.raises(BadFile, match="/client: this does not fit the schema"):
        read_assessment(case(), narrow, edition())


def test_schema_of_another_hand_does_not_widen_the_ranges_of_the_edition():
    wide = json.loads(json.dumps(SCHEMA, default=float))
    for branch in wide["properties"]["observations"]["items"]["allOf"]:
        value = branch["then"]["properties"].get("value")
        if isinstance(value, dict):
            value.pop("maximum", None)
    data = case(observations=[seen("cadence", value=300)])

    with pytest.raises(BadFile) as refused:
        read_assessment(data, wide, edition())

    assert [str(error) for error in refused.value.errors] == [
        "/observations/0/value: 300 is outside the plausible range 120 to 240"
    ]


def test_whole_number_may_be_written_with_a_point():
    text = json.dumps(case()).replace('"age_years": 30', '"age_years": 30.0')

    assert read_assessment(load_json(text), SCHEMA, edition()).facts["age_years"] == 30


def test_everything_of_a_good_file_is_read():
    data = case(
        flags={"s10": lift(keeps="no_impact"), "s11": lift(), "s12": "not_asked"},
        facts={"equipment": ["mat", "band"]},
        observations=[
            seen("foot_strike", "left", value="rearfoot", method="by_eye"),
            seen("pelvic_drop", "left", value=8.1, grade=2),
        ],
        tests=[result("side_plank", "left", 40)],
        scores={"pain_now": 2, "pain_settled_next_morning": "yes"},
    )

    given = read(data)

    assert given.assessed_on == date(2027, 3, 10)
    assert given.answer("s10") is Answer.YES_LIFTED
    assert (given.lifts["s10"].keeps, given.lifts["s11"].keeps) == (Keeps.NO_IMPACT, Keeps.NOTHING)
    assert given.facts["equipment"] == ("mat", "band")
    assert (given.observations[0].choice, given.observations[0].method) == ("rearfoot", "by_eye")
    assert (given.observations[1].value, given.observations[1].grade) == (Decimal("8.1"), 2)
    assert given.tests[0].value == 40
    assert given.scores == {"pain_now": 2, "pain_settled_next_morning": "yes"}
