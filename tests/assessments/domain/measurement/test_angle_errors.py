"""The error of every angle and distance: closed forms, simulation, and another library."""

from math import degrees

import numpy as np
import pytest
from uncertainties import ufloat, umath

from assessments.domain.camera import Camera, Points, Up, View
from assessments.domain.centre_of_mass import ahead_of_centre, centre_of_mass
from assessments.domain.distances import ahead, fraction_of_leg, length
from assessments.domain.frames import FRONTAL_CODES, SIDE_CODES, Settings, frame_measures
from assessments.domain.frontal import Frontal, midline_distance
from assessments.domain.geometry import knee_flexion, segment_angle
from assessments.domain.measured import Measured
from assessments.domain.segment_tables import SegmentTable
from assessments.domain.segments import segment
from tests.assessments.domain.measurement.poses import FRONTAL, SIDE, random_poses
from tests.assessments.domain.measurement.published import document

CASES = document("uncertainty_cases.json")
POSES, CLICKS, AT_ONCE = 200, 16_000, 10
# heel and toe are 85 px apart: the error stays small against the shortest line
CLICK_SD = 0.8
CAMERA = Camera(plumb_deg=2.0, scale_m_per_unit=0.0025, click_sd=CLICK_SD)


def every_side_measure(points):
    settings = Settings(CAMERA, standing_foot_deg=4.0)
    measures = frame_measures(points, view=View.SIDE, settings=settings)
    without = {name: array for name, array in points.items() if name != "fibular_head"}
    plain = frame_measures(without, view=View.SIDE, settings=settings)
    placed = Points(points)
    leva = centre_of_mass(placed, table=SegmentTable.DE_LEVA, sex="f")
    heel = ahead(placed, CAMERA, of="greater_trochanter", by="heel")
    leg = length(placed, CAMERA, start="lateral_malleolus", end="greater_trochanter")
    return {code: measures[code] for code in SIDE_CODES} | {
        "knee by epicondyle": plain["knee_flexion"],
        "ankle by epicondyle": plain["ankle_dorsiflexion"],
        "heel to centre, de Leva": ahead_of_centre(placed, leva, CAMERA, by="heel"),
        "ankle to centre": ahead_of_centre(
            placed, centre_of_mass(placed), CAMERA, by="lateral_malleolus"
        ),
        "ankle to hip": ahead(placed, CAMERA, of="greater_trochanter", by="lateral_malleolus"),
        "heel to hip of leg length": fraction_of_leg(heel, Measured(0.9, 0.0)),
        "ankle to hip length": leg,
    }


def every_frontal_measure(points):
    measures = frame_measures(points, view=View.BACK, side="right", settings=Settings(CAMERA))
    mirrored = {name: place * (-1, 1) for name, place in points.items()}
    front = frame_measures(mirrored, view=View.FRONT, side="left", settings=Settings(CAMERA))
    seen = Frontal(Points(mirrored), View.FRONT, "right", CAMERA)
    return (
        {code: measures[code] for code in FRONTAL_CODES}
        | {f"{code}, front": front[code] for code in FRONTAL_CODES}
        | {"knee to midline": midline_distance(seen, "knee_centre")}
    )


@pytest.mark.parametrize(
    ("pose", "measured"), [(SIDE, every_side_measure), (FRONTAL, every_frontal_measure)]
)
def test_errors_agree_with_simulated_clicks(pose, measured):
    """200 random poses, 16 000 clicks each: every sd within 3 % of the scatter of the values."""
    poses = random_poses(pose, POSES, seed=4)
    stated = {code: measure.sd for code, measure in measured(poses).items()}
    random = np.random.default_rng(5)
    for first in range(0, POSES, AT_ONCE):
        clicked = {
            name: (
                place[first : first + AT_ONCE, None]
                + random.normal(0, CLICK_SD, (AT_ONCE, CLICKS, 2))
            ).reshape(-1, 2)
            for name, place in poses.items()
        }
        for code, measure in measured(clicked).items():
            scatter = measure.value.reshape(AT_ONCE, CLICKS).std(axis=1)
            ratio = stated[code][first : first + AT_ONCE] / scatter
            assert np.abs(ratio - 1).max() < 0.03, code


