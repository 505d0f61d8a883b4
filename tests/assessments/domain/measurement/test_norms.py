"""Norms row by row as norms.csv prints them, and what is said where there is none."""

import csv
import io
from decimal import Decimal

import pytest

from assessments.domain.norms import norm_for, norm_value, why_no_norm
from assessments.domain.reading import read_assessment_tables
from assessments.domain.record import Record
from clinic.domain.tables import Reader


@pytest.fixture(scope="session")
def norms(reference_texts):
    return read_assessment_tables(Reader(reference_texts)).norms


@pytest.fixture(scope="session")
def printed_rows(reference_texts):
    return list(csv.DictReader(io.StringIO(reference_texts["norms.csv"])))


def client(age, sex):
    facts = {"age_years": None if age is None else Decimal(age), "sex": sex}
    return Record(None, {key: one for key, one in facts.items() if one}, frozenset(), {}, {})


def test_every_row_is_found_at_both_ends_of_its_band(norms, printed_rows):
    assert len(printed_rows) == 20

    for row in printed_rows:
        for age in (row["age_min"], row["age_max"]):
            found = norm_for(row["test"], client(age, row["sex"].replace("any", "f")), norms)
            assert found.basis == row["basis"]
            if row["value"]:
                assert found.value.at(Decimal(age), man=False) == Decimal(row["value"])
            if row["lower_limit"]:
                lowest = found.lower_limit.at(Decimal(age), man=False)
                assert lowest == Decimal(row["lower_limit"])
            else:
                assert (found.lower_limit is None) == (not row["lower_limit_equation"])


# RV131 with the worked example of EVALUATION.md, 7: man of 40; woman by the same equation
@pytest.mark.parametrize(("sex", "expected"), [("m", "1.615"), ("f", "1.400")])
def test_hip_abduction_follows_its_equation(norms, sex, expected):
    found = norm_value("hip_abduction_strength", client("40", sex), norms)

    assert found == Decimal(expected)


@pytest.mark.parametrize(
    ("test", "age", "sex", "why"),
    [
        ("heel_raises", "46", "f", ""),
        ("knee_to_wall", "46", "x", ""),
        ("single_leg_hop", "46", "f", "no norm: none is published for this test"),
        ("heel_raises", None, "f", "no norm: the age was not given"),
        ("heel_raises", "46", None, "no norm: the sex was not given"),
        (
            "heel_raises",
            "46",
            "x",
            "no norm: it differs by sex, and none is published for the one recorded",
        ),
        (
            "hip_abduction_strength",
            "40",
            "x",
            "no norm: it differs by sex, and none is published for the one recorded",
        ),
        ("hip_abduction_strength", "68", "m", "no norm: it covers the ages 18 to 65, not 68"),
        ("side_plank", "31", "f", "no norm: it covers the ages 18 to 30, not 31"),
    ],
)
def test_what_is_said_where_there_is_no_norm(norms, test, age, sex, why):
    assert why_no_norm(test, client(age, sex), norms) == why
    assert (norm_value(test, client(age, sex), norms) is None) == bool(why)
