"""Oxygen cost against its worked case; cadence change by hand and as published."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from assessments.domain.cadence import (
    EFFECTS,
    predicted_cadence,
    predicted_step_length,
    published_effects,
)
from assessments.domain.measured import Measured, MeasurementError, SettingError
from assessments.domain.oxygen import (
    metabolic_equivalents,
    oxygen_cost,
    oxygen_warning,
    speed_for_oxygen,
)

CASE = json.loads((Path(__file__).parent / "data/acsm_running_cases.json").read_text())["cases"][0]
REFERENCES = Path(__file__).parents[4] / "fixtures/reference_values.csv"


def test_speed_for_eight_times_rest():
    # E1: ACSM equation, worked step by step in a public handout; 0.01 m/min
    speed = speed_for_oxygen(CASE["vo2"])

    assert speed * 60 == pytest.approx(CASE["expected_speed_m_min"], abs=CASE["tolerance"][0])
    assert speed * 60 / 26.8 == pytest.approx(CASE["expected_mph"], abs=CASE["tolerance"][1])
    assert metabolic_equivalents(oxygen_cost(speed).value) == pytest.approx(8.0)


def test_cost_on_a_grade():
    # by hand: 3.5 + 0.2 x 180 + 0.9 x 180 x 0.05
    assert oxygen_cost(3.0, 5.0).value == pytest.approx(47.6)
    assert oxygen_cost(np.array([3.0, 4.0])).value == pytest.approx([39.5, 51.5])


def test_error_of_cost_is_that_of_random_draws():
    # 200 speeds, grades and errors, 40 000 normal draws each; 3 %
    random = np.random.default_rng(1)
    for speed, grade, sd in random.uniform((2.3, 0, 0.02), (6, 10, 0.1), (200, 3)):
        drawn = random.normal(speed, sd, 40_000)

        assert oxygen_cost(speed, grade, speed_sd=sd).sd == pytest.approx(
            np.std(oxygen_cost(drawn, grade).value), rel=0.03
        )


@pytest.mark.parametrize(
    ("speed", "grade", "said"),
    [
        (1.2, 0, "slower than that"),
        (2.0, 0, "only if truly running"),
        (3.0, -1, "downhill"),
        (2.24, 0, ""),
    ],
)
def test_warning_outside_the_range(speed, grade, said):
    # Bushman 2020: above 134 m/min, 80 to 134 if truly running
    warning = oxygen_warning(speed, grade)

    assert said in warning
    assert bool(warning) == bool(said)


@pytest.mark.parametrize(("speed", "grade"), [(0, 0), (np.nan, 0), (3, np.inf), (3, -30)])
def test_cost_of_what_cannot_be_is_refused(speed, grade):
    with pytest.raises(SettingError):
        oxygen_cost(speed, grade)


def test_less_than_rest_is_refused():
    with pytest.raises(SettingError):
        speed_for_oxygen(3.5)
    with pytest.raises(MeasurementError):
        metabolic_equivalents(np.nan)


def test_effects_are_those_of_the_reference_table():
    # Heiderscheit 2011, as carried by reference_values.csv
    with REFERENCES.open(newline="") as file:
        rows = {row["id"]: row for row in csv.DictReader(file)}

    for effect in EFFECTS:
        row = rows[effect.reference]
        assert row["quantity"] == effect.quantity
        assert row["speed_or_condition"] == f"+{effect.percent}% step rate"
        assert float(row["value"]) == effect.mean
        assert row["spread"] == f"SD {effect.sd}"
        assert row["unit"] == effect.unit
        assert effect.source.startswith(row["source"].split(".")[0].split(",")[0])


def test_effects_differ_as_the_source_says():
    assert [effect.differs for effect in published_effects(5)] == [False, True, False, True, False]
    assert all(effect.differs for effect in published_effects(10))
    with pytest.raises(SettingError):
        published_effects(7)


def test_step_length_at_the_same_speed():
    # by hand: 2.5 m/s at 156.83 steps/min is 0.9564 m, with 5 % more 0.9109 m
    before = Measured(2.5 * 60 / 156.83, 0.0105)
    after = predicted_step_length(before, 5)
    cadence = predicted_cadence(Measured(156.83, 1.0), 5)

    assert after.value == pytest.approx(0.9109, abs=5e-5)
    assert after.sd == pytest.approx(0.01)
    assert after.value * cadence.value / 60 == pytest.approx(2.5)
    with pytest.raises(SettingError):
        predicted_step_length(before, -100)
