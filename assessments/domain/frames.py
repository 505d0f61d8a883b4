"""Every measure of frames, by its code."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from assessments.domain import frontal, geometry
from assessments.domain.camera import Camera, Points, View
from assessments.domain.centre_of_mass import Centre, ahead_of_centre, centre_of_mass
from assessments.domain.distances import ahead
from assessments.domain.measured import Bools, Measured, Reason, SettingError, absent
from assessments.domain.segment_tables import (
    ANKLE,
    ELBOW,
    FIFTH,
    HEEL,
    HIP,
    KNEE,
    SHOULDER,
    WRIST,
    SegmentTable,
)
from assessments.domain.segments import Segment, segment

FIBULA = "fibular_head"
# frames taken at a time: what is worked on stays in the processor's cache, and arrays of 64 kB are
# below the size at which the allocator asks the system for each of them anew (128 kB)
BLOCK = 8192
SIDE_CODES = (
    "trunk_lean",
    "body_line_lean",
    "hip_hinge_angle",
    "shank_angle",
    "thigh_angle",
    "knee_flexion",
    "hip_flexion",
    "hip_extension",
    "ankle_dorsiflexion",
    "foot_inclination",
    "elbow_flexion",
    "heel_to_com",
    "heel_to_hip",
)
FRONTAL_CODES = ("pelvic_drop", "hip_adduction", "knee_gap", "rearfoot_eversion")


class Join:
    """One measure put together from parts that together are of all its frames."""

    def __init__(self, shape: int | tuple[int, ...]) -> None:
        self._value, self._sd = np.empty(shape), np.empty(shape)
        self._why: NDArray[np.int16] | None = None
        self._reasons: dict[Reason, int] = {}
        self._methods: dict[str, None] = {}

    def add(self, frames: Bools | slice, part: Measured) -> None:
        """Take over a part. frames: those that it is of."""
        self._value[frames], self._sd[frames] = part.value, part.sd
        self._methods.setdefault(part.method)
        if part.why is not None:
            numbers = [0, *(self._number(reason) for reason in part.reasons)]
            if self._why is None:
                self._why = np.zeros(self._value.shape, np.int16)
            self._why[frames] = np.array(numbers, np.int16)[part.why]

    def measured(self) -> Measured:
        """The whole."""
        method = "; or ".join(filter(None, self._methods))
        return Measured(self._value, self._sd, 1, method, self._why, tuple(self._reasons))

    def _number(self, reason: Reason) -> int:
        return self._reasons.setdefault(reason, len(self._reasons) + 1)


@dataclass(frozen=True, slots=True)
class Settings:
    """What a trial's frames have in common.

    camera: axes, scale and click error; standing_foot_deg: foot_inclination in quiet standing,
    None if not known; table, sex: for the centre of mass, sex f, m, x or None.
    """

    camera: Camera = field(default_factory=Camera)
    standing_foot_deg: float | None = None
    table: SegmentTable = SegmentTable.DEMPSTER_WINTER
    sex: str | None = None


def frame_measures(
    points: Mapping[str, ArrayLike | None],
    *,
    view: View,
    side: str | Sequence[str | None] | None = None,
    settings: Settings | None = None,
) -> dict[str, Measured]:
    """Every code of MEASUREMENT.md with value, sd, and the reason where there is no number.

    points: landmark name to array of shape (n, 2) or (2,), NaN or None where missing; all frames
    of one trial at once, because the leg line of knee and ankle goes through the fibular head in
    all frames or in none. view: side, back or front. side: the stance leg of back and front views,
    left or right, one or one for each frame; it changes nothing in the side view. Degrees and
    centimetres; signs as in geometry, distances and frontal. Raises MeasurementError for arrays
    of other shapes. Source: MEASUREMENT.md.
    """
    placed, chosen = Points(points), settings or Settings()
    if view is View.SIDE:
        measures = side_measures(placed, chosen)
    else:
        measures = frontal_measures(placed, view, side, chosen.camera)
    return measures | _other_view(placed, view)


def side_measures(points: Points, settings: Settings) -> dict[str, Measured]:
    """The codes of the side view, each of shape (n,) or scalar as the points are.

    Arguments, units, signs and errors as frame_measures. Source: as frame_measures.
    """
    knee = FIBULA if FIBULA in points else KNEE
    if len(points.shape) != 1 or points.shape[0] <= BLOCK:
        return _side_measures(points, settings, knee)
    frames = points.shape[0]
    joins = {code: Join(frames) for code in SIDE_CODES}
    for first in range(0, frames, BLOCK):
        block = slice(first, min(first + BLOCK, frames))
        for code, part in _side_measures(points.within(block), settings, knee).items():
            joins[code].add(block, part)
    return {code: join.measured() for code, join in joins.items()}


def _side_measures(points: Points, settings: Settings, knee: str) -> dict[str, Measured]:
    camera = settings.camera

    def line(start: str, end: str) -> Segment:
        return segment(points, start=start, end=end, camera=camera)

    trunk, body, thigh = line(HIP, SHOULDER), line(ANKLE, HIP), line(KNEE, HIP)
    leg, foot = line(ANKLE, KNEE), line(HEEL, FIFTH)
    joint_leg = leg if knee == KNEE else line(ANKLE, knee)
    return {
        "trunk_lean": geometry.trunk_lean(trunk),
        "body_line_lean": geometry.body_line_lean(body),
        "hip_hinge_angle": geometry.hip_hinge_angle(trunk, body),
        "shank_angle": geometry.shank_angle(leg),
        "thigh_angle": geometry.thigh_angle(thigh),
        "knee_flexion": geometry.knee_flexion(thigh, joint_leg),
        "hip_flexion": geometry.hip_flexion(trunk, thigh),
        "hip_extension": geometry.hip_extension(thigh),
        "ankle_dorsiflexion": geometry.ankle_dorsiflexion(joint_leg, foot),
        "foot_inclination": geometry.foot_inclination(foot, settings.standing_foot_deg or 0.0),
        "elbow_flexion": geometry.elbow_flexion(line(ELBOW, SHOULDER), line(WRIST, ELBOW)),
        "heel_to_com": _heel_to_com(points, settings),
        "heel_to_hip": ahead(points, camera, of=HIP, by=HEEL),
    }


def frontal_measures(
    points: Points, view: View, side: str | Sequence[str | None] | None, camera: Camera
) -> dict[str, Measured]:
    """The codes of the back and front views, each of shape (n,) or scalar as the points are.

    Arguments, units, signs and errors as frame_measures. Source: as frame_measures.
    """
    legs = _legs(points, side)
    if points.shape == ():
        stance = _of_stance(points, view, legs.item(), camera)
    else:
        joins = {code: Join(points.shape) for code in FRONTAL_CODES if code != "knee_gap"}
        for leg in dict.fromkeys(legs.flat):
            here = np.asarray(legs == leg, dtype=bool)
            for code, part in _of_stance(points.within(here), view, leg, camera).items():
                joins[code].add(here, part)
        stance = {code: join.measured() for code, join in joins.items()}
    return stance | {"knee_gap": frontal.knee_gap(points, view, camera)}


def trial_warnings(
    points: Mapping[str, ArrayLike | None], *, view: View, settings: Settings | None = None
) -> list[str]:
    """What must be said beside the numbers of a trial.

    Which segments the centre of mass rests on, that the foot angle is as seen, that the error of
    a click is not known.
    Arguments as frame_measures. Source: MEASUREMENT.md.
    """
    placed, chosen = Points(points), settings or Settings()
    said = []
    if chosen.camera.click_sd is None:
        said.append("click_sd is not given, so no angle or distance has an error")
    if view is not View.SIDE:
        return said
    if chosen.standing_foot_deg is None and HEEL in placed and FIFTH in placed:
        said.append("foot_inclination is as seen: standing_foot_deg is not given")
    if HEEL not in placed or chosen.camera.scale_m_per_unit is None:
        return said
    centre = _centre(placed, chosen)
    if isinstance(centre, Centre):
        said += [f"heel_to_com by {one}" for one in centre.patterns if one.landmarks]
    return said


def _heel_to_com(points: Points, settings: Settings) -> Measured:
    centre = _centre(points, settings)
    if isinstance(centre, Reason):
        return absent(centre, points.shape)
    return ahead_of_centre(points, centre, settings.camera, by=HEEL)


def _centre(points: Points, settings: Settings) -> Centre | Reason:
    try:
        return centre_of_mass(points, table=settings.table, sex=settings.sex)
    except SettingError as error:
        return Reason.of(error)


def _of_stance(points: Points, view: View, leg: str | None, camera: Camera) -> dict[str, Measured]:
    if leg is None:
        nothing = absent(frontal.NO_STANCE, points.shape)
        return dict.fromkeys(("pelvic_drop", "hip_adduction", "rearfoot_eversion"), nothing)
    seen = frontal.Frontal(points, view, leg, camera)
    return {
        "pelvic_drop": frontal.pelvic_drop(seen),
        "hip_adduction": frontal.hip_adduction(seen),
        "rearfoot_eversion": frontal.rearfoot_eversion(seen),
    }


def _legs(points: Points, side: str | Sequence[str | None] | None) -> Any:
    legs = np.asarray(side, dtype=object)
    if legs.shape not in {(), points.shape}:
        raise SettingError("side", f"has shape {legs.shape}, the frames {points.shape}")
    return np.broadcast_to(legs, points.shape)


def _other_view(points: Points, view: View) -> dict[str, Measured]:
    side = view is View.SIDE
    codes: tuple[str, ...] = FRONTAL_CODES if side else SIDE_CODES
    needed = "only a back or front view" if side else "only a side view"
    reason = Reason("view", f"{needed} shows this", error=SettingError)
    return {code: absent(reason, points.shape) for code in codes}
