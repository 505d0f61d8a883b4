"""Angles and centres of mass against published ones; ids as in the table of outside checks."""

from itertools import pairwise

import numpy as np
import pytest

from assessments.domain.camera import Camera, Points, View
from assessments.domain.centre_of_mass import segment_centre, weights
from assessments.domain.frames import frame_measures
from assessments.domain.geometry import knee_flexion, segment_angle
from assessments.domain.segment_tables import (
    DE_LEVA,
    DEMPSTER_WINTER,
    HEIGHT_SHARES,
    SegmentTable,
    length_from_height,
)
from assessments.domain.segments import segment
from tests.assessments.domain.measurement.published import columns, document, pairs, rows

WINTER = columns("winter_wm22_extract.csv")
CAMERA = Camera()


def winter_points(prefix="fil_", suffix="_m"):
    names = ("hip", "knee", "fib", "ank")
    return Points({name: pairs(WINTER, f"{prefix}{name}_", suffix) for name in names})


def line(points, start, end):
    return segment(points, start=start, end=end, camera=CAMERA)


def worst(measured, published):
    return np.abs(np.asarray(measured.value) - published).max()


@pytest.mark.parametrize(
    ("start", "end", "table"),
    [("ank", "knee", "A3_theta_leg_deg"), ("knee", "hip", "A3_theta_thigh_deg")],
)
def test_segment_angles_agree_with_winter(start, end, table):
    """W1, W2. Winter (2009) Table A.3; 0.10 deg: printed to 0.1, coordinates to 0.1 mm."""
    angle = segment_angle(line(winter_points(), start, end))

    assert worst(angle, WINTER[table]) <= 0.10


def test_knee_flexion_agrees_with_winter_by_the_fibula():
    """W4. Winter (2009) Table A.4, leg line from fibula to ankle; 0.10 deg."""
    points = winter_points()

    flexion = knee_flexion(line(points, "knee", "hip"), line(points, "ank", "fib"))

    assert worst(flexion, WINTER["A4_knee_deg"]) <= 0.10


def test_knee_flexion_by_the_epicondyle_is_another_angle():
    """Winter (2009): the leg lines differ, by 6.9 deg in all frames of the trial, 6.4 in these."""
    points = winter_points()

    flexion = knee_flexion(line(points, "knee", "hip"), line(points, "ank", "knee"))

    assert worst(flexion, WINTER["A4_knee_deg"]) == pytest.approx(6.4, abs=0.1)


def test_centre_of_the_leg_agrees_with_winter():
    """W8. Winter (2009) Table A.3, 0.433 from the knee; 0.6 mm: printed to 1 mm."""
    points = winter_points()

    centre = segment_centre(points["knee"], points["ank"], 0.433)

    assert np.abs(centre - pairs(WINTER, "A3_com_leg_", "_m")).max() <= 0.0006


def test_angles_from_raw_coordinates_stay_within_digitising_noise():
    """W9. Winter (2009) Tables A.1 against A.3, A.4; 2.5 deg: noise of about 2.5 mm."""
    points = winter_points("raw_", "_cm")

    leg = segment_angle(line(points, "ank", "knee"))
    flexion = knee_flexion(line(points, "knee", "hip"), line(points, "ank", "fib"))

    assert worst(leg, WINTER["A3_theta_leg_deg"]) <= 2.5
    assert worst(flexion, WINTER["A4_knee_deg"]) <= 2.5


@pytest.mark.parametrize("part", ["foot", "leg"])
def test_centres_agree_with_the_worked_example(part):
    """B1. com_worked_example.json; 0.51 mm: printed to 1 mm."""
    case = document("com_worked_example.json")
    fractions = case["fractions"][part]
    ends = [case["points_m"][fractions[end]] for end in ("proximal", "distal")]

    centre = segment_centre(*ends, fractions["com_from_proximal"])

    assert centre == pytest.approx(case["expected_m"][part], abs=0.00051)


def test_dempster_masses_add_up():
    """B2. bsp_dempster_winter.csv: whole body 1, arm 0.050, leg 0.161, HAT 0.678; 0.0015."""
    upper, lower = DEMPSTER_WINTER
    sums = [sum(part.mass for part in whole) for whole in (*upper, *lower)]

    assert sums == pytest.approx([0.678, 0.678, 0.678, 0.322, 0.322], abs=0.0015)
    assert sum(part.mass for part in upper[0][2:]) / 2 == pytest.approx(0.050, abs=0.0015)


def test_dempster_values_are_the_published_ones():
    """bsp_dempster_winter.csv, cell by cell."""
    published = {row["segment"]: row for row in rows("bsp_dempster_winter.csv")}
    names = {
        "upper arms": ("Upper arm", 2),
        "forearms with hands": ("Forearm hand", 2),
        "trunk": ("Trunk", 1),
        "head and neck": ("Head neck", 1),
        "trunk, head and neck": ("Trunk head neck", 1),
        "head, arms and trunk": ("HAT", 1),
        "thighs": ("Thigh", 2),
        "legs": ("Leg", 2),
        "feet": ("Foot", 2),
        "legs with feet": ("Foot leg", 2),
    }
    parts = {part.name: part for group in DEMPSTER_WINTER for whole in group for part in whole}

    assert parts.keys() == names.keys()
    for name, part in parts.items():
        row, sides = published[names[name][0]], names[name][1]
        assert (part.mass, part.along) == (
            sides * float(row["mass_fraction"]),
            float(row["com_from_proximal"]),
        )


