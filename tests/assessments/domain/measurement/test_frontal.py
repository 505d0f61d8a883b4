"""Back and front views by constructed poses: no published coordinates with angles were found.

Each pose is built from the angle that it must give back; 1e-9 deg, the arithmetic of the machine.
"""

from math import cos, radians, sin, sqrt

import pytest

from assessments.domain.camera import Camera, Points, Up, View
from assessments.domain.frames import Settings, frame_measures
from assessments.domain.frontal import Frontal, midline_distance
from assessments.domain.measured import SettingError

VIEWS = [(View.BACK, "right"), (View.BACK, "left"), (View.FRONT, "right"), (View.FRONT, "left")]


def outwards(view, stance):
    """1 where the outer side of the stance leg is on the right of the picture."""
    return 1 if (view is View.BACK) == (stance == "right") else -1


def standing(view, stance, *, drop=0.0, thigh_in=0.0, eversion=0.0, shank_out=4.0):
    """A pose of one stance leg, built outwards from the pelvis in cm."""
    swing = "left" if stance == "right" else "right"
    out, bone = outwards(view, stance), "psis" if view is View.BACK else "asis"

    def at(across, up):
        return (out * across, up)

    turn, thigh = radians(drop), radians(thigh_in)
    low, heel = radians(shank_out), radians(shank_out - eversion)
    return {
        f"{stance}_{bone}": at(10, 100),
        f"{swing}_{bone}": at(10 - 20 * cos(turn), 100 - 20 * sin(turn)),
        f"{stance}_knee_centre": at(10 - 45 * sin(thigh), 100 - 45 * cos(thigh)),
        f"{swing}_knee_centre": at(-9, 60),
        f"{stance}_ankle_centre": at(-2, 10),
        f"{stance}_shank_lower": at(5, 15),
        f"{stance}_shank_upper": at(5 + 20 * sin(low), 15 + 20 * cos(low)),
        f"{stance}_heel_bottom": at(5, 0),
        f"{stance}_heel_top": at(5 + 6 * sin(heel), 6 * cos(heel)),
    }


def measures(points, view, stance, camera=None):
    camera = camera or Camera(scale_m_per_unit=0.01, click_sd=0.1)
    return frame_measures(points, view=view, side=stance, settings=Settings(camera))


@pytest.mark.parametrize(("view", "stance"), VIEWS)
@pytest.mark.parametrize("drop", [-4.0, 0.0, 6.5])
def test_pelvic_drop_is_the_angle_of_the_pose(view, stance, drop):
    assert measures(standing(view, stance, drop=drop), view, stance)[
        "pelvic_drop"
    ].value == pytest.approx(drop, abs=1e-9)


@pytest.mark.parametrize("stance", ["left", "right"])
@pytest.mark.parametrize(("drop", "thigh_in"), [(0, 0), (6, 0), (0, 8), (5, 9), (-3, -4)])
def test_hip_adduction_adds_drop_and_thigh(stance, drop, thigh_in):
    points = standing(View.FRONT, stance, drop=drop, thigh_in=thigh_in)

    angle = measures(points, View.FRONT, stance)["hip_adduction"]

    assert angle.value == pytest.approx(drop + thigh_in, abs=1e-9)


@pytest.mark.parametrize("stance", ["left", "right"])
@pytest.mark.parametrize("eversion", [-5.0, 0.0, 12.0])
def test_rearfoot_eversion_is_the_angle_of_the_pose(stance, eversion):
    points = standing(View.BACK, stance, eversion=eversion)

    angle = measures(points, View.BACK, stance)["rearfoot_eversion"]

    assert angle.value == pytest.approx(eversion, abs=1e-9)


@pytest.mark.parametrize(("view", "stance"), VIEWS)
def test_distances_of_the_pose(view, stance):
    """Stance knee at 10, swing knee at -9, ankle at -2, pelvis middle at 0; in cm."""
    points = standing(view, stance)
    camera = Camera(scale_m_per_unit=0.01, click_sd=0.1)

    gap = measures(points, view, stance)["knee_gap"]
    ankle = midline_distance(Frontal(Points(points), view, stance, camera), "ankle_centre")

    assert (gap.value, gap.sd) == pytest.approx((19, sqrt(2) * 0.1))
    assert (ankle.value, ankle.sd) == pytest.approx((-2, sqrt(1.5) * 0.1))


def test_knees_that_cross_have_a_negative_gap():
    points = {"left_knee_centre": (4, 50), "right_knee_centre": (1, 50)}

    assert measures(points, View.BACK, "left")["knee_gap"].value == pytest.approx(-3)
    assert measures(points, View.FRONT, "left")["knee_gap"].value == pytest.approx(3)


@pytest.mark.parametrize(("view", "stance"), VIEWS)
def test_plumb_line_turns_the_pelvis_and_leaves_joints(view, stance):
    """The whole picture turned clockwise by 3 deg, and the plumb line said."""
    upright = standing(view, stance, drop=5, thigh_in=7, eversion=9)
    turn = radians(3)
    turned = {
        name: (x * cos(turn) + y * sin(turn), y * cos(turn) - x * sin(turn))
        for name, (x, y) in upright.items()
    }
    flipped = {name: (x, -y) for name, (x, y) in turned.items()}
    camera = Camera(y_axis=Up.DOWN, plumb_deg=3.0, scale_m_per_unit=0.01)

    straight = measures(upright, view, stance)
    leaning = measures(flipped, view, stance, camera)

    for code in ("pelvic_drop", "hip_adduction", "rearfoot_eversion", "knee_gap"):
        assert leaning[code].value == pytest.approx(straight[code].value, abs=1e-9, nan_ok=True)


def test_each_frame_has_its_stance_leg():
    right, left = standing(View.BACK, "right", drop=4), standing(View.BACK, "left", drop=7)
    bones = {bone: [right[bone], left[bone], left[bone]] for bone in ("left_psis", "right_psis")}

    drop = measures(bones, View.BACK, ["right", "left", None])["pelvic_drop"]

    assert drop.value[:2] == pytest.approx([4, 7], abs=1e-9)
    assert drop.missing.tolist() == [False, False, True]
    assert str(drop.reason(2)) == "side: the stance leg is not given"


def test_side_view_and_unknown_legs_are_refused():
    with pytest.raises(SettingError, match="view"):
        Frontal(Points({}), View.SIDE, "left", Camera())
    with pytest.raises(SettingError, match="side"):
        Frontal(Points({}), View.BACK, "both", Camera())
    with pytest.raises(SettingError, match="side"):
        measures({"left_psis": [(0, 0)] * 3}, View.BACK, ["left", "right"])
