"""The skeleton against published segment lengths, its own contacts and angles worked by hand."""

import copy
import csv
import json
from dataclasses import replace
from math import dist, hypot, sqrt
from pathlib import Path

import pytest

from exercises.domain import poses
from exercises.domain.poses import Area, Camera, FrameName, Limb, View, skeleton
from exercises.domain.reading_poses import read_poses

ROOT = Path(__file__).resolve().parents[3]
LENGTHS = ROOT / "tests/exercises/data/lengths_drillis_contini.csv"
RAW = json.loads((ROOT / "fixtures/poses.json").read_text())
PAIRS = read_poses(RAW)
FRAMES = [(code, frame) for code in PAIRS for frame in FrameName]
GROUPS = {
    "foot": ("heel", "ball"),
    "forefoot": ("ball", "toe"),
    "palm": ("wrist", "hand"),
    "forearm": ("elbow", "wrist"),
    "shin": ("knee", "toe"),
}


@pytest.fixture(scope="module")
def published():
    """Drillis and Contini (1966) as in Winter (2009), fig. 4.1: fractions of height."""
    lines = [line for line in LENGTHS.read_text().splitlines() if not line.startswith("#")]
    return {row["item"]: float(row["fraction_of_height"]) for row in csv.DictReader(lines)}


def standing(**changes):
    """Upright, all angles 0, right heel at the origin."""
    limb = Limb(*(0.0,) * 11)
    pose = PAIRS["relaxed_grip"].start
    upright = replace(
        pose, shoulder_lift=0.0, left=limb, right=limb, seen={}, contacts={}, trunk_deg=0.0
    )
    return replace(upright, **changes)


def points_of(code, frame):
    pair = PAIRS[code]
    return skeleton(pair.pose(frame), pair.view, pair.camera)


def part(name):
    return name.removeprefix("left_").removeprefix("right_")


@pytest.mark.parametrize("view", list(View))
@pytest.mark.parametrize("side", ["left", "right"])
def test_segments_have_the_published_lengths(published, view, side):
    points = skeleton(standing(), view, Camera.LEVEL)

    def length(start, end):
        return dist(points[f"{side}_{start}"], points[f"{side}_{end}"])

    assert length("shoulder", "elbow") == pytest.approx(published["upper arm length"])
    assert length("elbow", "wrist") == pytest.approx(published["forearm length"])
    assert length("wrist", "hand") == pytest.approx(published["hand length"])
    knee, hip, ankle = (published[f"{name} height"] for name in ("knee", "hip", "ankle"))
    assert length("hip", "knee") == pytest.approx(hip - knee)
    assert length("knee", "ankle") == pytest.approx(knee - ankle)


def test_standing_landmarks_have_the_published_heights(published):
    points = skeleton(standing(), View.SIDE, Camera.LEVEL)

    for name in ("ankle", "knee", "hip", "shoulder"):
        assert points[f"right_{name}"][1] == pytest.approx(published[f"{name} height"])
    assert points["head"][1] - poses.HEAD_RADIUS == pytest.approx(published["chin height"])
    assert points["head"][1] + poses.HEAD_RADIUS == pytest.approx(1.0)
    foot = dist(points["right_heel"], points["right_toe"])
    assert foot == pytest.approx(published["foot length"])


def test_shoulders_are_as_wide_as_published(published):
    points = skeleton(standing(), View.FRONT, Camera.LEVEL)

    width = points["left_shoulder"][0] - points["right_shoulder"][0]
    assert width == pytest.approx(published["shoulder width"])


def from_surface(pair, surface, point):
    """Signed distance of the point from the floor or a prop, negative inside."""
    if surface == "floor":
        return point[1]
    shape = next(prop for prop in pair.props if prop.name == surface).parts[0]
    if isinstance(shape, Area):
        return from_area(shape.points, point)
    return dist(point, (shape.centre.x, shape.centre.y)) - shape.radius


def from_area(corners, point):
    """Signed distance from a rectangle along the axes: every touched area is one."""
    xs, ys = zip(*corners, strict=True)
    over = [max(min(v) - p, p - max(v)) for v, p in ((xs, point[0]), (ys, point[1]))]
    return hypot(*(max(o, 0.0) for o in over)) + min(max(over), 0.0)


