"""Segments between two landmarks: lean, error, and the difference of two of them."""

from dataclasses import dataclass, field
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assessments.domain.camera import Camera, Points
from assessments.domain.measured import (
    Bools,
    Floats,
    LandmarkMissingError,
    LandmarksCoincideError,
    Measured,
    Reason,
)

DEGREES = 180.0 / np.pi
METHOD = "2-D landmarks, click error propagated to first order"


@dataclass(frozen=True, slots=True)
class Segment:
    """A line from one landmark to another in each frame; limbs run from distal to proximal.

    forward, up: its components in units, from start to end, before the plumb line. lean: its
    angle to the true vertical in degrees, end ahead of start +, -180 to 180. inverse: 1 over
    its length squared. why, reasons: as in Measured.
    """

    start: str
    end: str
    forward: Floats
    up: Floats
    lean: Floats
    inverse: Floats
    camera: Camera
    why: NDArray[np.int16] | None = field(default=None, repr=False)
    reasons: tuple[Reason, ...] = ()

    @property
    def lean_error(self) -> Floats:
        """Standard deviation of lean in degrees: root 2 s / L.

        Source: first-order propagation of four independent coordinates (closed form U3).
        """
        return _root(self.inverse, DEGREES * sqrt(2) * self.camera.error)


def segment(points: Points, *, start: str, end: str, camera: Camera) -> Segment:
    """The segment between two named landmarks of the same frames.

    Frames where a landmark is missing, not finite, or where both lie on one place have NaN and a
    reason. Source: Winter (2009), segment angle from distal to proximal.
    """
    top, bottom = points[end], points[start]
    with np.errstate(over="ignore", invalid="ignore"):  # what overflows gets its reason below
        forward = _apart(top[..., 0], bottom[..., 0], camera.forward)
        up = _apart(top[..., 1], bottom[..., 1], camera.upward)
        squared = forward * forward
        squared += up * up
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = np.asarray(1.0 / squared)
        whole = _whole(squared, inverse)
    why: NDArray[np.int16] | None = None
    reasons: tuple[Reason, ...] = ()
    if not whole:
        why, reasons = _reasons(top, bottom, squared, start, end)
        inverse = np.where(why == 0, inverse, np.nan)
        forward, up = np.where(why == 0, forward, np.nan), np.where(why == 0, up, np.nan)
    lean = _lean(forward, up, camera)
    return Segment(start, end, forward, up, lean, inverse, camera, why, reasons)


def difference(one: Segment, other: Segment) -> Measured:
    """Lean of one segment less the lean of the other in degrees, -180 to 180, with its error.

    The plumb line falls out. Error: u^2 = s^2 (2/L1^2 + 2/L2^2 + 2 k cos(phi) / (L1 L2)), phi the
    angle between the segments, k the sum over shared landmarks of +1 where it is the start of
    one and the end of the other, -1 where it is the same end of both. Source:
    first-order propagation, coordinates independent (closed form U4).
    """
    value = wrapped(one.lean - other.lean)
    total = one.inverse + other.inverse
    shared = _shared(one, other)
    if shared:
        across = one.forward * other.forward
        across += one.up * other.up
        across *= one.inverse
        across *= other.inverse
        total += across if shared == 1 else shared * across
    sd = _root(total, DEGREES * sqrt(2) * one.camera.error)
    why, reasons = merged((one.why, one.reasons), (other.why, other.reasons))
    return Measured(value, sd, 1, METHOD, why, reasons)


def of_lean(line: Segment, *, sign: int = 1, less: float = 0.0) -> Measured:
    """Lean of a segment in degrees, -180 to 180: sign x lean - less. By definition."""
    value = line.lean if sign == 1 else sign * line.lean
    if less:
        value = wrapped(value - less)
    return Measured(value, line.lean_error, 1, METHOD, line.why, line.reasons)


def wrapped(angle: float | Floats) -> Floats:
    """The angle in degrees, brought to -180 to 180. By definition."""
    if np.size(angle) and np.max(angle) <= 180.0 and np.min(angle) >= -180.0:
        return np.asarray(angle)
    turns = angle / 360.0
    turns = np.rint(turns, out=turns) if isinstance(turns, np.ndarray) else np.rint(turns)
    turns *= 360.0
    return np.asarray(np.subtract(angle, turns))


def merged(
    *parts: tuple[NDArray[np.int16] | None, tuple[Reason, ...]],
) -> tuple[NDArray[np.int16] | None, tuple[Reason, ...]]:
    """Why and reasons of a number that needs all parts: in each frame the first reason stands.

    parts: why, shape (n,) or None, with its reasons. By definition.
    """
    why: NDArray[np.int16] | None = None
    told: tuple[Reason, ...] = ()
    for part, reasons in parts:
        if part is None:
            continue
        shifted = np.where(part == 0, 0, part + len(told)).astype(np.int16)
        why = shifted if why is None else np.where(why == 0, shifted, why)
        told += reasons
    return why, told


def lost(array: Floats) -> Bools:
    """Frames in which a landmark is not finite. array: (..., 2). By definition."""
    return np.asarray(~np.isfinite(array).all(axis=-1))


def _apart(top: Floats, bottom: Floats, sense: int) -> Floats:
    return top - bottom if sense == 1 else bottom - top


def _lean(forward: Floats, up: Floats, camera: Camera) -> Floats:
    lean: Any = np.arctan2(forward, up)
    lean *= DEGREES
    if camera.plumb_deg == 0:
        return np.asarray(lean)
    return np.asarray(wrapped(lean - camera.forward * camera.plumb_deg))


def _whole(squared: Floats, inverse: Floats) -> bool:
    """Whether every length is finite and above 0: 0 x inf is NaN, and one NaN spoils the sum."""
    return bool(np.isfinite(np.vdot(squared, inverse)))


def _reasons(
    top: Floats, bottom: Floats, squared: Floats, start: str, end: str
) -> tuple[NDArray[np.int16], tuple[Reason, ...]]:
    unfit = ~((squared > 0) & (squared < np.inf))
    why = np.select([lost(top), lost(bottom), unfit], [1, 2, 3], 0).astype(np.int16)
    missing = "is missing or not a finite number"
    one_place = "lie on one place, or too far apart"
    return why, (
        Reason(end, missing, error=LandmarkMissingError),
        Reason(start, missing, error=LandmarkMissingError),
        Reason(f"{start} and {end}", one_place, error=LandmarksCoincideError),
    )


def _shared(one: Segment, other: Segment) -> int:
    chained = (one.end == other.start) + (one.start == other.end)
    alike = (one.end == other.end) + (one.start == other.start)
    return chained - alike


def _root(squares: Floats, factor: float) -> Floats:
    root: Any = np.sqrt(squares)
    root *= factor
    return np.asarray(root)
