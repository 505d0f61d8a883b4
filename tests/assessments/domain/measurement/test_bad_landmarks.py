"""Landmarks and settings from which nothing honest can be computed."""

import numpy as np
import pytest

from assessments.domain.camera import Camera, Facing, Points, Up, View
from assessments.domain.centre_of_mass import MOST_MISSING, centre_of_mass
from assessments.domain.distances import fraction_of_leg, length, plumb_from, scale_from
from assessments.domain.frames import (
    FRONTAL_CODES,
    SIDE_CODES,
    Settings,
    frame_measures,
    trial_warnings,
)
from assessments.domain.measured import (
    LandmarkMissingError,
    LandmarksCoincideError,
    Measured,
    MeasurementError,
    SettingError,
)
from assessments.domain.segment_tables import SegmentTable, length_from_height
from tests.assessments.domain.measurement.poses import SIDE, random_poses

CAMERA = Camera(scale_m_per_unit=0.0025, click_sd=1.5)


def side(points, **given):
    return frame_measures(points, view=View.SIDE, settings=Settings(CAMERA, **given))


@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf])
def test_landmark_that_is_no_number_is_named_with_its_frame(wrong):
    points = random_poses(SIDE, 3, seed=1)
    points["acromion"][1, 0] = wrong

    lean = side(points)["trunk_lean"]

    assert lean.missing.tolist() == [False, True, False]
    assert np.isnan(lean.sd[1])
    assert str(lean.reason(1)) == "acromion in frame 1: is missing or not a finite number"
    with pytest.raises(LandmarkMissingError, match="acromion in frame 1"):
        lean.required()


def test_landmarks_on_one_place_are_named_with_their_frame():
    points = random_poses(SIDE, 3, seed=1)
    points["greater_trochanter"][2] = points["acromion"][2]

    measures = side(points)

    assert measures["trunk_lean"].missing.tolist() == [False, False, True]
    assert measures["hip_flexion"].missing.tolist() == [False, False, True]
    with pytest.raises(LandmarksCoincideError, match="greater_trochanter and acromion in frame 2"):
        measures["trunk_lean"].required()


def test_landmarks_too_far_apart_are_no_silent_number():
    """Squares beyond the range of the machine."""
    points = {**SIDE, "acromion": (1e200, 1e200)}

    with pytest.raises(LandmarksCoincideError, match="too far apart"):
        side(points)["trunk_lean"].required()


def test_absent_landmarks_leave_every_other_measure():
    measures = side(
        {"greater_trochanter": SIDE["greater_trochanter"], "acromion": SIDE["acromion"]}
    )

    there = {code for code in SIDE_CODES if not measures[code].missing.any()}

    assert there == {"trunk_lean"}
    assert str(measures["thigh_angle"].reason()) == (
        "lateral_femoral_epicondyle: is missing or not a finite number"
    )


def test_no_points_at_all_is_a_reason_for_every_code():
    measures = side({})

    assert set(measures) == {*SIDE_CODES, *FRONTAL_CODES}
    assert all(measures[code].reason() is not None for code in measures)


def test_no_frames_is_no_values():
    measures = side({name: np.empty((0, 2)) for name in SIDE})

    assert {measures[code].value.shape for code in SIDE_CODES} == {(0,)}


def test_no_scale_leaves_angles_and_says_so():
    measures = frame_measures(SIDE, view=View.SIDE)

    assert np.isfinite(measures["knee_flexion"].value)
    for code in ("heel_to_hip", "heel_to_com"):
        with pytest.raises(SettingError, match="scale_m_per_unit: is not given"):
            measures[code].required()


def test_measures_of_the_other_view_say_which_they_need():
    back = frame_measures(SIDE, view=View.BACK, side="left")

    assert str(side(SIDE)["pelvic_drop"].reason()) == "view: only a back or front view shows this"
    assert str(back["trunk_lean"].reason()) == "view: only a side view shows this"
    assert str(back["pelvic_drop"].reason()).startswith("left_psis: is missing")


def test_fibula_goes_through_all_frames_or_none():
    """A frame without it has no knee angle: the other leg line would differ by up to 7 deg."""
    points = random_poses(SIDE, 2, seed=1)
    points["fibular_head"][1] = np.nan
    nowhere = points | {"fibular_head": np.full((2, 2), np.nan)}

    assert side(points)["knee_flexion"].missing.tolist() == [False, True]
    assert str(side(points)["knee_flexion"].reason(1)).startswith("fibular_head in frame 1")
    assert side(nowhere)["knee_flexion"].missing.tolist() == [False, False]
    assert side(points)["shank_angle"].missing.tolist() == [False, False]