def touched(pose):
    for key, surface in pose.contacts.items():
        side, _, group = key.partition("_")
        names = [f"{side}_{n}" for n in GROUPS[group]] if group in GROUPS else [key]
        yield from ((name, surface) for name in names)


@pytest.mark.parametrize(("code", "frame"), FRAMES)
def test_contacts_hold(code, frame):
    """Source: the notation; within 0.03 of the half-thickness, seen from above within the mat."""
    pair, points = PAIRS[code], points_of(code, frame)
    contacts = list(touched(pair.pose(frame)))

    for name, surface in contacts:
        gap = from_surface(pair, surface, points[name])
        if pair.camera is Camera.ABOVE:
            assert gap < 0, name
        else:
            assert gap == pytest.approx(poses.HALF_THICKNESS[part(name)], abs=0.03 + 1e-9), name
    assert bool(contacts) != pair.pose(frame).airborne


@pytest.mark.parametrize(
    ("code", "frame"), [f for f in FRAMES if PAIRS[f[0]].camera is not Camera.ABOVE]
)
def test_nothing_lies_below_the_floor(code, frame):
    lowest = {n: p[1] - poses.HALF_THICKNESS[part(n)] for n, p in points_of(code, frame).items()}

    assert {name: low for name, low in lowest.items() if low < -0.02 - 1e-9} == {}


@pytest.mark.parametrize("code", [c for c in PAIRS if PAIRS[c].view is View.FRONT])
@pytest.mark.parametrize("frame", list(FrameName))
def test_front_view_mirrors_when_sides_are_swapped(code, frame):
    pose = PAIRS[code].pose(frame)
    upright = replace(pose, base=poses.Base.STAND)
    swap = {"left": "right", "right": "left"}

    def other(name):
        side, _, rest = name.partition("_")
        return f"{swap[side]}_{rest}" if side in swap else name

    mirrored = replace(
        upright,
        anchor=replace(pose.anchor, point=other(pose.anchor.point), x=-pose.anchor.x),
        trunk_deg=-pose.trunk_deg,
        chest_deg=-pose.chest_deg,
        pelvis_deg=-pose.pelvis_deg,
        head_deg=-pose.head_deg,
        left=pose.right,
        right=pose.left,
        seen={other(name): seen for name, seen in pose.seen.items()},
    )
    points = skeleton(upright, View.FRONT, Camera.LEVEL)
    images = skeleton(mirrored, View.FRONT, Camera.LEVEL)

    for name, (x, y) in points.items():
        assert images[other(name)] == pytest.approx((-x, y)), name


def test_behind_puts_the_left_limbs_on_the_readers_left():
    front = skeleton(standing(), View.FRONT, Camera.LEVEL)
    behind = skeleton(standing(), View.FRONT, Camera.BEHIND)

    for name in ("shoulder", "hip", "heel"):
        assert front[f"left_{name}"][0] > front[f"right_{name}"][0]
        assert behind[f"left_{name}"][0] < behind[f"right_{name}"][0]


def limb(**angles):
    return replace(Limb(*(0.0,) * 11), **angles)


def test_side_view_angles_worked_by_hand():
    """Hip 90: thigh level ahead. Knee 90: shank straight down. Toes up 30: half their length."""
    pose = standing(
        right=limb(hip_deg=90, knee_deg=90, shoulder_deg=90, elbow_deg=90, toes_deg=30)
    )
    points = skeleton(pose, View.SIDE, Camera.LEVEL)

    def step(start, end):
        (x, y), (to_x, to_y) = points[start], points[end]
        return pytest.approx((to_x - x, to_y - y))

    assert step("right_hip", "right_knee") == (0.245, 0.0)
    assert step("right_knee", "right_ankle") == (0.0, -0.246)
    assert step("right_shoulder", "right_elbow") == (0.186, 0.0)
    assert step("right_elbow", "right_wrist") == (0.0, 0.146)
    assert step("right_ankle", "right_heel") == (-0.040, -0.039)
    assert step("right_ankle", "right_ball") == (0.070, -0.039)
    assert step("right_ball", "right_toe") == (0.042 * sqrt(3) / 2, 0.021)


