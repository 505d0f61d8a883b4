"""Totals of scales: checks H1 and H2, whose rules and ranges are published."""

import json
from decimal import Decimal
from pathlib import Path

import pytest

from assessments.domain.measured import SettingError
from assessments.domain.scales import activity_scale_mean, foot_posture, foot_posture_total

SCALES = json.loads((Path(__file__).parent / "data" / "scales.json").read_text())


# H1: Stratford 1995, exact
@pytest.mark.parametrize("case", SCALES["psfs"]["cases_computed_here"])
def test_activity_scale_is_the_mean(case):
    assert activity_scale_mean(case["scores"]) == Decimal(str(case["mean"]))


@pytest.mark.parametrize("scores", [[], [11], [-1, 5]])
def test_activity_scale_refuses_scores_off_the_scale(scores):
    with pytest.raises(SettingError, match="activities"):
        activity_scale_mean(scores)


# H2: Redmond 2006, exact
@pytest.mark.parametrize("case", SCALES["fpi6"]["cases_computed_here"])
def test_foot_posture_total_and_class(case):
    total = foot_posture_total(case["items"])

    assert (total, foot_posture(total)) == (case["total"], case["category"])


@pytest.mark.parametrize("category", SCALES["fpi6"]["categories"])
def test_every_total_of_a_range_has_its_class(category):
    low, high, words = category

    assert {foot_posture(total) for total in range(low, high + 1)} == {words}


@pytest.mark.parametrize("items", [[1] * 5, [1] * 7, [3, 0, 0, 0, 0, 0]])
def test_foot_posture_refuses_other_items(items):
    with pytest.raises(SettingError, match="six items"):
        foot_posture_total(items)


@pytest.mark.parametrize("total", [-13, 13])
def test_foot_posture_refuses_other_totals(total):
    with pytest.raises(SettingError, match="lies from -12 to 12"):
        foot_posture(total)
