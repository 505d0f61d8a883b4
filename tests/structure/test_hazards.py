"""The hazard log: each hazard has its causes, controls, tests that exist, and what remains.

Asked for by DCB0129 and ISO 14971:2019 (hazards, controls, their verification, residual risk).
"""

import csv

import pytest
from django.conf import settings

LOG = settings.REFERENCE_DIR / "safety" / "hazards.csv"
HARM, CHANCE = ("minor", "serious", "critical"), ("rare", "possible", "likely")


def hazards():
    return list(csv.DictReader(LOG.read_text(encoding="utf-8").splitlines()))


def by_name():
    return pytest.mark.parametrize("row", hazards(), ids=lambda row: row["hazard"])


def weight(risk):
    """How grave and how likely, as numbers that can be compared."""
    harm, chance = risk.split(", ")
    return HARM.index(harm), CHANCE.index(chance)


def test_no_hazard_stands_twice():
    names = [row["hazard"] for row in hazards()]

    assert len(names) == len(set(names)) >= 30


@by_name()
def test_every_column_says_something(row):
    assert all(value.strip() for value in row.values())


@by_name()
def test_every_control_is_proved_by_tests_that_exist(row):
    for name in row["proved_by"].split():
        path = settings.BASE_DIR / name
        files = list(path.rglob("test_*.py")) if path.is_dir() else [path]
        assert files
        assert all("def test_" in file.read_text(encoding="utf-8") for file in files), name


@by_name()
def test_what_remains_is_less_than_what_was(row):
    first, left = weight(row["first_risk"]), weight(row["remaining_risk"])

    assert left <= first
    assert sum(left) < sum(first)
