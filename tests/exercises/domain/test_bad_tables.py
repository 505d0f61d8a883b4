# ruff: noqa: E501  # one case a line reads as a table
"""A bad table is refused whole, with file, line and reason; each kind of check is mutated once.

Source: fixtures/README.md, "Editions".
"""

import csv
import io
import json

import pytest

from clinic.domain.tables import BadTables, names
from exercises.domain.edition import FILES, build_edition
from tests.exercises.domain.cases import TEXTS


def problems(texts):
    with pytest.raises(BadTables) as refused:
        build_edition(texts)
    return [str(problem) for problem in refused.value.problems]


def changed(file, key, changes, column=None):
    """The texts with cells of one row changed, and the line of that row."""
    rows = list(csv.reader(io.StringIO(TEXTS[file])))
    header = rows[0]
    at = header.index(column) if column else 0
    place = next(number for number, row in enumerate(rows) if row[at] == key and number)
    for name, value in changes.items():
        rows[place][header.index(name)] = value
    return {**TEXTS, file: written(rows)}, place + 1


def written(rows):
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def refused(file, key, changes, column=None):
    """Reasons given for the changed line, without file and line."""
    texts, line = changed(file, key, changes, column)
    head = f"{file}:{line}: "
    return [text.removeprefix(head) for text in problems(texts) if text.startswith(head)]