@pytest.mark.parametrize("sex", ["f", "m"])
def test_de_leva_values_are_the_published_ones(sex):
    """bsp_deleva.csv, cell by cell; masses of a sex add up to 1 (0.0015: printed to 0.0001)."""
    published = {
        row["segment"]: row for row in rows("bsp_deleva.csv") if row["sex"] == sex.upper()
    }
    names = {
        "trunk": ("Trunk 3", 1),
        "head": ("Head 2", 1),
        "upper arms": ("Upper arm", 2),
        "forearms": ("Forearm 2", 2),
        "hands": ("Hand 3", 2),
        "thighs": ("Thigh", 2),
        "shanks": ("Shank 2", 2),
        "feet": ("Foot", 2),
    }
    parts = {part.name: part for group in DE_LEVA[sex] for whole in group for part in whole}

    assert parts.keys() == names.keys()
    for name, part in parts.items():
        row, sides = published[names[name][0]], names[name][1]
        assert part.mass == sides * float(row["mass_fraction"])
        if part.start != part.end:
            assert part.along == float(row["com_fraction"])
    assert sum(part.mass for part in parts.values()) == pytest.approx(1, abs=0.0015)


def test_lengths_from_height():
    """B5. lengths_drillis_contini.csv; a runner of 1.810 m has the trochanter at 0.967 m; 2 %."""
    published = {
        row["item"]: float(row["fraction_of_height"])
        for row in rows("lengths_drillis_contini.csv")
    }

    assert {item: published[item] for item in HEIGHT_SHARES} == HEIGHT_SHARES
    assert length_from_height("hip height", 1.810) == pytest.approx(0.967, rel=0.02)


def test_weights_of_a_whole_body_sum_to_one():
    """By definition, for both tables."""
    names = {
        "tragus", "acromion", "lateral_humeral_epicondyle", "ulnar_styloid", "heel",
        "greater_trochanter", "lateral_femoral_epicondyle", "lateral_malleolus",
        "fifth_metatarsal_head", "second_toe_tip",
    }  # fmt: skip

    for table, sex in ((SegmentTable.DEMPSTER_WINTER, None), (SegmentTable.DE_LEVA, "f")):
        whole = weights(frozenset(names), table, sex)
        assert sum(share for _, share in whole.landmarks) == pytest.approx(1)
        assert whole.missing == ()


def stride_curves():
    """Right knee and hip angle of the three whole strides, mean of 101 points each."""
    table = columns("run01_landmarks.csv")
    names = {
        "greater_trochanter": "gtr",
        "lateral_femoral_epicondyle": "knee",
        "lateral_malleolus": "ankle",
    }
    points = {name: pairs(table, f"r_{short}_", "_mm") for name, short in names.items()}
    measures = frame_measures(points, view=View.SIDE)
    starts = [float(row["start_s"]) for row in rows("run01_contacts.csv") if row["side"] == "R"]
    within = [start for start in starts if 5.0 <= start <= 8.0]
    curves = {
        code: np.mean(
            [
                np.interp(np.linspace(one, two, 101), table["time_s"], measures[code].value)
                for one, two in pairwise(within)
            ],
            axis=0,
        )
        for code in ("knee_flexion", "thigh_angle")
    }
    return curves, columns("run01_published_angles.csv")


def test_knee_over_the_stride_agrees_with_the_authors():
    """R2. Fukuchi, Fukuchi & Duarte (2017), 3-D, mean of 34 strides; RMS 5, most 8 deg."""
    curves, published = stride_curves()

    apart = curves["knee_flexion"] - published["knee_mean_deg"]

    assert np.sqrt(np.mean(apart**2)) <= 5
    assert np.abs(apart).max() <= 8


def test_knee_range_and_peaks_agree_with_the_authors():
    """R3. Same source: range 72.6, swing 86.7 at 70 %, stance 43.1 at 16 %; 4 deg, 2 %."""
    knee = stride_curves()[0]["knee_flexion"]
    swing, stance = int(knee.argmax()), int(knee[:40].argmax())

    assert np.ptp(knee) == pytest.approx(72.6, abs=4)
    assert (knee[swing], swing) == (pytest.approx(86.7, abs=4), pytest.approx(70, abs=2))
    assert (knee[stance], stance) == (pytest.approx(43.1, abs=4), pytest.approx(16, abs=2))


def test_thigh_range_agrees_with_the_hip_range_of_the_authors():
    """R4. Same source: hip range 47.1 deg; 4 deg, as the pelvis is not in the thigh angle."""
    assert np.ptp(stride_curves()[0]["thigh_angle"]) == pytest.approx(47.1, abs=4)
