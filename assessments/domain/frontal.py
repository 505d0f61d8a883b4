"""Angles and distances of the back and front views.

Arrays of n frames or one frame; stance is the leg on the ground, "left" or "right", one for all
frames or an array of shape (n,). Angles in degrees, -180 to 180. None raises for a missing
landmark: the frame is NaN and has its reason. Click errors are propagated to first order.
"""

from dataclasses import dataclass, replace
from math import sqrt

from assessments.domain.camera import Camera, Facing, Points, View
from assessments.domain.distances import METHOD, NO_SCALE, horizontal, missing_why, with_error
from assessments.domain.measured import Measured, Reason, SettingError, absent
from assessments.domain.segments import Segment, difference, of_lean, segment, wrapped

NO_STANCE = Reason("side", "the stance leg is not given", error=SettingError)


@dataclass(frozen=True, slots=True)
class Frontal:
    """Landmarks of a back or front view while one leg stands.

    points: names with left_ and right_; view: back or front; stance: left or right; camera: its
    facing does not matter. Raises SettingError for a side view or another stance.
    """

    points: Points
    view: View
    stance: str
    camera: Camera

    def __post_init__(self) -> None:
        if self.view is View.SIDE:
            raise SettingError("view", "the pelvis is seen from the back or front")
        if self.stance not in {"left", "right"}:
            raise SettingError("side", f"must be left or right, is {self.stance}")

    @property
    def swing(self) -> str:
        """The other leg."""
        return "left" if self.stance == "right" else "right"

    @property
    def outward(self) -> Camera:
        """The camera with forward turned to the outer side of the stance leg."""
        right = (self.view is View.BACK) == (self.stance == "right")
        return replace(self.camera, facing=Facing.RIGHT if right else Facing.LEFT)

    def line(self, start: str, end: str) -> Segment:
        """A segment whose lean is positive towards the outer side of the stance leg."""
        return segment(self.points, start=start, end=end, camera=self.outward)


def pelvic_drop(seen: Frontal) -> Measured:
    """Pelvis line against the horizontal, swing side lower +, in degrees.

    Needs the back points of the pelvis in the back view, the front points in the front view.
    Source: features.csv, pelvic_drop; checked by constructed poses only.
    """
    bone = "psis" if seen.view is View.BACK else "asis"
    return of_lean(seen.line(f"{seen.swing}_{bone}", f"{seen.stance}_{bone}"), sign=-1, less=-90)


def hip_adduction(seen: Frontal) -> Measured:
    """Stance thigh against a right angle to the pelvis line, knee inwards +, in degrees.

    Needs both front points of the pelvis and the stance knee centre: the hip is taken at the
    front point, which lies outside the joint, so the angle is 2-D and not the joint's. Source:
    features.csv, hip_adduction; checked by constructed poses only.
    """
    hip = f"{seen.stance}_asis"
    thigh, pelvis = (
        seen.line(hip, f"{seen.stance}_knee_centre"),
        seen.line(hip, f"{seen.swing}_asis"),
    )
    apart = difference(thigh, pelvis)
    return replace(apart, value=wrapped(apart.value + 90.0))


def rearfoot_eversion(seen: Frontal) -> Measured:
    """Heel line against the line of the lower leg, stance foot, eversion +, in degrees.

    Needs the two heel and the two shank marks of the stance leg. Heel line: bottom to top; it
    leans inwards in eversion. Source: features.csv, rearfoot_eversion; constructed poses only.
    """
    shank = seen.line(f"{seen.stance}_shank_lower", f"{seen.stance}_shank_upper")
    heel = seen.line(f"{seen.stance}_heel_bottom", f"{seen.stance}_heel_top")
    return difference(shank, heel)


def knee_gap(points: Points, view: View, camera: Camera) -> Measured:
    """Horizontal distance between the knee centres in cm, negative where they cross.

    points: frames of shape (n,) or one; the plumb line gives the horizontal. sd: root 2 s x
    scale. Without a scale or a knee: reasons. Source: by definition.
    """
    if camera.scale_m_per_unit is None:
        return absent(NO_SCALE, points.shape, METHOD)
    rightwards = replace(camera, facing=Facing.RIGHT if view is View.BACK else Facing.LEFT)
    place = points["right_knee_centre"] - points["left_knee_centre"]
    centimetres = 100.0 * camera.scale_m_per_unit
    why, reasons = missing_why(points, "left_knee_centre", "right_knee_centre")
    sd = centimetres * sqrt(2) * camera.error
    return with_error(horizontal(place, rightwards) * centimetres, sd, METHOD, why, reasons)


def midline_distance(seen: Frontal, joint: str) -> Measured:
    """Horizontal distance of a stance landmark from the middle of the pelvis in cm.

    joint: knee_centre or ankle_centre. On its own side +, crossed over -. sd: root(1.5) s x
    scale, as the middle is the mean of two landmarks. Without a scale or landmark: reasons.
    Source: by definition; checked by constructed poses only.
    """
    camera, points = seen.outward, seen.points
    if camera.scale_m_per_unit is None:
        return absent(NO_SCALE, points.shape, METHOD)
    bone = "psis" if seen.view is View.BACK else "asis"
    name, left, right = f"{seen.stance}_{joint}", f"left_{bone}", f"right_{bone}"
    place = points[name] - (points[left] + points[right]) / 2
    centimetres = 100.0 * camera.scale_m_per_unit
    why, reasons = missing_why(points, name, left, right)
    sd = centimetres * sqrt(1.5) * camera.error
    return with_error(horizontal(place, camera) * centimetres, sd, METHOD, why, reasons)
