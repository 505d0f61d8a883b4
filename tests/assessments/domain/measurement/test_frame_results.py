"""Measures of placed frames: constructed poses, whose angles are known by construction.

For pelvic drop, eversion, elbow and the distance to the centre of mass no published coordinates
were found; they are checked by geometry alone.
"""

import numpy as np
import pytest

from assessments.domain.camera import Facing, Up, View
from assessments.domain.frame_results import frame_results, frame_warnings
from assessments.domain.placed import PlacedFrame
from assessments.domain.vocabulary import Side
from tests.assessments.domain.measurement.trials import (
    frame,
    numbers,
    side_points,
    trial,
    turned,
)

SIGNED = {
    "trunk_lean": 8.0,
    "shank_angle": 5.0,
    "thigh_angle": 20.0,
    "hip_extension": -20.0,
    "knee_flexion": 15.0,  # thigh less shank: Winter 2009, Table A.4
    "hip_flexion": 28.0,
    "foot_inclination": 12.0,
    "ankle_dorsiflexion": 7.0,  # foot against shank, square at 0
    "elbow_flexion": 80.0,
    "heel_to_hip": 100 * (0.4 * np.sin(np.radians(20)) + 0.42 * np.sin(np.radians(5)) - 0.05),
}


def test_side_view_gives_the_angles_that_the_pose_was_made_of():
    (result,) = frame_results(trial(frame(28)))

    found = numbers(result)
    assert (result.frame, result.side) == (28, Side.RIGHT)
    assert {code: found[code] for code in SIGNED} == pytest.approx(SIGNED, abs=1e-6)
    assert found["hip_hinge_angle"] == pytest.approx(8 - found["body_line_lean"])
    assert set(result.missing) == {"pelvic_drop", "hip_adduction", "knee_gap", "rearfoot_eversion"}


def test_mirrored_picture_with_the_other_facing_gives_the_same():
    points = {name: (-x, y) for name, (x, y) in side_points().items()}
    mirrored = trial(PlacedFrame(1, points, Side.RIGHT), facing=Facing.LEFT)

    assert numbers(frame_results(mirrored)[0]) == pytest.approx(
        numbers(frame_results(trial(frame(1)))[0]), abs=1e-6
    )


def test_pixel_rows_that_grow_downward_give_the_same():
    points = {name: (100 * x, 1080 - 100 * y) for name, (x, y) in side_points().items()}
    down = trial(
        PlacedFrame(1, points, Side.RIGHT), y_axis=Up.DOWN, scale_m_per_unit=0.01, click_sd=0.2
    )

    (one,), (other,) = frame_results(down), frame_results(trial(frame(1)))
    assert numbers(one) == pytest.approx(numbers(other), abs=1e-6)
    for code, measure in one.values.items():
        assert measure.sd == pytest.approx(other.values[code].sd)


@pytest.mark.parametrize("facing", Facing)
def test_plumb_line_sets_a_tilted_camera_right(facing):
    sense = 1 if facing is Facing.RIGHT else -1
    points = {name: (sense * x, y) for name, (x, y) in side_points().items()}
    tilted = trial(PlacedFrame(1, turned(points, 3), Side.RIGHT), plumb_deg=3, facing=facing)

    assert numbers(frame_results(tilted)[0]) == pytest.approx(
        numbers(frame_results(trial(frame(1)))[0]), abs=1e-6
    )


def test_plumb_line_leaves_joint_angles_alone():
    plain, tilted = trial(frame(1)), trial(frame(1), plumb_deg=4)

    one, other = numbers(frame_results(plain)[0]), numbers(frame_results(tilted)[0])
    joints = ("knee_flexion", "hip_flexion", "ankle_dorsiflexion", "elbow_flexion")
    assert [one[code] for code in joints] == pytest.approx([other[code] for code in joints])
    assert other["trunk_lean"] == pytest.approx(one["trunk_lean"] - 4)