def test_foot_pitch_and_arch_worked_by_hand():
    """Toes up 90: what was ahead (0.070) is above, what was below (0.039) is ahead."""
    points = skeleton(standing(right=limb(ankle_deg=90, arch=0.02)), View.SIDE, Camera.LEVEL)

    (x, y), ball, arch = (points[f"right_{name}"] for name in ("ankle", "ball", "arch"))
    assert (ball[0] - x, ball[1] - y) == pytest.approx((0.039, 0.070))
    assert (arch[0] - x, arch[1] - y) == pytest.approx((0.019, 0.015))


def test_front_view_angles_worked_by_hand():
    """Abduction goes outward, knee flexion towards the midline, foot turn 30 shows half."""
    turned = limb(shoulder_deg=90, elbow_deg=90, hip_deg=30, knee_deg=30, foot_turn_deg=30)
    points = skeleton(standing(left=turned), View.FRONT, Camera.LEVEL)

    def step(start, end):
        (x, y), (to_x, to_y) = points[f"left_{start}"], points[f"left_{end}"]
        return pytest.approx((to_x - x, to_y - y))

    assert step("shoulder", "elbow") == (0.186, 0.0)
    assert step("elbow", "wrist") == (0.0, -0.146)
    assert step("hip", "knee") == (0.1225, -0.245 * sqrt(3) / 2)
    assert step("knee", "ankle") == (0.0, -0.246)
    assert step("ankle", "ball") == (0.035, -0.039)


def test_inversion_lifts_the_inner_edge_of_the_sole():
    """Tilt 90 in on a standing left foot: the sole faces the midline, the reader's left."""
    points = skeleton(standing(left=limb(foot_tilt_deg=90)), View.FRONT, Camera.LEVEL)

    (x, y), ball = points["left_ankle"], points["left_ball"]
    assert (ball[0] - x, ball[1] - y) == pytest.approx((-0.039, 0.0))


@pytest.mark.parametrize(
    ("base", "head_at"),
    [("supine", (-0.405, 0.0)), ("prone", (0.405, 0.0)), ("stand", (0.0, 0.405))],
)
def test_base_says_where_the_head_lies(base, head_at):
    """0.288 of trunk and 0.117 of neck and half a head, along one line."""
    points = skeleton(standing(base=poses.Base(base)), View.SIDE, Camera.LEVEL)

    (x, y), (head_x, head_y) = points["pelvis"], points["head"]
    assert (head_x - x, head_y - y) == pytest.approx(head_at)


def test_lower_pelvis_on_the_left_with_positive_angle():
    points = skeleton(standing(pelvis_deg=30.0), View.FRONT, Camera.LEVEL)

    assert points["right_hip"][1] - points["left_hip"][1] == pytest.approx(0.130 / 2)


def test_seen_shortens_a_segment():
    points = skeleton(standing(seen={"left_thigh": 0.5}), View.SIDE, Camera.LEVEL)

    assert dist(points["left_hip"], points["left_knee"]) == pytest.approx(0.245 / 2)
    assert dist(points["right_hip"], points["right_knee"]) == pytest.approx(0.245)


def spoilt(code, change):
    data = {code: copy.deepcopy(RAW[code])}
    change(data[code])
    return data


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda e: e.pop("view"), "strides: view: missing"),
        (lambda e: e.update(zoom="arm"), "strides: zoom: 'arm' is not known"),
        (lambda e: e["start"].update(trunk_deg="7"), "strides: start: trunk_deg: '7' is not"),
        (lambda e: e["start"].update(trunk_deg=True), "strides: start: trunk_deg: True is not"),
        (lambda e: e["end"]["left"].pop("arch"), "strides: end: left: arch: missing"),
        (lambda e: e["end"]["anchor"].update(point="nose"), "anchor: point: 'nose' is not known"),
        (lambda e: e["end"].update(seen={"tail": 1}), "seen: tail: no such segment"),
        (lambda e: e["props"][0].update(shape="star"), "props 1: shape: 'star' is not known"),
        (lambda e: e["arrows"][0].update({"from": [1]}), r"arrows 1: from: \[1\] is not a pair"),
        (lambda e: e.update(arrows=[3]), "strides: arrows 1: 3 is not of the expected kind"),
    ],
)
def test_errors_name_exercise_and_key(change, words):
    with pytest.raises(ValueError, match=words):
        read_poses(spoilt("strides", change))