def test_segment_angle_error_is_the_closed_form():
    """U3. root 2 s / L; 1e-4 deg."""
    case = CASES["segment_angle"]
    points = Points(dict(zip(("end", "start"), case["points"], strict=True)))
    camera = Camera(click_sd=case["s"])

    angle = segment_angle(segment(points, start="start", end="end", camera=camera))

    length_px = np.hypot(*case["points"][0])
    assert angle.sd == pytest.approx(degrees(np.sqrt(2) * case["s"] / length_px), abs=1e-4)
    # the file prints the expected value to 0.001
    assert angle.sd == pytest.approx(case["expected_deg"], abs=5e-4)


def test_joint_angle_error_is_the_closed_form():
    """U4. Flexion 30.9638 and its error 1.3626 deg; 1e-3."""
    case = CASES["joint_angle"]["cases"][0]
    points = Points({name: case[name] for name in ("hip", "knee", "ankle")})
    camera = Camera(y_axis=Up.DOWN, click_sd=case["s_px"])
    thigh = segment(points, start="knee", end="hip", camera=camera)
    leg = segment(points, start="ankle", end="knee", camera=camera)

    flexion = knee_flexion(thigh, leg)

    assert abs(flexion.value) == pytest.approx(case["flexion_deg"], abs=1e-3)
    assert flexion.sd == pytest.approx(case["expected_u_deg"], abs=1e-3)


def test_error_of_a_ratio():
    """U1. (4.0 +- 0.5) / (2.0 +- 0.2) = 2.00 +- 0.32; 0.005."""
    case = CASES["ratio"]
    leg = Measured(case["V"][0] / 100, case["V"][1] / 100)

    ratio = fraction_of_leg(Measured(*case["m"]), leg)

    assert (ratio.value, ratio.sd) == pytest.approx(case["expected"], abs=0.005)


def uncertain(name):
    return [ufloat(number, CLICK_SD) for number in SIDE[name]]


def leans(*lines, placed):
    return [
        umath.atan2(placed[end][0] - placed[start][0], placed[end][1] - placed[start][1])
        for start, end in lines
    ]


def test_errors_agree_with_the_uncertainties_package():
    """Automatic differentiation of the same formula; equal to rounding."""
    placed = {name: uncertain(name) for name in SIDE}
    hip, knee, ankle = "greater_trochanter", "lateral_femoral_epicondyle", "lateral_malleolus"
    trunk, body, thigh, leg, joint_leg, foot, upper, fore = leans(
        (hip, "acromion"), (ankle, hip), (knee, hip), (ankle, knee), (ankle, "fibular_head"),
        ("heel", "fifth_metatarsal_head"), ("lateral_humeral_epicondyle", "acromion"),
        ("ulnar_styloid", "lateral_humeral_epicondyle"), placed=placed,
    )  # fmt: skip
    expected = {
        "trunk_lean": trunk,
        "body_line_lean": body,
        "hip_hinge_angle": trunk - body,
        "shank_angle": -leg,
        "thigh_angle": -thigh,
        "knee_flexion": joint_leg - thigh,
        "hip_flexion": trunk - thigh,
        "hip_extension": thigh,
        "ankle_dorsiflexion": np.pi / 2 + joint_leg - foot,
        "foot_inclination": np.pi / 2 - foot,
        "elbow_flexion": upper - fore,
    }

    measures = frame_measures(SIDE, view=View.SIDE, settings=Settings(Camera(click_sd=CLICK_SD)))

    for code, angle in expected.items():
        assert measures[code].value == pytest.approx(degrees(angle.n), abs=1e-9), code
        assert measures[code].sd == pytest.approx(degrees(angle.s), rel=1e-9), code


def test_error_is_unknown_without_the_click_error():
    measures = frame_measures(SIDE, view=View.SIDE)

    assert np.isfinite(measures["trunk_lean"].value)
    assert np.isnan(measures["trunk_lean"].sd)
