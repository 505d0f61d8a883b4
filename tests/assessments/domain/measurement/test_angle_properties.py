"""What must not change the side view, and what must not spread: invented poses of hypothesis."""

from dataclasses import replace
from math import cos, radians, sin

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from assessments.domain.camera import Camera, Facing, Up, View
from assessments.domain.frames import SIDE_CODES, Settings, frame_measures
from tests.assessments.domain.measurement.poses import SIDE, random_poses

CAMERA = Camera(scale_m_per_unit=0.0025, click_sd=1.5)
JOINTS = ("hip_hinge_angle", "knee_flexion", "hip_flexion", "ankle_dorsiflexion", "elbow_flexion")
DISTANCES = ("heel_to_com", "heel_to_hip")
seeds = st.integers(0, 2**32 - 1)
few = settings(max_examples=40, deadline=None)


def poses(seed, count=3):
    return random_poses(SIDE, count, seed, spread=25.0)


def measured(points, camera=CAMERA):
    return frame_measures(points, view=View.SIDE, settings=Settings(camera))


def moved(points, change):
    return {name: change(place) for name, place in points.items()}


def assert_same(one, other, codes=SIDE_CODES):
    for code in codes:
        apart = np.asarray(one[code].value) - other[code].value
        if code not in DISTANCES:
            apart -= 360 * np.rint(apart / 360)
        assert apart == pytest.approx(np.zeros_like(apart), abs=1e-7), code
        assert one[code].sd == pytest.approx(other[code].sd, rel=1e-6), code


@few
@given(seeds)
def test_mirrored_picture_with_facing_changed_measures_the_same(seed):
    points = poses(seed)

    mirrored = moved(points, lambda place: place * (-1, 1))

    assert_same(measured(points), measured(mirrored, replace(CAMERA, facing=Facing.LEFT)))


@few
@given(seeds)
def test_rows_that_grow_downward_measure_the_same(seed):
    points = poses(seed)

    rows = moved(points, lambda place: np.stack([place[:, 0], 1080 - place[:, 1]], axis=1))

    assert_same(measured(points), measured(rows, replace(CAMERA, y_axis=Up.DOWN)))


@few
@given(seeds, st.floats(-1e4, 1e4), st.floats(-1e4, 1e4))
def test_shift_changes_nothing(seed, right, up):
    points, shift = poses(seed), np.array([right, up])

    assert_same(measured(points), measured(moved(points, lambda place: place + shift)))


@few
@given(seeds, st.floats(1e-3, 1e3))
def test_other_units_change_nothing(seed, factor):
    points = poses(seed)
    camera = replace(
        CAMERA,
        scale_m_per_unit=CAMERA.scale_m_per_unit / factor,
        click_sd=CAMERA.click_sd * factor,
    )

    assert_same(measured(points), measured(moved(points, lambda place: place * factor), camera))


@few
@given(seeds, st.floats(-45, 45), st.sampled_from(Facing), st.sampled_from(Up))
def test_turned_picture_with_its_plumb_line_measures_the_same(seed, plumb, facing, up):
    """The picture turned clockwise by plumb, as seen; then written in the camera's axes."""
    points, turn = poses(seed), radians(plumb)
    matrix = np.array([[cos(turn), -sin(turn)], [sin(turn), cos(turn)]])
    sense = (1 if facing is Facing.RIGHT else -1, 1)

    turned = moved(points, lambda place: (place * sense) @ matrix)
    written = moved(turned, lambda place: place * (1, 1 if up is Up.UP else -1))

    camera = replace(CAMERA, facing=facing, y_axis=up, plumb_deg=plumb)
    assert_same(measured(points), measured(written, camera))


@few
@given(seeds, st.floats(-45, 45))
def test_plumb_line_leaves_joint_angles_alone(seed, plumb):
    points = poses(seed)

    level, leaning = measured(points), measured(points, replace(CAMERA, plumb_deg=plumb))

    assert_same(level, leaning, JOINTS)
    shift = leaning["trunk_lean"].value - level["trunk_lean"].value
    assert shift == pytest.approx(np.full(3, -plumb), abs=1e-7)


@few
@given(seeds, st.sampled_from(sorted(SIDE)), st.integers(0, 2), st.integers(0, 1))
def test_gap_in_one_landmark_stays_in_its_frame(seed, name, frame, axis):
    points = poses(seed)
    gap = {key: place.copy() for key, place in points.items()}
    gap[name][frame, axis] = np.nan

    whole, broken = measured(points), measured(gap)

    for code in SIDE_CODES:
        kept = np.arange(3) != frame
        assert np.array_equal(whole[code].value[kept], broken[code].value[kept]), code
        assert np.array_equal(whole[code].sd[kept], broken[code].sd[kept]), code
        assert np.array_equal(broken[code].missing, np.isnan(broken[code].sd)), code
        reason = broken[code].reason(frame)
        assert (reason is not None) == bool(broken[code].missing[frame]), code
        if reason is not None:
            assert (name in reason.what, reason.frame) == (True, frame)


@few
@given(seeds)
def test_one_frame_measures_as_an_array_of_one(seed):
    points = poses(seed, count=1)

    many, one = measured(points), measured(moved(points, lambda place: place[0]))

    for code in SIDE_CODES:
        assert one[code].value == pytest.approx(many[code].value[0], abs=1e-9)
        assert np.ndim(one[code].value) == 0


@few
@given(seeds, st.floats(-30, 30))
def test_trunk_and_body_line_make_the_hinge(seed, standing):
    """By definition: hip hinge = trunk lean - body line lean; extension = - thigh angle."""
    measures = measured(poses(seed))
    assume(np.abs(measures["trunk_lean"].value).max() < 90)
    hinge = measures["trunk_lean"].value - measures["body_line_lean"].value
    inclined = frame_measures(
        poses(seed), view=View.SIDE, settings=Settings(CAMERA, standing_foot_deg=standing)
    )

    assert measures["hip_hinge_angle"].value == pytest.approx(hinge)
    assert measures["hip_extension"].value == pytest.approx(-measures["thigh_angle"].value)
    assert inclined["foot_inclination"].value == pytest.approx(
        measures["foot_inclination"].value - standing
    )