@pytest.mark.parametrize(
    ("gone", "table", "there", "said"),
    [
        ((), "dempster_winter", True, "trunk; head and neck; upper arms; forearms with hands"),
        (("tragus",), "dempster_winter", True, "trunk, head and neck; upper arms"),
        (("ulnar_styloid",), "dempster_winter", True, "head, arms and trunk; thighs; legs; feet"),
        (("fifth_metatarsal_head",), "dempster_winter", True, "thighs; legs with feet"),
        (("acromion",), "dempster_winter", False, "trunk, upper arms cannot be placed, 55 %"),
        ((), "de_leva", True, "trunk; head; upper arms; forearms; hands; thighs; shanks; feet"),
        (("tragus", "second_toe_tip"), "de_leva", True, "without head, feet"),
        (("tragus", "ulnar_styloid"), "de_leva", False, "head, forearms, hands cannot be placed"),
    ],
)
def test_missing_segments_follow_the_rule(gone, table, there, said):
    """Rule of this clinic: at most 10 % of the body; wholes that the table has lose nothing."""
    points = {name: place for name, place in SIDE.items() if name not in gone}

    heel = side(points, table=SegmentTable(table), sex="f")["heel_to_com"]

    assert MOST_MISSING == 0.10
    assert np.isfinite(heel.value) == there
    assert said in (heel.method if there else str(heel.reason()))


def test_each_frame_has_the_segments_that_it_has():
    points = random_poses(SIDE, 4, seed=1)
    points["tragus"][1] = points["ulnar_styloid"][2] = points["acromion"][3] = np.nan

    heel = side(points)["heel_to_com"]

    for frame, gone in enumerate([(), ("tragus",), ("ulnar_styloid",)]):
        alone = {name: place[frame] for name, place in points.items() if name not in gone}
        single = side(alone)["heel_to_com"]
        assert (heel.value[frame], heel.sd[frame]) == pytest.approx(
            (float(single.value), float(single.sd))
        )
    assert str(heel.reason(3)).startswith("acromion in frame 3: missing, so")


@pytest.mark.parametrize("sex", ["x", None])
def test_table_without_values_for_the_sex_says_so(sex):
    heel = side(SIDE, table=SegmentTable.DE_LEVA, sex=sex)["heel_to_com"]

    with pytest.raises(SettingError, match="de_leva has values for f and m"):
        heel.required()
    with pytest.raises(SettingError, match="sex"):
        centre_of_mass(Points(SIDE), table=SegmentTable.DE_LEVA, sex=sex)
    assert not any(
        "heel_to_com" in said
        for said in trial_warnings(
            SIDE, view=View.SIDE, settings=Settings(CAMERA, table=SegmentTable.DE_LEVA, sex=sex)
        )
    )


@pytest.mark.parametrize(
    "given",
    [
        {"scale_m_per_unit": 0.0},
        {"scale_m_per_unit": -1.0},
        {"scale_m_per_unit": np.nan},
        {"click_sd": -0.1},
        {"click_sd": np.inf},
        {"plumb_deg": np.nan},
    ],
)
def test_impossible_settings_are_refused_by_name(given):
    with pytest.raises(SettingError, match=next(iter(given))):
        Camera(**given)


@pytest.mark.parametrize("wrong", [1.0, [1.0, 2.0, 3.0], "here", [["a", "b"]]])
def test_landmark_of_another_shape_is_refused_by_name(wrong):
    with pytest.raises(MeasurementError, match="heel"):
        Points({"heel": wrong})


def test_landmarks_of_other_frames_are_refused_by_name():
    with pytest.raises(MeasurementError, match=r"tragus: has shape \(2, 2\), others \(3, 2\)"):
        Points({"heel": np.zeros((3, 2)), "tragus": np.zeros((2, 2))})


def test_scale_and_plumb_line_come_from_known_things():
    camera = Camera(Facing.RIGHT, Up.DOWN)

    assert scale_from((0, 0), (300, 400), 1.5) == pytest.approx(0.003)
    assert plumb_from((100, 500), (100 + 500 * np.tan(np.radians(2)), 0), camera) == pytest.approx(
        2
    )
    with pytest.raises(SettingError, match="length of the known thing"):
        scale_from((1, 1), (1, 1), 1.5)
    with pytest.raises(SettingError, match="known length"):
        scale_from((0, 0), (1, 1), 0.0)
    with pytest.raises(SettingError, match="plumb line"):
        plumb_from((1, 1), (1, 1), camera)


def test_lengths_need_a_scale_and_a_person():
    assert str(length(Points(SIDE), Camera(), start="heel", end="tragus").reason()).startswith(
        "scale_m_per_unit"
    )
    with pytest.raises(SettingError, match="leg_length_m"):
        fraction_of_leg(Measured(20.0, 1.0), Measured(0.0, 0.0))
    with pytest.raises(SettingError, match="height_m"):
        length_from_height("hip height", 0.0)
    with pytest.raises(SettingError, match="eye height"):
        length_from_height("eye height", 1.8)


def test_trial_says_what_must_stand_beside_its_numbers():
    said = trial_warnings(SIDE, view=View.SIDE, settings=Settings(Camera(scale_m_per_unit=0.01)))

    assert said[0].startswith("click_sd is not given")
    assert said[1].startswith("foot_inclination is as seen")
    assert "the far arm and leg are taken to lie where the near ones are" in said[2]
    no_heel = {name: at for name, at in SIDE.items() if name != "heel"}
    without = trial_warnings(
        no_heel, view=View.SIDE, settings=Settings(Camera(scale_m_per_unit=0.01))
    )
    assert any(one.startswith("heel_to_com by") for one in said)
    assert not any(one.startswith("heel_to_com by") for one in without)
    assert trial_warnings({}, view=View.BACK, settings=Settings(CAMERA)) == []
