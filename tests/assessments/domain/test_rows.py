"""Rows that edition 1 does not use but another edition may: scores and numbers of the history.

Source: fixtures/EVALUATION.md, 4.
"""

import csv
import io
from decimal import Decimal

import pytest

from assessments.domain.findings import judge, merged_side
from assessments.domain.vocabulary import Side
from exercises.domain.edition import build_edition
from exercises.domain.printing import proposal_json
from exercises.domain.proposals import propose
from tests.exercises.domain.cases import TEXTS, assessment, case, result, seen


def edition_with(row):
    """Edition 1 with the criterion of R46 replaced by another row."""
    rows = list(csv.reader(io.StringIO(TEXTS["criteria.csv"])))
    header = rows[0]
    for cells in rows[1:]:
        if cells[0] == "R46":
            cells[:] = [row.get(name, "") for name in header]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return build_edition({**TEXTS, "criteria.csv": out.getvalue()})


def row(kind, subject, attribute, operator, threshold, **more):
    return {
        "rule_id": "R46",
        "finding": "low_cadence",
        "group": "a",
        "subject_kind": kind,
        "subject": subject,
        "attribute": attribute,
        "side": "none",
        "operator": operator,
        "threshold": threshold,
        "evidence": "C",
        "source": "invented for this test",
        **more,
    }


def made(edition, data):
    judgement = judge(assessment(data), edition.tables)
    found = judgement.finding("low_cadence")
    missing = [one.missing for one in judgement.not_assessed if one.rule == "R46"]
    return found and found.because[0], missing


@pytest.mark.parametrize(
    ("criterion", "yes", "no", "shown"),
    [
        (
            row("score", "pain_now", "value", "gt", "5", unit="points"),
            {"scores": {"pain_now": 6}},
            {"scores": {"pain_now": 5}},
            Decimal(6),
        ),
        (
            row("score", "pain_settled_next_morning", "choice", "eq", "no"),
            {"scores": {"pain_settled_next_morning": "no"}},
            {"scores": {"pain_settled_next_morning": "yes"}},
            "no",
        ),
        (
            row("history", "age_years", "value", "ge", "65", unit="years"),
            {"client": {"age_years": 65}},
            {"client": {"age_years": 64}},
            Decimal(65),
        ),
        (
            row("feature", "heel_whip", "grade", "ge", "1", unit="grade", side="left"),
            {"observations": [seen("heel_whip", "left", grade=2)]},
            {"observations": [seen("heel_whip", "left", grade=0)]},
            2,
        ),
        (
            row("test", "side_plank", "side_difference", "gt", "5", unit="s"),
            {"tests": [result("side_plank", "left", 40), result("side_plank", "right", 50)]},
            {"tests": [result("side_plank", "left", 40), result("side_plank", "right", 44)]},
            Decimal(10),
        ),
    ],
)
def test_other_subjects_are_judged_too(criterion, yes, no, shown):
    edition = edition_with(criterion)

    reason, _ = made(edition, case(**yes))

    assert shown in (reason.value, reason.grade, reason.choice)
    assert made(edition, case(**no)) == (None, [])
    assert proposal_json(propose(assessment(case(**yes)), edition))["findings"] != []


@pytest.mark.parametrize(
    ("kind", "subject", "attribute", "threshold", "unit"),
    [
        ("score", "pain_now", "value", "5", "points"),
        ("score", "pain_settled_next_morning", "choice", "no", ""),
        ("history", "weeks_postnatal", "value", "5", "weeks"),
        ("test", "single_leg_squat", "choice", "poor", ""),
        ("feature", "foot_strike", "choice", "rearfoot", ""),
    ],
)
def test_subject_that_was_not_given_is_missing(kind, subject, attribute, threshold, unit):
    side = "left" if kind in ("test", "feature") else "none"
    criterion = row(kind, subject, attribute, "eq", threshold, unit=unit, side=side)

    assert made(edition_with(criterion), case()) == (None, [(subject,)])


def test_unequal_fact_that_does_not_apply_is_false_and_not_missing():
    criterion = row("history", "complaint_region", "choice", "ne", "calf")

    assert made(edition_with(criterion), case()) == (None, [])


@pytest.mark.parametrize(
    ("sides", "merged"),
    [
        ([], Side.NONE),
        ([Side.NONE], Side.NONE),
        ([Side.LEFT, Side.NONE], Side.LEFT),
        ([Side.LEFT, Side.RIGHT], Side.BOTH),
        ([Side.BOTH], Side.BOTH),
    ],
)
def test_sides_are_merged(sides, merged):
    assert merged_side(sides) is merged
