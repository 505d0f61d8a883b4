"""Horizontal distances in the side view, in centimetres."""

from math import cos, hypot, radians, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from assessments.domain.camera import Camera, Points
from assessments.domain.measured import (
    Floats,
    LandmarkMissingError,
    Measured,
    Reason,
    SettingError,
    absent,
    positive_or_raise,
)

METHOD = "horizontal distance, click error propagated to first order, scale taken as exact"
NO_SCALE = Reason("scale_m_per_unit", "is not given, so there are no lengths", error=SettingError)


def ahead(points: Points, camera: Camera, *, of: str, by: str) -> Measured:
    """How far the landmark `by` is ahead of the landmark `of`, in cm along the true horizontal.

    points: frames of shape (n,) or one. Ahead is where the runner faces, +. sd: root 2 s x
    scale, whatever the plumb line, as the coordinates have one error. Without a scale, or where
    a landmark is missing: NaN and a reason. Source: by definition.
    """
    if camera.scale_m_per_unit is None:
        return absent(NO_SCALE, points.shape, METHOD)
    place = points[by] - points[of]
    value = horizontal(place, camera) * (100.0 * camera.scale_m_per_unit)
    sd = 100.0 * camera.scale_m_per_unit * sqrt(2) * camera.error
    why, reasons = missing_why(points, by, of)
    return with_error(value, sd, METHOD, why, reasons)


def horizontal(place: Floats, camera: Camera) -> Floats:
    """Forward part of displacements along the true horizontal, in their unit.

    place: shape (..., 2), picture axes. Source: rotation by the plumb line, by definition.
    """
    lean = radians(camera.plumb_deg)
    across = place[..., 0] * (camera.forward * cos(lean))
    if camera.plumb_deg:
        across = across - place[..., 1] * (camera.forward * camera.upward * sin(lean))
    return np.asarray(across)


def fraction_of_leg(distance: Measured, leg_length: Measured) -> Measured:
    """A distance as a fraction of leg length, with the error of both.

    distance: cm, shape (n,) or one; leg_length: m, one number, sd 0 if taken as exact. Relative
    errors add as squares. Raises SettingError for a leg length that is not above 0. Source:
    first-order propagation of a ratio (closed form U1).
    """
    metres = positive_or_raise(float(leg_length.value), "leg_length_m")
    value = np.asarray(distance.value) / (100.0 * metres)
    own = np.asarray(distance.sd) / (100.0 * metres)
    sd = np.hypot(own, value * (float(leg_length.sd) / metres))
    method = f"{distance.method}; over leg length"
    return Measured(value, sd, distance.n, method, distance.why, distance.reasons)


def length(points: Points, camera: Camera, *, start: str, end: str) -> Measured:
    """Distance between two landmarks in m, never negative, any direction.

    points: shape (n,) or one. sd: root 2 s x scale. No scale or a missing landmark: reasons.
    Source: by definition; its gradient is a unit vector at each end.
    """
    if camera.scale_m_per_unit is None:
        return absent(NO_SCALE, points.shape, METHOD)
    place = points[end] - points[start]
    value = np.hypot(place[..., 0], place[..., 1]) * camera.scale_m_per_unit
    why, reasons = missing_why(points, start, end)
    sd = camera.scale_m_per_unit * sqrt(2) * camera.error
    return with_error(value, sd, "length between two landmarks", why, reasons)


def scale_from(one: tuple[float, float], other: tuple[float, float], known_m: float) -> float:
    """Metres to one unit from the two ends of a thing of known length.

    one, other: coordinates in units; known_m: metres, above 0. Raises SettingError if the ends
    coincide or the length is not above 0. Source: by definition.
    """
    units = hypot(one[0] - other[0], one[1] - other[1])
    return positive_or_raise(known_m, "known length") / positive_or_raise(
        units, "length of the known thing on the picture"
    )


def plumb_from(low: tuple[float, float], high: tuple[float, float], camera: Camera) -> float:
    """Lean of a plumb line on the picture in degrees, clockwise +, for Camera.plumb_deg.

    low, high: two points on the line in the camera's coordinates. Raises SettingError if they
    coincide. Source: by definition.
    """
    right, up = high[0] - low[0], (high[1] - low[1]) * camera.upward
    positive_or_raise(hypot(right, up), "length of the plumb line on the picture")
    return float(np.degrees(np.arctan2(right, up)))


def missing_why(
    points: Points, *names: str
) -> tuple[NDArray[np.int16] | None, tuple[Reason, ...]]:
    """Why and reasons of a number that needs all named landmarks; None if all are there.

    points: shape (n,) or one. By definition.
    """
    gone = {name: lost for name in names if (lost := points.lost(name)) is not None}
    if not gone:
        return None, ()
    why = np.select(list(gone.values()), [*range(1, len(gone) + 1)], 0).astype(np.int16)
    text = "is missing or not a finite number"
    return why, tuple(Reason(name, text, error=LandmarkMissingError) for name in gone)


def with_error(
    value: Floats,
    sd: float | Floats,
    method: str,
    why: NDArray[np.int16] | None,
    reasons: tuple[Reason, ...],
) -> Measured:
    """Value with its error, both NaN where there is a reason. Shape (n,) or one. By definition."""
    errors = np.broadcast_to(sd, np.shape(value))
    if why is not None:
        value, errors = np.where(why == 0, value, np.nan), np.where(why == 0, errors, np.nan)
    return Measured(value, errors, 1, method, why, reasons)