def test_standing_foot_is_taken_off_and_said_where_it_is_not():
    bare, less = trial(frame(1)), trial(frame(1), standing_foot_deg=4.5)

    assert numbers(frame_results(less)[0])["foot_inclination"] == pytest.approx(7.5)
    said = "foot_inclination is as seen: standing_foot_deg is not given"
    assert said in frame_warnings(bare)
    assert said not in frame_warnings(less)


def test_missing_landmark_is_named_with_its_frame_and_leaks_nowhere():
    points = side_points()
    del points["acromion"]
    whole, short = frame_results(trial(frame(7), PlacedFrame(9, points, Side.RIGHT)))

    assert str(short.missing["trunk_lean"]).startswith("acromion in frame 9: ")
    assert "trunk_lean" in whole.values
    assert numbers(short)["knee_flexion"] == numbers(whole)["knee_flexion"]


def test_coincident_landmarks_are_named():
    points = side_points() | {"acromion": side_points()["greater_trochanter"]}
    (result,) = frame_results(trial(PlacedFrame(3, points, Side.RIGHT)))

    assert "one place" in str(result.missing["trunk_lean"])


def test_frame_without_any_landmark_lists_every_code_as_missing():
    (result,) = frame_results(trial(PlacedFrame(3, {}, None)))

    assert (dict(result.values), len(result.missing)) == ({}, 17)


def test_trial_without_view_has_no_measure_and_says_so():
    (result,) = frame_results(trial(frame(3), view=None))

    assert dict(result.values) == {}
    assert {str(reason) for reason in result.missing.values()} == {"view: is not given"}
    assert frame_warnings(trial(frame(3), view=None)) == []


def test_without_scale_there_are_angles_only():
    (result,) = frame_results(trial(frame(3), scale_m_per_unit=None))

    assert "trunk_lean" in result.values
    assert {"heel_to_com", "heel_to_hip"} <= set(result.missing)


def test_without_click_error_the_error_is_not_known_and_that_is_said():
    placed = trial(frame(3), click_sd=None)

    assert np.isnan(frame_results(placed)[0].values["trunk_lean"].sd)
    assert "click_sd is not given, so no angle or distance has an error" in frame_warnings(placed)


def test_axes_that_were_not_given_are_taken_and_said():
    placed = trial(frame(3), facing=None, y_axis=None)

    assert numbers(frame_results(placed)[0]) == numbers(frame_results(trial(frame(3)))[0])
    assert "facing is not given: taken as right, all signs rest on it" in frame_warnings(placed)
    assert "y_axis is not given: taken as up, all signs rest on it" in frame_warnings(placed)


# swing side 0.02 m lower over 0.24 m: arcsin, by construction
@pytest.mark.parametrize("stance", [Side.LEFT, Side.RIGHT])
def test_back_view_gives_the_drop_of_the_swing_side(stance):
    low = -0.02
    points = {
        "left_psis": (-0.12, 1.0 + (low if stance is Side.RIGHT else 0)),
        "right_psis": (0.12, 1.0 + (low if stance is Side.LEFT else 0)),
    }
    (result,) = frame_results(trial(PlacedFrame(5, points, stance), view=View.BACK))

    assert numbers(result)["pelvic_drop"] == pytest.approx(np.degrees(np.arctan2(0.02, 0.24)))


def test_front_view_gives_the_distance_of_the_knees():
    points = {"left_knee_centre": (0.06, 0.5), "right_knee_centre": (-0.05, 0.5)}
    (result,) = frame_results(trial(PlacedFrame(5, points, Side.LEFT), view=View.FRONT))

    assert numbers(result)["knee_gap"] == pytest.approx(11)


def test_frontal_frame_without_stance_leg_says_so():
    points = {"left_psis": (-0.12, 1.0), "right_psis": (0.12, 1.0)}
    (result,) = frame_results(trial(PlacedFrame(5, points, None), view=View.BACK))

    assert "the stance leg is not given" in str(result.missing["pelvic_drop"])


def test_no_frames_give_nothing():
    assert frame_results(trial()) == ()
    assert frame_warnings(trial()) == []
