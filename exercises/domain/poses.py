"""Start and end poses of the exercise library, and the points of the body they stand for.

Lengths are fractions of body height, angles degrees; x to the right, y up, floor at y = 0.
A segment at angle a runs to (sin a, -cos a): 0 is straight down, 90 to the right.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import cos, radians, sin
from typing import TypeVar

Point = tuple[float, float]

# Drillis and Contini (1966), printed as fig. 4.1 of Winter (2009): landmark heights, lengths.
SHANK = 0.285 - 0.039

THIGH = 0.530 - 0.285

TRUNK = 0.818 - 0.530

HEAD_WITH_NECK = 1 - 0.818

UPPER_ARM = 0.186

FOREARM = 0.146

HAND = 0.108

ANKLE_HEIGHT = 0.039

SHOULDER_WIDTH = 0.259

FOOT = 0.152

# Rule of this clinic: drawing values, without a source. The parts of the foot add up to FOOT.
HEEL_BEHIND_ANKLE = 0.040

BALL_AHEAD_OF_ANKLE = 0.070

TOES = FOOT - HEEL_BEHIND_ANKLE - BALL_AHEAD_OF_ANKLE

HIP_SPACING = 0.130

HEAD_RADIUS = (1 - 0.870) / 2

# Rule of this clinic: how far the surface of the body lies from each point.
HALF_THICKNESS: Mapping[str, float] = {
    "pelvis": 0.05,
    "mid_back": 0.05,
    "neck_base": 0.05,
    "head": HEAD_RADIUS,
    "shoulder": 0.03,
    "elbow": 0.02,
    "wrist": 0.015,
    "hand": 0.01,
    "hip": 0.05,
    "knee": 0.025,
    "ankle": 0.02,
    "heel": 0.0,
    "ball": 0.0,
    "arch": 0.0,
    "toe": 0.0,
    "big_toe": 0.0,
}

MIDLINE = ("pelvis", "mid_back", "neck_base", "head")

LIMB_POINTS = tuple(name for name in HALF_THICKNESS if name not in MIDLINE)

SIDES = ("left", "right")

POINTS = frozenset(MIDLINE) | {f"{side}_{name}" for side in SIDES for name in LIMB_POINTS}

SEGMENTS = frozenset(
    f"{side}_{name}"
    for side in SIDES
    for name in ("upper_arm", "forearm", "hand", "thigh", "shank")
)


class View(StrEnum):
    SIDE = "side"
    FRONT = "front"


class Camera(StrEnum):
    LEVEL = "level"
    ABOVE = "above"
    BEHIND = "behind"


class Base(StrEnum):
    STAND = "stand"
    RUN = "run"
    SIT = "sit"
    KNEEL = "kneel"
    HALF_KNEEL = "half_kneel"
    SUPINE = "supine"
    PRONE = "prone"
    FOUR_POINT = "four_point"
    SIDE_LYING = "side_lying"


class PairKind(StrEnum):
    MOVEMENT = "movement"
    ALTERNATE = "alternate"
    CONTRAST = "contrast"


class Zoom(StrEnum):
    WHOLE = "whole"
    LOWER_BODY = "lower_body"
    LOWER_LEGS = "lower_legs"
    LOWER_LEG = "lower_leg"
    FOOT = "foot"


class FrameName(StrEnum):
    START = "start"
    END = "end"


@dataclass(frozen=True)
class Place:
    """Somewhere in the picture: an offset from a point of the body, or from the origin."""

    point: str | None
    x: float
    y: float


@dataclass(frozen=True)
class Limb:
    """Angles of one arm and one leg, signs as in the trade; arch is a height."""

    shoulder_deg: float
    elbow_deg: float
    wrist_deg: float
    hip_deg: float
    knee_deg: float
    ankle_deg: float
    toes_deg: float
    big_toe_deg: float
    foot_turn_deg: float
    foot_tilt_deg: float
    arch: float


@dataclass(frozen=True)
class Pose:
    """One complete position of the body; `anchor` fixes one of its points in the picture."""

    base: Base
    anchor: Place
    trunk_deg: float
    chest_deg: float
    pelvis_deg: float
    head_deg: float
    shoulder_lift: float
    left: Limb
    right: Limb
    seen: Mapping[str, float]
    contacts: Mapping[str, str]
    airborne: bool


@dataclass(frozen=True)
class Area:
    points: tuple[Point, ...]


@dataclass(frozen=True)
class Disc:
    centre: Place
    radius: float


@dataclass(frozen=True)
class Line:
    start: Place
    end: Place


PropShape = Area | Disc | Line


@dataclass(frozen=True)
class Prop:
    """A thing beside the body; `frame` is None when it stands in both frames."""

    kind: str
    name: str
    parts: tuple[PropShape, ...]
    frame: FrameName | None
    behind: bool


@dataclass(frozen=True)
class MovesTo:
    """An arrow: the way of a body point (`point`), or from `start` to `end`; bent by `curve`."""

    frame: FrameName
    curve: float
    point: str | None
    start: Point = (0.0, 0.0)
    end: Point = (0.0, 0.0)


@dataclass(frozen=True)
class PosePair:
    """Start and end of one exercise, in one frame of reference."""

    code: str
    view: View
    camera: Camera
    kind: PairKind
    zoom: Zoom
    start: Pose
    end: Pose
    props: tuple[Prop, ...]
    arrows: tuple[MovesTo, ...]

    def pose(self, frame: FrameName) -> Pose:
        """The pose of that frame; by definition."""
        return self.start if frame is FrameName.START else self.end


Choice = TypeVar("Choice", bound=StrEnum)


def skeleton(pose: Pose, view: View, camera: Camera) -> Mapping[str, Point]:
    """Place of every point of POINTS, in fractions of body height.

    Source: lengths of Drillis and Contini (1966); the notation is a rule of this clinic.
    """
    lean = trunk_lean(pose)
    bend = lean + pose.chest_deg
    middle = _step((0.0, 0.0), 180 - lean, TRUNK / 2)
    neck = _step(middle, 180 - bend, TRUNK / 2)
    head = _step(neck, 180 - bend - pose.head_deg, HEAD_WITH_NECK - HEAD_RADIUS)
    points = {"pelvis": (0.0, 0.0), "mid_back": middle, "neck_base": neck, "head": head}
    for side in SIDES:
        limb = _FrontLimb if view is View.FRONT else _SideLimb
        points |= limb(pose, side, camera).points(neck)
    return _anchored(points, pose.anchor)


def trunk_lean(pose: Pose) -> float:
    """Angle of the lower trunk from vertical in degrees, clockwise +.

    Source: rule of this clinic; lying postures count `trunk_deg` from horizontal.
    """
    if pose.base in {Base.SUPINE, Base.SIDE_LYING}:
        return pose.trunk_deg - 90
    if pose.base in {Base.PRONE, Base.FOUR_POINT}:
        return 90 - pose.trunk_deg
    return pose.trunk_deg


def _step(start: Point, angle_deg: float, length: float) -> Point:
    angle = radians(angle_deg)
    return start[0] + length * sin(angle), start[1] - length * cos(angle)


def _anchored(points: Mapping[str, Point], anchor: Place) -> Mapping[str, Point]:
    x, y = points[str(anchor.point)]
    return {name: (px - x + anchor.x, py - y + anchor.y) for name, (px, py) in points.items()}


def _foot_offset(ahead: float, below: float, pitch_deg: float) -> Point:
    """Ahead of and below the ankle, of a foot point turned toe-up by the pitch."""
    pitch = radians(pitch_deg)
    return (
        ahead * cos(pitch) + below * sin(pitch),
        below * cos(pitch) - ahead * sin(pitch),
    )


class _SideLimb:
    """An arm and a leg seen from the client's right; flexion turns them forward."""

    elbow_bend, knee_bend = 1.0, -1.0

    def __init__(self, pose: Pose, side: str, camera: Camera) -> None:
        self.pose, self.side = pose, side
        self.limb = pose.left if side == "left" else pose.right
        self.lean = trunk_lean(pose)
        self.chest = self.lean + pose.chest_deg
        self.outward = self._outward(camera)

    def _outward(self, camera: Camera) -> float:
        return 1.0

    def points(self, neck: Point) -> dict[str, Point]:
        named = self._arm(neck) | self._leg()
        return {f"{self.side}_{name}": point for name, point in named.items()}

    def _length(self, segment: str, length: float) -> float:
        return length * self.pose.seen.get(f"{self.side}_{segment}", 1.0)

    def _arm(self, neck: Point) -> dict[str, Point]:
        limb = self.limb
        upper_arm = self.outward * limb.shoulder_deg - self.chest
        forearm = upper_arm + self.elbow_bend * limb.elbow_deg
        shoulder = self._shoulder(neck)
        elbow = _step(shoulder, upper_arm, self._length("upper_arm", UPPER_ARM))
        wrist = _step(elbow, forearm, self._length("forearm", FOREARM))
        hand = _step(wrist, forearm + self.elbow_bend * limb.wrist_deg, self._length("hand", HAND))
        return {"shoulder": shoulder, "elbow": elbow, "wrist": wrist, "hand": hand}

    def _leg(self) -> dict[str, Point]:
        limb = self.limb
        thigh = self.outward * limb.hip_deg - self._hip_line()
        shank = thigh + self.knee_bend * limb.knee_deg
        hip = self._hip()
        knee = _step(hip, thigh, self._length("thigh", THIGH))
        ankle = _step(knee, shank, self._length("shank", SHANK))
        return {"hip": hip, "knee": knee, "ankle": ankle} | self._foot(ankle, shank)

    def _foot(self, ankle: Point, shank: float) -> dict[str, Point]:
        pitch = self._pitch(shank)
        sole_middle = (BALL_AHEAD_OF_ANKLE - HEEL_BEHIND_ANKLE) / 2
        offsets = {
            "heel": _foot_offset(-HEEL_BEHIND_ANKLE, ANKLE_HEIGHT, pitch),
            "ball": _foot_offset(BALL_AHEAD_OF_ANKLE, ANKLE_HEIGHT, pitch),
            "arch": _foot_offset(sole_middle, ANKLE_HEIGHT - self.limb.arch, pitch),
        }
        ahead, below = offsets["ball"]
        for name, bend in (("toe", self.limb.toes_deg), ("big_toe", self.limb.big_toe_deg)):
            further, higher = _foot_offset(TOES, 0.0, pitch + bend)
            offsets[name] = (ahead + further, below + higher)
        return {name: self._seen(ankle, shank, *offset) for name, offset in offsets.items()}

    def _shoulder(self, neck: Point) -> Point:
        return _step(neck, 180 - self.chest, self.pose.shoulder_lift)

    def _hip_line(self) -> float:
        return self.lean

    def _hip(self) -> Point:
        return 0.0, 0.0

    def _pitch(self, shank: float) -> float:
        return shank + self.limb.ankle_deg

    def _seen(self, ankle: Point, shank: float, ahead: float, below: float) -> Point:
        return ankle[0] + ahead, ankle[1] - below


class _FrontLimb(_SideLimb):
    """An arm and a leg seen from the front or from behind; abduction turns them outward."""

    def _outward(self, camera: Camera) -> float:
        outward = 1.0 if self.side == "left" else -1.0
        outward = -outward if camera is Camera.BEHIND else outward
        self.elbow_bend = self.knee_bend = -outward
        return outward

    def _shoulder(self, neck: Point) -> Point:
        raised = super()._shoulder(neck)
        return _step(raised, 90 - self.chest, self.outward * SHOULDER_WIDTH / 2)

    def _hip_line(self) -> float:
        return self.lean - self.pose.trunk_deg + self.pose.pelvis_deg

    def _hip(self) -> Point:
        return _step((0.0, 0.0), 90 - self._hip_line(), self.outward * HIP_SPACING / 2)

    def _pitch(self, shank: float) -> float:
        return self.limb.ankle_deg

    def _seen(self, ankle: Point, shank: float, ahead: float, below: float) -> Point:
        lean = shank - self.outward * self.limb.foot_tilt_deg
        sideways = self.outward * ahead * sin(radians(self.limb.foot_turn_deg))
        return _step(_step(ankle, lean, below), lean + 90, sideways)
