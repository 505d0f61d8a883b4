"""Every row of rules.csv and every maker of criteria.csv fires for some input; every exercise is
reached by a rule or as an easier or harder step of one that is.

The inputs are made from the tables themselves: for a criterion a number beyond its limit, for a
qualifier a word or number that meets it. Source: the rows of fixtures/rules.csv, criteria.csv.
"""

import json
from decimal import Decimal
from pathlib import Path

import pytest

from assessments.domain.findings import judge
from assessments.domain.record import record_of
from exercises.domain.edition import Edition
from exercises.domain.library import Effect, QualifierKind
from exercises.domain.proposals import propose
from exercises.domain.situation import after_judging, before_judging
from tests.exercises.domain.cases import assessment, case, edition, proposal, seen, trial

VIGNETTES = Path(__file__).parents[2] / "vignettes" / "cases"
USUAL = json.loads((VIGNETTES / "01-nothing-wrong.json").read_text(encoding="utf-8"))
HISTORY_PARTS = {
    "client": ("age_years", "sex", "height_m", "mass_kg"),
    "episode": ("complaint_present", "complaint_region", "complaint_side", "goal"),
}


def number_meeting(limit, far):
    """A number that meets a limit, `far` beyond it."""
    if limit.upper is not None:
        return (limit.number + limit.upper) / 2
    if limit.operator in ("gt", "ge"):
        return limit.number + far
    return limit.number - far


class Wanted:
    """An assessment in the making: later demands do not undo earlier ones."""

    def __init__(self):
        self.data = case(episode={}, flags={}, trials=[trial()])
        self.data["episode"] = {}
        self.data["client"] = {"age_years": 30, "sex": "m", "height_m": 1.7}
        self.observed, self.tests, self.scores = {}, {}, {}
        self.judged_usual = False

    def fact(self, code, value):
        part = next((part for part, codes in HISTORY_PARTS.items() if code in codes), "history")
        self.data[part][code] = float(value) if isinstance(value, Decimal) else value
        if isinstance(value, Decimal) and value == int(value):
            self.data[part][code] = int(value)
        if code == "complaint_region":
            self.data["episode"].update(complaint_present="yes", complaint_side="both")

    def observe(self, feature, side, **parts):
        self.observed.setdefault((feature, side), {}).update(parts)

    def criterion(self, row):
        """Meets a row of criteria.csv well beyond its limit, on the left or without side."""
        side = "left" if row.side in ("each", "same") else "none"
        if row.subject_kind == "finding":
            self.finding(row.subject)
        elif row.subject_kind == "history":
            self.fact(row.subject, row.limit.words[0])
        elif row.subject_kind == "derived":
            self.observe("heel_to_com", side, value=40)
        elif row.subject_kind == "test":
            self.criterion_of_test(row, side)
        else:
            self.criterion_of_feature(row, side)

    def criterion_of_feature(self, row, side):
        if row.attribute == "grade":
            self.observe(row.subject, side, grade=3)
        elif row.attribute == "choice":
            self.observe(row.subject, side, value=row.limit.words[0])
        elif row.attribute == "value":
            self.measure(row, side)
        else:
            self.difference(row, self.observe)

    def criterion_of_test(self, row, side):
        if row.attribute == "choice":
            self.test(row.subject, side, value=row.limit.words[0])
        elif row.attribute == "side_difference":
            self.difference(row, self.test)
        else:
            deficit = row.attribute == "norm_deficit"
            self.test(row.subject, side, value=0 if deficit else float(self.beyond(row)))
        if row.guards:
            self.test("modified_thomas_pelvis_held", side, value="yes")

    def measure(self, row, side):
        method = next((guard.method for guard in row.guards if guard.method), None)
        parts = {"method": method.value} if method else {}
        self.observe(row.subject, side, value=float(self.beyond(row)), **parts)

    def beyond(self, row):
        tables = edition().tables
        plausible = {**tables.features, **tables.tests}[row.subject].plausible
        far = (row.band or abs(row.limit.number) / 4 or 1) * Decimal("1.5")
        wanted = number_meeting(row.limit, far)
        return min(max(wanted, plausible.low), plausible.high)

    def difference(self, row, record):
        tables = edition().tables
        plausible = {**tables.features, **tables.tests}[row.subject].plausible
        middle = float(plausible.low + plausible.high) / 2
        apart = float(abs(row.limit.number)) * 2 + 1
        apart = apart * middle / 100 if row.unit == "%" else apart
        sign = 1 if row.limit.operator in ("gt", "ge") else -1
        record(row.subject, "left", value=round(middle + sign * apart / 2, 2))
        record(row.subject, "right", value=round(middle - sign * apart / 2, 2))

    def test(self, code, side, value):
        self.tests.setdefault((code, side), value)

    def finding(self, code, by=None):
        """Makes a finding clear, by a rule if one is named."""
        makers = [one for one in edition().tables.makers if one.finding == code]
        named = [one for one in makers if one.rule == by] or makers
        for row in named[0].groups[0].rows:
            self.criterion(row)

    def qualifier(self, one):
        value = one.limit.words[0] if one.limit.words else number_meeting(one.limit, 0)
        if not one.limit.words and one.limit.operator in ("lt", "gt"):
            value = number_meeting(one.limit, Decimal(1))
        match one.kind:
            case QualifierKind.HISTORY:
                self.fact(one.code, value)
            case QualifierKind.SCREENING if value == "yes_lifted":
                self.data["screening"]["answers"][one.code] = {
                    "answer": "yes_lifted",
                    "lifted_on": "2027-03-01",
                    "lifted_by": "A. Clinician",
                    "reason": "Letter seen",
                }
            case QualifierKind.SCREENING if one.limit.operator != "ne":
                self.data["screening"]["answers"][one.code] = value
            case QualifierKind.SCORE:
                self.scores[one.code] = value if isinstance(value, str) else int(value)
            case QualifierKind.DERIVED:
                self.derived(one.code, value)
            case QualifierKind.FINDING:
                self.judged_usual = True
            case QualifierKind.FEATURE:
                self.subject(one.code, value)
            case QualifierKind.TEST:
                self.test(one.code, "left", float(value))

    def subject(self, code, value):
        feature = edition().tables.features[code]
        side = feature.sides[0].value
        if feature.kind == "grade":
            self.observe(code, side, grade=int(value))
        else:
            self.observe(code, side, value=value if isinstance(value, str) else float(value))

    def derived(self, code, value):
        if code == "pain_zone":
            self.scores.setdefault("pain_now", {"safe": 0, "acceptable": 3, "stop": 7}[value])
        elif code == "stop_all":
            self.data["screening"]["answers"]["s01"] = "yes"
        elif code == "reassessment":
            self.data["kind"] = "reassessment"
        elif code == "screening_age_days":
            self.data["screening"]["screened_on"] = "2027-01-01"
        else:
            self.observe("pelvic_drop", "left", value=6.0)

    def fill_with_usual(self):
        """Everything that was not asked for is seen and usual, as in the first vignette."""
        self.data["episode"].setdefault("complaint_present", "no")
        for one in USUAL["observations"]:
            key = one["feature"], one["side"]
            if key not in self.observed:
                self.observe(*key, **{k: one[k] for k in ("value", "grade") if k in one})
        for one in USUAL["tests"]:
            self.test(one["test"], one["side"], one["value"])

    def assessment(self):
        if self.judged_usual:
            self.fill_with_usual()
        observations = [
            seen(feature, side, **parts) for (feature, side), parts in self.observed.items()
        ]
        tests = [
            {"test": test, "side": side, "value": value}
            for (test, side), value in self.tests.items()
        ]
        scores = [{"score": score, "value": value} for score, value in self.scores.items()]
        return assessment(
            {**self.data, "observations": observations, "tests": tests, "scores": scores}
        )


