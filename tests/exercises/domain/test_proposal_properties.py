"""What holds for every proposal, whatever an assessment holds.

Source: fixtures/EVALUATION.md, 12 to 14 and 18, and fixtures/proposal.schema.json.
"""

import json
import random

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from assessments.domain.vocabulary import AssessmentKind, Method, Shoes, Surface
from clinic.json_files import load_json
from exercises.assessment_file import read_assessment
from exercises.domain.printing import proposal_json
from exercises.domain.proposals import propose
from tests.exercises.domain.cases import PROPOSAL_SCHEMA, SCHEMA, edition

TABLES = edition().tables
VALIDATOR = Draft202012Validator(PROPOSAL_SCHEMA)
CLIENT = ("age_years", "sex", "height_m", "mass_kg")
EPISODE = ("complaint_present", "complaint_region", "complaint_side", "goal")
MANY = settings(
    max_examples=15, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True
)


def numbers(row):
    low, high = float(row.plausible.low), float(row.plausible.high)
    return st.one_of(
        st.integers(int(low) + (low > int(low)), int(high)),
        st.floats(low, high)
        .map(lambda number: round(number, 2))
        .filter(lambda number: low <= number <= high),
    )


def fact(row):
    if row.kind == "yes_no":
        return st.sampled_from(["yes", "no"])
    if row.kind == "choice":
        return st.sampled_from(row.choices)
    if row.kind == "list":
        return st.lists(st.sampled_from(row.choices), unique=True)
    if row.decimals == 0 and row.code != "minutes_a_day":
        return st.integers(int(row.plausible.low), int(row.plausible.high))
    return numbers(row)


def facts(codes):
    return st.fixed_dictionaries({}, optional={code: fact(TABLES.facts[code]) for code in codes})


def answer():
    lifted = st.fixed_dictionaries(
        {
            "answer": st.just("yes_lifted"),
            "lifted_on": st.just("2027-03-01"),
            "lifted_by": st.text(min_size=1, max_size=5).filter(lambda text: text.isprintable()),
            "reason": st.just("Seen"),
        },
        optional={"keeps": st.sampled_from(["nothing", "no_impact"])},
    )
    # mostly no, or a stop-all flag would end nearly every example
    return st.one_of(*[st.just("no")] * 40, st.just("yes"), st.just("not_asked"), lifted)


def trial(name):
    return st.fixed_dictionaries(
        {"id": st.just(name)},
        optional={
            "surface": st.sampled_from(list(map(str, Surface))),
            "speed_m_s": st.floats(1, 7.5).map(lambda speed: round(speed, 2)),
            "frame_rate_hz": st.sampled_from([25, 60, 120, 240]),
            "steps_averaged": st.integers(1, 30),
            "shoes": st.sampled_from(list(map(str, Shoes))),
        },
    )


def observation(feature, side, name):
    head = {"feature": st.just(feature.code), "side": st.just(side.value), "trial": st.just(name)}
    more = {"method": st.sampled_from(list(map(str, Method)))}
    grade = {"grade": st.integers(0, 3)}
    if feature.kind == "grade":
        return st.fixed_dictionaries(head | grade, optional=more)
    if feature.kind == "choice":
        return st.fixed_dictionaries(
            head | {"value": st.sampled_from(feature.choices)}, optional=more
        )
    value = {"value": numbers(feature)}
    with_value = st.fixed_dictionaries(head | value, optional=more)
    if feature.kind == "value":
        return with_value
    return st.one_of(
        with_value,
        st.fixed_dictionaries(head | grade, optional=more),
        st.fixed_dictionaries(head | grade | value, optional=more),
    )


def strength_test(row, side):
    choices = row.choices or ("yes", "no")
    value = numbers(row) if row.kind == "value" else st.sampled_from(choices)
    return st.fixed_dictionaries(
        {"test": st.just(row.code), "side": st.just(side.value), "value": value}
    )


def score(row):
    if row.kind == "yes_no":
        value = st.sampled_from(["yes", "no"])
    elif row.code == "activity_scale_mean":
        value = numbers(row)
    else:
        value = st.integers(int(row.plausible.low), int(row.plausible.high))
    return st.fixed_dictionaries({"score": st.just(row.code), "value": value})


