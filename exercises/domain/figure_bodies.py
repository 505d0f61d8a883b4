"""The drawn body: limbs that taper from joint to joint, a trunk, a head that faces somewhere.

Every part is drawn twice, first dark and a line wider, then in its tone: so its pieces join
without inner lines and it stands out from what lies behind. All sizes without a source are
drawing values, rule of this clinic.
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from math import pi

from exercises.domain.figure_shapes import (
    Circle,
    Polygon,
    Polyline,
    Role,
    Shape,
    along,
    arc,
    bow,
    direction,
    heading,
    hull,
    moved,
)
from exercises.domain.poses import HALF_THICKNESS, HEAD_RADIUS, Camera, Point, Pose, View

Outlines = list[tuple[Point, ...]]
FRONT_HIP = 0.045
POINTS_AWAY = 0.6  # a front-view shank seen shorter than this points backwards
POINTS_NEAR = 0.5  # a front-view thigh seen shorter than this (and sitting) points forwards


def body(
    pose: Pose, points: Mapping[str, Point], view: View, camera: Camera, *, right_only: bool
) -> tuple[Shape, ...]:
    """Shapes of the body from back to front.

    points: the skeleton of the pose; right_only: leave out the left limbs.
    Source: rule of this clinic.
    """
    front = view is View.FRONT
    parts = _front_body(pose, points, camera) if front else _side_body(points)
    if right_only:
        parts = _hand_behind_foot(parts)
    return tuple(shape for _, part in parts for shape in part)


Part = tuple[str, Sequence[Shape]]


def _hand_behind_foot(parts: list[Part]) -> list[Part]:
    """The right limbs, the arm first, so that the hand hides no toe."""
    return [part for part in reversed(parts) if part[0] == "right"]


def _side_body(points: Mapping[str, Point]) -> list[Part]:
    return [
        ("left", _part(Role.FAR, _arm(points, "left"))),
        ("left", _leg(points, "left", Role.FAR)),
        ("neck", _part(Role.HEAD, [_neck(points)])),
        ("trunk", _part(Role.TRUNK, _chain(_spine(points)))),
        ("head", _side_head(points)),
        ("right", _leg(points, "right", Role.NEAR)),
        ("right", _part(Role.NEAR, _arm(points, "right"))),
    ]


def _front_body(pose: Pose, points: Mapping[str, Point], camera: Camera) -> list[Part]:
    legs = {side: _front_leg(pose, points, side, camera) for side in ("right", "left")}
    trunk: Part = ("trunk", _part(Role.TRUNK, _front_trunk(points)))
    neck: Part = ("neck", _part(Role.HEAD, [_neck(points)]))
    ahead = [side for side in legs if pose.seen.get(f"{side}_thigh", 1.0) < POINTS_NEAR]
    back = sorted((side for side in legs if side not in ahead), key=lambda s: not _away(pose, s))
    return [
        *((side, legs[side]) for side in back),
        neck,
        trunk,
        ("head", _front_head(points, camera)),
        *((side, legs[side]) for side in ahead),
        ("right", _part(Role.NEAR, _arm(points, "right"))),
        ("left", _part(Role.NEAR, _arm(points, "left"))),
    ]


def _away(pose: Pose, side: str) -> bool:
    return pose.seen.get(f"{side}_shank", 1.0) < POINTS_AWAY


def _part(role: Role, outlines: Iterable[tuple[Point, ...]]) -> tuple[Shape, ...]:
    kept = tuple(outlines)
    return tuple(Polygon(tone, line) for tone in (Role.OUTLINE, role) for line in kept)


def _chain(discs: Sequence[tuple[Point, float]]) -> Outlines:
    return [hull(pair) for pair in pairwise(discs)]


def _disc(points: Mapping[str, Point], side: str, name: str) -> tuple[Point, float]:
    return points[f"{side}_{name}"], HALF_THICKNESS[name]


def _arm(points: Mapping[str, Point], side: str) -> Outlines:
    return _chain([_disc(points, side, name) for name in ("shoulder", "elbow", "wrist", "hand")])


def _thigh_and_shank(points: Mapping[str, Point], side: str, hip: float) -> Outlines:
    """The shank is fullest at a third of its length, as a calf is."""
    knee, ankle = points[f"{side}_knee"], points[f"{side}_ankle"]
    calf = (along(knee, ankle, 0.32), 0.029)
    return _chain(
        [(points[f"{side}_hip"], hip), (knee, 0.027), calf, (along(knee, ankle, 0.95), 0.018)]
    )


def _leg(points: Mapping[str, Point], side: str, role: Role) -> tuple[Shape, ...]:
    limb = _thigh_and_shank(points, side, HALF_THICKNESS["hip"])
    toes = _toes(points, side, "toe", 0.010)
    big_toe = _part(
        role if role is Role.FAR else Role.TRUNK, [_toes(points, side, "big_toe", 0.012)]
    )
    foot = _part(role, [*limb, _side_foot(points, side), toes])
    return (*foot, *big_toe) if role is Role.FAR else (*big_toe, *foot)


def _side_foot(points: Mapping[str, Point], side: str) -> tuple[Point, ...]:
    ankle, heel, arch, ball = (points[f"{side}_{n}"] for n in ("ankle", "heel", "arch", "ball"))
    ahead = direction(heel, ball)
    top = (*arc(moved(ball, ahead, -0.002, 0.013), 0.013, heading(heel, ball) - pi / 2, pi / 2),)
    return (
        moved(ankle, ahead, -0.017, 0.014),
        moved(heel, ahead, 0.004, 0.024),
        moved(heel, ahead, 0.001, 0.012),
        moved(heel, ahead, 0.003, 0.004),
        moved(heel, ahead, 0.010),
        moved(heel, ahead, 0.026),
        along(moved(heel, ahead, 0.026), arch, 0.75),
        arch,
        along(arch, moved(ball, ahead, -0.016), 0.4),
        moved(ball, ahead, -0.014),
        *top,
        moved(ball, ahead, 0.0, 0.024),
        moved(ankle, ahead, 0.032, -0.002),
        moved(ankle, ahead, 0.019, 0.014),
    )


def _toes(points: Mapping[str, Point], side: str, tip: str, radius: float) -> tuple[Point, ...]:
    """The toes bend at the ball: their root rests on the sole of the foot, not on their own."""
    heel, ball, toe = (points[f"{side}_{name}"] for name in ("heel", "ball", tip))
    facing = direction(ball, toe)
    return hull(
        [
            (moved(ball, direction(heel, ball), -0.004, radius + 0.001), radius + 0.001),
            (moved(toe, facing, -radius, radius * 0.85), radius * 0.85),
        ]
    )


def _spine(points: Mapping[str, Point]) -> list[tuple[Point, float]]:
    neck = along(points["mid_back"], points["neck_base"], 0.92)
    return [(points["pelvis"], 0.05), (points["mid_back"], 0.05), (neck, 0.042)]


def _neck(points: Mapping[str, Point]) -> tuple[Point, ...]:
    base, head = points["neck_base"], points["head"]
    return hull([(along(base, head, -0.1), 0.028), (along(base, head, 0.6), 0.026)])


def _side_head(points: Mapping[str, Point]) -> tuple[Shape, ...]:
    """A head in profile: nose to the front, hair at the back."""
    up = direction(points["neck_base"], points["head"])
    centre, ahead = points["head"], (up[1], -up[0])
    front = heading((0.0, 0.0), ahead)
    nose = (
        moved(centre, ahead, HEAD_RADIUS * 0.9, 0.018),
        moved(centre, ahead, HEAD_RADIUS + 0.018, -0.010),
        moved(centre, ahead, HEAD_RADIUS * 0.9, -0.016),
    )
    hair = (*arc(centre, HEAD_RADIUS, front + 0.33 * pi, 0.85 * pi), moved(centre, ahead, -0.012))
    eye = Circle(Role.FACE, moved(centre, ahead, HEAD_RADIUS * 0.62, 0.008), 0.006)
    rim = arc(centre, HEAD_RADIUS, 0.0, 2 * pi)
    return (*_part(Role.HEAD, [nose, rim]), Polygon(Role.HAIR, hair), eye)


def _front_head(points: Mapping[str, Point], camera: Camera) -> tuple[Shape, ...]:
    """A face with hair on top; from behind, hair all over."""
    up = direction(points["neck_base"], points["head"])
    centre = points["head"]
    rim = arc(centre, HEAD_RADIUS, 0.0, 2 * pi)
    if camera is Camera.BEHIND:
        return (*_part(Role.HEAD, [rim]), Polygon(Role.HAIR, rim))
    crown = heading((0.0, 0.0), up)
    hair = Polygon(Role.HAIR, arc(centre, HEAD_RADIUS, crown - 0.34 * pi, 0.68 * pi))
    eyes = [Circle(Role.FACE, moved(centre, up, 0.006, s * 0.024), 0.006) for s in (-1, 1)]
    left, right = (moved(centre, up, -0.026, x) for x in (0.016, -0.016))
    mouth = Polyline(Role.FACE, bow(left, right, 0.35))
    return (*_part(Role.HEAD, [rim]), hair, *eyes, mouth)


def _front_trunk(points: Mapping[str, Point]) -> Outlines:
    """Shoulders to waist, waist to hips."""
    waist = points["mid_back"]
    hips = [(points[f"{side}_hip"], FRONT_HIP) for side in ("left", "right")]
    across = direction(hips[1][0], hips[0][0])
    sides = [(moved(waist, across, by), 0.045) for by in (-0.035, 0.035)]
    shoulders = [(along(points[f"{s}_shoulder"], waist, 0.06), 0.03) for s in ("left", "right")]
    return [hull([*shoulders, *sides]), hull([*sides, *hips])]


def _front_leg(
    pose: Pose, points: Mapping[str, Point], side: str, camera: Camera
) -> tuple[Shape, ...]:
    role = Role.FAR if _away(pose, side) else Role.NEAR
    limb = _part(role, _thigh_and_shank(points, side, FRONT_HIP))
    back, instep, toes = _front_foot(points, side, role)
    if camera is Camera.BEHIND:
        return (*toes, *instep, *back, *limb)
    return (*limb, *back, *instep, *toes)


def _front_foot(
    points: Mapping[str, Point], side: str, role: Role
) -> tuple[Sequence[Shape], Sequence[Shape], Sequence[Shape]]:
    """Heel, instep and the five toes, the big one towards the other foot."""
    heel, ball, toe = (points[f"{side}_{name}"] for name in ("heel", "ball", "toe"))
    ankle = points[f"{side}_ankle"]
    up, across = _front_foot_axes(points, side)
    back = hull([(ankle, 0.020), (moved(heel, up, 0.016), 0.016)])
    fore = [(moved(moved(ball, up, 0.013), across, by), 0.013) for by in (-0.017, 0.017)]
    instep = hull([(ankle, 0.020), *fore])
    sizes = (
        (0.0205, 0.0105),
        (0.005, 0.0075),
        (-0.0075, 0.007),
        (-0.0185, 0.0065),
        (-0.028, 0.006),
    )
    toes = [hull([(moved(moved(toe, up, r), across, by), r), fore[by > 0]]) for by, r in sizes]
    return (
        _part(role, [back]),
        _part(role, [instep]),
        [shape for outline in reversed(toes) for shape in _part(role, [outline])],
    )


def _front_foot_axes(points: Mapping[str, Point], side: str) -> tuple[Point, Point]:
    """Up along the leaning foot, and across the sole towards the other foot."""
    heel, arch = points[f"{side}_heel"], points[f"{side}_arch"]
    ankle = points[f"{side}_ankle"]
    up = direction(along(heel, arch, 0.25), ankle)
    across = (up[1], -up[0])
    other = points["right_ankle" if side == "left" else "left_ankle"]
    inward = (other[0] - ankle[0]) * across[0] + (other[1] - ankle[1]) * across[1]
    return up, across if inward >= 0 else (-across[0], -across[1])