def wanted_for(rule):
    wanted = Wanted()
    for one in rule.qualifiers:
        wanted.qualifier(one)
    for code in rule.findings:
        wanted.finding(code, by=rule.rule)
    for one in rule.qualifiers:  # a criterion must not have undone them
        if one.kind is not QualifierKind.FEATURE:
            wanted.qualifier(one)
    return wanted


@pytest.mark.parametrize("rule", edition().rules, ids=lambda rule: f"{rule.rule}-line-{rule.line}")
def test_rule_row_fires(rule):
    given = wanted_for(rule).assessment()

    if any(one.code == "stop_all" for one in rule.qualifiers):
        situation = before_judging(record_of(given), edition().tables)
    else:
        situation = after_judging(judge(given, edition().tables), edition().tables)

    assert situation.fires(rule)


@pytest.mark.parametrize(
    "rule",
    edition().by_effect[Effect.PRESCRIBE],
    ids=lambda rule: f"{rule.rule}-line-{rule.line}",
)
def test_prescribing_row_brings_its_exercise_with_its_reason(rule):
    found = propose(wanted_for(rule).assessment(), edition())

    lines = {item.exercise: item for item in found.programme}
    withheld = {one.exercise for one in found.withheld}
    assert rule.exercise in lines or rule.exercise in withheld
    if rule.exercise in lines:
        assert rule.rule in [one.rule for one in lines[rule.exercise].because]


@pytest.mark.parametrize(
    ("maker", "group"),
    [(maker, group) for maker in edition().tables.makers for group in maker.groups],
    ids=lambda part: getattr(part, "finding", None) and f"{part.rule}-{part.finding}",
)
def test_each_group_of_criteria_makes_its_finding(maker, group):
    wanted = Wanted()
    for row in group.rows:
        wanted.criterion(row)

    judged = judge(wanted.assessment(), edition().tables)

    made = {side.value for side in judged.made.get((maker.rule, maker.finding), {})}
    assert ("left" if group.sided else "none") in made


def reached(edition: Edition) -> set[str]:
    """Exercises that a rule prescribes, and their easier and harder steps, step by step."""
    codes = {rule.exercise for rule in edition.by_effect[Effect.PRESCRIBE]}
    while True:
        steps = {
            step
            for code in codes
            for step in (edition.exercises[code].easier, edition.exercises[code].harder)
            if step in edition.exercises
        }
        if steps <= codes:
            return codes
        codes |= steps


def test_every_exercise_is_reached_by_a_rule_or_as_a_step():
    assert reached(edition()) == set(edition().exercises)


def test_rules_run_from_1_to_78_over_criteria_and_rules():
    tables = edition().tables
    numbers = {rule.rule for rule in edition().rules} | {row.rule for row in tables.criteria}

    assert numbers == {f"R{number:02d}" for number in range(1, 79)}


def test_nothing_fires_for_an_empty_record():
    found = proposal(case(episode={"complaint_present": "yes"}))

    assert (found.findings, found.programme, found.withheld) == ((), (), ())