@st.composite
def some(draw, keys, make):
    """Values for a part of the keys, in any order."""
    least = draw(st.integers(0, len(keys) // 2))
    chosen = draw(st.lists(st.sampled_from(keys), unique=True, min_size=least))
    return [draw(make(*key)) for key in chosen]


SEEN = [
    (feature, side, name)
    for feature in TABLES.features.values()
    for side in feature.sides
    for name in ("t1", "t2")
]
TESTED = [(row, side) for row in TABLES.tests.values() for side in row.sides]
SCORED = [(row,) for row in TABLES.scores.values()]
HISTORY = [code for code in TABLES.facts if code not in CLIENT + EPISODE]

assessments = st.fixed_dictionaries(
    {
        "kind": st.sampled_from(list(map(str, AssessmentKind))),
        "assessed_on": st.just("2027-03-10"),
        "client": facts(CLIENT),
        "episode": facts(EPISODE),
        "history": facts(HISTORY),
        "screening": st.fixed_dictionaries(
            {"answers": st.fixed_dictionaries({code: answer() for code in TABLES.flags})},
            optional={"screened_on": st.sampled_from(["2027-03-10", "2027-01-01", "2027-04-01"])},
        ),
        "trials": st.tuples(trial("t1"), trial("t2")).map(list),
        "observations": some(SEEN, observation),
        "tests": some(TESTED, strength_test),
        "scores": some(SCORED, score),
    }
)


def read(data):
    return read_assessment(load_json(json.dumps(data)), SCHEMA, edition())


def proposed(data):
    return proposal_json(propose(read(data), edition()))


def now(found, *, cue):
    return [
        item
        for item in found["programme"]
        if item["stage"] == "now" and item["running_cue"] is cue
    ]


@MANY
@given(assessments)
def test_proposal_fits_its_schema_and_keeps_the_caps(data):
    found = proposed(data)

    assert list(VALIDATOR.iter_errors(found)) == []
    assert len(now(found, cue=True)) <= 1
    assert len(now(found, cue=False)) <= 4
    minutes = data["history"].get("minutes_a_day")
    if minutes is not None:
        assert found["minutes_per_day"] <= minutes + 0.05  # printed to 0.1


@MANY
@given(assessments)
def test_no_withheld_exercise_is_in_the_programme(data):
    found = proposed(data)

    programme = [item["exercise"] for item in found["programme"]]
    assert not {one["exercise"] for one in found["withheld"]} & set(programme)
    assert len(set(programme)) == len(programme)
    for hold in found["holds"]:
        for code in hold["withholds"]:
            for exercise in programme:
                assert not stopped(code, edition().exercises[exercise])


def stopped(code, exercise):
    kind, _, name = code.partition(":")
    if kind == "tissue":
        return name in exercise.tissue_loaded
    if kind == "exercise":
        return name == exercise.code
    return kind in ("all", f"impact_{exercise.impact}")


@MANY
@given(assessments, st.randoms(use_true_random=False))
def test_order_of_observations_tests_and_scores_changes_nothing(data, mixer: random.Random):
    mixed = {key: list(data[key]) for key in ("observations", "tests", "scores")}
    for items in mixed.values():
        mixer.shuffle(items)

    assert proposed({**data, **mixed}) == proposed(data)


@MANY
@given(assessments)
def test_everything_proposed_carries_its_reason(data):
    found = proposed(data)

    assert all(item["because"] for item in found["findings"])
    assert all(item["because"] for item in found["programme"])
    assert all(item["because"] for item in found["withheld"])
    assert all(item["missing"] for item in found["not_assessed"])
    assert all(item["guard"] for item in found["not_reliable"])


@MANY
@given(assessments)
def test_lists_are_sorted_as_asked(data):
    found = proposed(data)

    for key, by in (("holds", "code"), ("lifted", "code"), ("notes", "code")):
        assert found[key] == sorted(found[key], key=lambda item: item[by])
    stages = [item["stage"] for item in found["programme"]]
    assert stages == sorted(stages, key=["now", "later"].index)
    order = list(TABLES.findings)
    places = [order.index(one["code"]) for one in found["findings"]]
    assert places == sorted(places)


@MANY
@given(assessments)
def test_stop_all_leaves_holds_lifts_review_and_referrals_only(data):
    data["screening"]["answers"]["s01"] = "yes"

    found = proposed(data)

    assert found["outcome"] == "stop_all"
    empty = ("findings", "not_reliable", "not_assessed", "programme", "withheld", "notes")
    assert [found[key] for key in empty] == [[]] * len(empty)
    assert (found["cadence_plan"], found["minutes_per_day"]) == (None, 0)
    assert found["review_in_days"] == 14