CASES = [
    # reference values and sources
    ("reference_values.csv", "RV001", {"quantity": ""}, "quantity is empty"),
    ("features.csv", "cadence", {"sources": "RV999"}, "sources: 'RV999' is not in reference_values.csv"),
    ("features.csv", "cadence", {"sources": ""}, "sources is empty"),
    # features
    ("features.csv", "cadence", {"area": "arm"}, "area: 'arm' is none of upper_body, trunk, hip, ground_contact, foot"),
    ("features.csv", "cadence", {"per_side": "maybe"}, "per_side: 'maybe' is neither yes nor no"),
    ("features.csv", "cadence", {"unit": "steps"}, "unit: unknown unit 'steps'"),
    ("features.csv", "cadence", {"plausible_min": "x"}, "plausible_min: 'x' is no number"),
    ("features.csv", "cadence", {"plausible_min": "NaN"}, "plausible_min: 'NaN' is no number"),
    ("features.csv", "cadence", {"plausible_min": "250"}, "plausible_min 250 is not below plausible_max 240"),
    ("features.csv", "cadence", {"plausible_max": ""}, "plausible_min and plausible_max must both be given"),
    ("features.csv", "cadence", {"ref_low": "100"}, "reference range: 100 lies outside the plausible range"),
    ("features.csv", "cadence", {"detectable_difference": "0"}, "detectable_difference: 0 is not above 0"),
    ("features.csv", "cadence", {"decimals": "7"}, "decimals: '7' is not 0, 1, 2 or 3"),
    ("features.csv", "cadence", {"choices": "a|b"}, "choices: given for a choice and for nothing else"),
    ("features.csv", "cadence", {"grade_1": "slow"}, "grade_0 to grade_3: all four for a grade, none for anything else"),
    ("features.csv", "heel_whip", {"grade_2": ""}, "grade_0 to grade_3: all four for a grade, none for anything else"),
    ("features.csv", "foot_strike", {"choices": "rearfoot|rearfoot"}, "choices: an item stands twice"),
    ("features.csv", "foot_strike", {"choices": "rearfoot||x"}, "choices: an item is empty"),
    ("features.csv", "heel_whip", {"code": "cadence"}, "code cadence stands in line"),
    # tests, scores, history, screening
    ("tests.csv", "side_plank", {"stop_if": "s99"}, "stop_if: unknown hold or flag 's99'"),
    ("scores.csv", "pain_now", {"range_max": ""}, "range_min and range_max must both be given"),
    ("history.csv", "goal", {"choices": ""}, "choices: given for a choice and for nothing else"),
    ("history.csv", "goal", {"used_for": "fun"}, "used_for: 'fun' is neither rules nor record"),
    ("screening.csv", "s10", {"effect": "no_run"}, "effect: unknown effect 'no_run'"),
    ("screening.csv", "s10", {"effect": "limit_load:hair"}, "effect: unknown tissue to limit 'hair'"),
    ("screening.csv", "s10", {"effect": "limit_load:tendon|limit_load:painful_bone"}, "effect: only one limit of load"),
    ("screening.csv", "s10", {"effect": ""}, "effect is empty"),
    ("screening.csv", "s10", {"urgency": "soon"}, "urgency: 'soon' is none of emergency, same_day, within_days, routine, none"),
    ("screening.csv", "s10", {"code": "x10"}, "code: 'x10' is not s and two digits"),
    # norms
    ("norms.csv", "knee_to_wall", {"test": "jump"}, "test: unknown test 'jump'"),
    ("norms.csv", "knee_to_wall", {"unit": "mm"}, "unit: 'mm' is not that of the test, 'cm'"),
    ("norms.csv", "knee_to_wall", {"age_min": "70"}, "age_min 70 is above age_max 59"),
    ("norms.csv", "knee_to_wall", {"age_min": ""}, "age_min is empty"),
    ("norms.csv", "knee_to_wall", {"value": ""}, "value: a number or an equation is needed"),
    ("norms.csv", "knee_to_wall", {"value": "99"}, "value: 99 lies outside the plausible range of the test"),
    ("norms.csv", "knee_to_wall", {"lower_limit": "12.0"}, "lower_limit is not below the value"),
    ("norms.csv", "knee_to_wall", {"equation": "1"}, "value and equation exclude each other"),
    ("norms.csv", "knee_to_wall", {"value": "", "equation": "age * 2"}, "equation: 'age * 2' is no sum of age_years and male"),
    # findings
    ("findings.csv", "overstride", {"letter_sentence": "{width}"}, "letter_sentence: unknown mark 'width'"),
    # criteria
    ("criteria.csv", "R46", {"rule_id": "46"}, "rule_id: '46' is not R and two digits"),
    ("criteria.csv", "R46", {"finding": "slow"}, "finding: unknown finding 'slow'"),
    ("criteria.csv", "R46", {"subject": "steps"}, "subject: unknown feature 'steps'"),
    ("criteria.csv", "R46", {"attribute": "grade"}, "attribute: cadence has no grade"),
    ("criteria.csv", "R46", {"threshold": "90"}, "threshold: 90 lies outside the plausible range"),
    ("criteria.csv", "R46", {"operator": "below"}, "operator: 'below' is none of lt, le, gt, ge, eq, ne, in, between"),
    ("criteria.csv", "R46", {"operator": "in"}, "operator: in does not fit a number"),
    ("criteria.csv", "R46", {"operator": "between", "upper": "150"}, "threshold: 163 is not below 150"),
    ("criteria.csv", "R46", {"upper": "170"}, "upper: given with between and with nothing else"),
    ("criteria.csv", "R46", {"unit": "1/min"}, "unit: '1/min' is not that of the subject, 'steps/min'"),
    ("criteria.csv", "R46", {"side": "each"}, "side: cadence is not recorded on side each"),
    ("criteria.csv", "R46", {"guard": "speed=fast"}, "guard: 'speed=fast' is no list of guards"),
    ("criteria.csv", "R46", {"guard": "speed=3..2"}, "guard: 'speed=3..2' is no list of guards"),
    ("criteria.csv", "R46", {"grade_at_least": "4"}, "grade_at_least: not 1, 2 or 3"),
    ("criteria.csv", "R46", {"grade_at_least": "1"}, "grade_at_least: cadence has no grade"),
    ("criteria.csv", "R46", {"detectable_difference": "-1"}, "detectable_difference: -1 is not above 0"),
    ("criteria.csv", "R46", {"evidence": "D"}, "evidence: 'D' is none of A, B, C"),
    ("criteria.csv", "R46", {"group": ""}, "group is empty"),
    ("criteria.csv", "R21", {"operator": "le"}, "threshold: a grade is compared by ge with 1, 2 or 3"),
    ("criteria.csv", "R21", {"grade_at_least": "2"}, "grade_at_least: differs from the threshold of the grade"),
    ("criteria.csv", "R21", {"guard": "min_steps=7"}, "guard: only a number can have one"),
    ("criteria.csv", "R44", {"threshold": "awful"}, "threshold: unknown choice 'awful'"),
    ("criteria.csv", "R44", {"operator": "lt"}, "operator: lt does not fit a word"),
    ("criteria.csv", "R66", {"guard": "min_steps=7"}, "guard: a test belongs to no trial"),
    ("criteria.csv", "R66", {"attribute": "norm_deficit"}, "attribute: norms.csv has no row for single_leg_balance"),
    # exercises
    ("exercises.csv", "clam", {"code": "Clam x"}, "code: 'Clam x' has other signs than a to z, 0 to 9 and _"),
    ("exercises.csv", "clam", {"harder": "clams"}, "harder: unknown exercise 'clams'"),
    ("exercises.csv", "clam", {"harder": "clam"}, "harder: the exercise names itself"),
    ("exercises.csv", "clam", {"impact": "3"}, "impact: '3' is not 0, 1 or 2"),
    ("exercises.csv", "clam", {"kit": "sofa"}, "kit: unknown kit 'sofa'"),
    ("exercises.csv", "clam", {"targets": "weakness"}, "targets: unknown finding 'weakness'"),
    ("exercises.csv", "clam", {"tissue_loaded": "ear"}, "tissue_loaded: unknown tissue 'ear'"),
    ("exercises.csv", "clam", {"contraindicated_by": "s99"}, "contraindicated_by: unknown flag or yes/no fact 's99'"),
    ("exercises.csv", "clam", {"sets": "0"}, "sets: 0 is not above 0"),
    ("exercises.csv", "clam", {"sets": ""}, "either sets or duration_min must be given"),
    ("exercises.csv", "clam", {"reps": "", "tempo_s_per_rep": ""}, "sets need reps or hold_s"),
    ("exercises.csv", "clam", {"tempo_s_per_rep": ""}, "reps and tempo_s_per_rep belong together"),
    ("exercises.csv", "clam", {"weeks": ""}, "sessions_per_week and weeks must be given"),
    ("exercises.csv", "clam", {"pain_ceiling": "11"}, "pain_ceiling: 11 is not between 0 and 10"),
    ("exercises.csv", "clam", {"work_kind": "dance"}, "work_kind: 'dance' is none of repetitions, hold, timed, lengths, run_bout"),
    ("exercises.csv", "clam", {"cues": ""}, "cues is empty"),
    # rules; each key is the first row of its rule
    ("rules.csv", "R01", {"when_findings": "overstride", "min_severity": "clear"}, "a withholding row of R01 to R15 cannot ask for findings"),
    ("rules.csv", "R01", {"qualifiers": "derived:all_borderline eq yes"}, "a withholding row of R01 to R15 cannot ask for findings"),
    ("rules.csv", "R01", {"qualifiers": "finding:overstride present"}, "a withholding row of R01 to R15 cannot ask for findings"),
    ("rules.csv", "R19", {"dose_override": "per_side=perhaps"}, "dose_override: 'per_side=perhaps' is no part of a dose"),
    ("rules.csv", "R19", {"rule_id": "19"}, "rule_id: '19' is not R and two digits"),
    ("rules.csv", "R19", {"when_findings": "arm"}, "when_findings: unknown finding 'arm'"),
    ("rules.csv", "R19", {"min_severity": ""}, "when_findings and min_severity belong together"),
    ("rules.csv", "R19", {"exercise": "wave"}, "exercise: unknown exercise 'wave'"),
    ("rules.csv", "R19", {"exercise": "clam"}, "exercise: clam targets none of arm_forward_reach"),
    ("rules.csv", "R19", {"exercise": ""}, "exercise: needed by the effect prescribe"),
    ("rules.csv", "R19", {"note_code": "s30"}, "note_code: not used by the effect prescribe"),
    ("rules.csv", "R19", {"priority": "4"}, "priority: '4' is not 1, 2 or 3"),
    ("rules.csv", "R19", {"dose_override": "colour=1"}, "dose_override: 'colour=1' is no part of a dose"),
    ("rules.csv", "R19", {"dose_override": "weeks=0"}, "dose_override: weeks 0 is not above 0"),
    ("rules.csv", "R19", {"dose_override": "weeks=x"}, "dose_override: 'x' is no number"),
    ("rules.csv", "R19", {"dose_override": "stage=soon"}, "dose_override: 'soon' is none of now, later"),
    ("rules.csv", "R25", {"dose_override": "weeks=1"}, "dose_override: not used by the effect record_only"),
    ("rules.csv", "R01", {"withholds": "impact_3"}, "withholds: unknown thing to withhold 'impact_3'"),
    ("rules.csv", "R01", {"qualifiers": "stop all"}, "qualifiers: 'stop all' cannot be read"),
    ("rules.csv", "R01", {"qualifiers": "finding:overstride eq yes"}, "qualifiers: 'finding:overstride eq yes' cannot be read"),
    ("rules.csv", "R01", {"qualifiers": "screening:s99 eq yes"}, "qualifiers: unknown screening 's99'"),
    ("rules.csv", "R01", {"qualifiers": "entry:rules ge 2"}, "qualifiers: entry belongs to priority rows only"),
    ("rules.csv", "R01", {"qualifiers": "entry:colour eq red"}, "qualifiers: unknown entry 'colour'"),
    ("rules.csv", "R01", {"qualifiers": "history:equipment eq mat"}, "qualifiers: unknown history 'equipment'"),
    ("rules.csv", "R01", {"qualifiers": "side_of:nothing ne both"}, "qualifiers: unknown side_of 'nothing'"),
    ("rules.csv", "R01", {"qualifiers": "finding:nothing absent"}, "qualifiers: unknown finding 'nothing'"),
    ("rules.csv", "R01", {"qualifiers": "history:sex lt f"}, "qualifiers: lt does not fit a word"),
    ("rules.csv", "R01", {"qualifiers": "history:sex eq f|m"}, "qualifiers: eq takes one word"),
    ("rules.csv", "R01", {"qualifiers": "history:age_years in 5"}, "qualifiers: in does not fit a number"),
    ("rules.csv", "R01", {"qualifiers": "history:age_years between 5"}, "qualifiers: '5' does not fit between"),
    ("rules.csv", "R01", {"qualifiers": "history:age_years gt 200"}, "qualifiers: 200 lies outside the plausible range"),
    ("rules.csv", "R25", {"qualifiers": "feature:head_forward ge 4"}, "qualifiers: 4 lies outside the plausible range"),
    # notes and policy
    ("notes.csv", "s30", {"page_sentence": ""}, "page_sentence is empty"),
    ("policy.csv", "grades", {"affects": "R99"}, "affects: unknown rule, flag or setting 'R99'"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("file", "key", "changes", "reason"),
    CASES,
    ids=[f"{case[0]}-{number}" for number, case in enumerate(CASES)],
)
def test_bad_cell_is_refused_with_file_line_and_reason(file, key, changes, reason):
    found = refused(file, key, changes)

    assert any(text.startswith(reason) for text in found), found


@pytest.mark.parametrize(
    ("file", "key", "changes", "column", "reason"),
    [
        ("rules.csv", "refer", {"urgency": ""}, "effect", "urgency: needed by the effect refer"),
        ("rules.csv", "refer", {"urgency": "none"}, "effect", "urgency: a referral cannot have none"),
        ("pain_zones.csv", "5", {"from": "x"}, "to", "from: 'x' is no number"),
        ("pain_zones.csv", "2", {"to": "3"}, "to", None),
        ("pain_zones.csv", "5", {"from": "9"}, "to", "from 9 is above to 5"),
        ("criteria.csv", "history", {"side": "each"}, "subject_kind", "side: each does not fit a fact or a score"),
        ("criteria.csv", "overstride", {"threshold": "no"}, "subject", "threshold: unknown choice 'no'"),
        ("notes.csv", "state", {"kind": "mood"}, "kind", "kind: 'mood' is none of note, referral, state"),
    ],
)  # fmt: skip
def test_bad_cell_found_by_another_column_is_refused(file, key, changes, column, reason):
    if reason is None:
        assert any(
            "leaves 4 to start with" in text
            for text in problems(changed(file, key, changes, column)[0])
        )
    else:
        assert reason in refused(file, key, changes, column)


@pytest.mark.parametrize("file", FILES)
def test_missing_file_is_refused(file):
    texts = {name: text for name, text in TEXTS.items() if name != file}

    assert f"{file}: the file is missing" in problems(texts)


def test_columns_are_written_as_one_text():
    assert names("code  topic\n question") == ("code", "topic", "question")


def test_missing_column_is_refused():
    texts = {**TEXTS, "policy.csv": TEXTS["policy.csv"].replace("code,topic", "code,subject", 1)}

    assert problems(texts) == ["policy.csv:1: column topic is missing"]


def test_column_that_stands_twice_is_refused():
    header = "code,kind,page_sentence,letter_sentence,handout_sentence"
    texts = {**TEXTS, "notes.csv": TEXTS["notes.csv"].replace(header, f"{header},kind", 1)}

    assert "notes.csv:1: column kind stands twice" in problems(texts)


def test_row_with_a_cell_too_few_is_refused():
    texts = {**TEXTS, "policy.csv": TEXTS["policy.csv"] + "code,topic\n"}
    line = len(TEXTS["policy.csv"].splitlines()) + 1

    assert problems(texts) == [f"policy.csv:{line}: 2 cells under 7 columns"]


def test_broken_quotes_are_refused():
    texts = {**TEXTS, "policy.csv": TEXTS["policy.csv"] + '"open\n'}

    assert any("no valid CSV" in text for text in problems(texts))


def test_all_problems_are_named_at_once_in_order_of_file_and_line():
    texts, first = changed("policy.csv", "grades", {"affects": "R99"})
    other, second = changed("features.csv", "cadence", {"unit": "steps"})
    texts["features.csv"] = other["features.csv"]

    found = problems(texts)

    assert found[0] == "criteria.csv:44: unit: 'steps/min' is not that of the subject, 'steps'"
    assert found[1] == f"features.csv:{second}: unit: unknown unit 'steps'"
    assert found[-1] == f"policy.csv:{first}: affects: unknown rule, flag or setting 'R99'"


def test_norm_bands_that_overlap_are_refused():
    texts = {**TEXTS}
    row = 'knee_to_wall,f,50,70,12,9,cm,,,RV109,B,"invented"\n'
    texts["norms.csv"] += row

    assert problems(texts) == [
        f"norms.csv:{len(TEXTS['norms.csv'].splitlines()) + 1}: the band of age overlaps that of"
        " another row of this test and sex"
    ]


def test_pain_lines_that_end_early_are_refused():
    texts = {
        **TEXTS,
        "pain_zones.csv": "\n".join(TEXTS["pain_zones.csv"].splitlines()[:-1]) + "\n",
    }

    assert problems(texts) == [
        "pain_zones.csv: the lines of possible_bone do not reach from 0 to 10"
    ]


def test_pain_lines_without_a_zone_to_work_in_are_refused():
    texts, _ = changed("pain_zones.csv", "zero_pain", {"zone": "stop"}, "applies_to")

    assert problems(texts) == ["pain_zones.csv: the lines of zero_pain allow no pain score at all"]


def test_finding_that_nothing_makes_is_refused():
    rows = [
        row for row in csv.reader(io.StringIO(TEXTS["criteria.csv"])) if row[1] != "low_cadence"
    ]

    assert problems({**TEXTS, "criteria.csv": written(rows)}) == [
        "criteria.csv: no row makes the finding low_cadence"
    ]


def test_note_without_a_sentence_and_sentence_without_a_note_are_refused():
    texts, _ = changed("notes.csv", "load_management", {"code": "load_managed"})

    found = problems(texts)

    assert "notes.csv: note load_management has no sentence" in found
    assert "notes.csv: note load_managed is given by no table" in found


def test_exercise_without_a_pose_is_refused():
    poses = json.loads(TEXTS["poses.json"])
    poses["clams"] = poses.pop("clam")

    assert problems({**TEXTS, "poses.json": json.dumps(poses)}) == [
        "poses.json: exercises: clam of the tables is missing",
        "poses.json: exercises: clams is not in the tables",
    ]


@pytest.mark.parametrize(
    ("text", "reason"),
    [("{", "no valid JSON"), ("[]", "no JSON object")],
)
def test_poses_that_are_no_json_object_are_refused(text, reason):
    assert any(reason in found for found in problems({**TEXTS, "poses.json": text}))


def schema_changed(file, change):
    schema = json.loads(TEXTS[file])
    change(schema["properties"])
    return {**TEXTS, file: json.dumps(schema)}


def set_to(*path, value):
    def change(node):
        for key in path[:-1]:
            node = node[key]
        node[path[-1]] = value

    return change


SCHEMA_CASES = [
    (set_to("kind", "enum", value=["baseline"]), "kind: discharge of the tables is missing"),
    (set_to("client", "properties", "age_years", "minimum", value=6), "age_years: minimum 6 is not 5 of the tables"),
    (set_to("client", "properties", "sex", "enum", value=["f", "m", "x", "d"]), "sex: d is not in the tables"),
    (set_to("tests", "items", "allOf", 0, "then", "properties", "value", "maximum", value=26), "knee_to_wall: maximum 26 is not 25 of the tables"),
    (set_to("observations", "items", "allOf", 0, "then", "properties", "value", value=False), "elbow_angle: a value must be allowed"),
    (set_to("observations", "items", "allOf", 2, "then", "properties", "value", value={"minimum": 0, "maximum": 3}), "forward_hand_reach: a value must not be allowed"),
    (set_to("observations", "items", "allOf", 0, "then", "properties", "side", "enum", value=["left"]), "side of elbow_angle: right of the tables is missing"),
    (set_to("scores", "items", value={}), "its shape is not the expected one: KeyError('properties')"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "reason"), SCHEMA_CASES)
def test_assessment_schema_that_differs_from_the_tables_is_refused(change, reason):
    found = problems(schema_changed("assessment.schema.json", change))

    assert f"assessment.schema.json: {reason}" in found


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (
            set_to("lifted", "items", "properties", "code", "enum", value=["s01"]),
            "lifted: s02 of the tables is missing",
        ),
        (set_to("notes", "items", value=[]), "its shape is not the expected one"),
    ],
)
def test_proposal_schema_that_differs_from_the_tables_is_refused(change, reason):
    found = problems(schema_changed("proposal.schema.json", change))

    assert any(text.startswith(f"proposal.schema.json: {reason}") for text in found)


def test_schema_that_is_no_json_is_refused():
    found = problems({**TEXTS, "assessment.schema.json": "{", "proposal.schema.json": "{"})

    assert [text.partition(":")[0] for text in found] == [
        "assessment.schema.json",
        "proposal.schema.json",
    ]
