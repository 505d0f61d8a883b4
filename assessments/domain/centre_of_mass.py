"""Whole-body centre of mass from landmarks of one side, and distances to it."""

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from assessments.domain.camera import Camera, Points
from assessments.domain.distances import NO_SCALE, horizontal, missing_why, with_error
from assessments.domain.measured import (
    Floats,
    LandmarkMissingError,
    Measured,
    Reason,
    absent,
)
from assessments.domain.segment_tables import Part, SegmentTable, groups_of
from assessments.domain.segments import merged

# Most of the body that may be missing; the rest then stands for it: rule of this clinic. With
# all of the head (7 %) half a metre above the centre left out in a lean of 10 degrees the centre
# moves by 0.6 cm.
MOST_MISSING = 0.10
OTHER_SIDE = "the far arm and leg are taken to lie where the near ones are"


@dataclass(frozen=True, slots=True)
class Weights:
    """Which segments count, and the share of each landmark in the centre of mass; they sum to 1.

    missing: segments without landmarks; lacking: those landmarks; missing_mass: their share of
    the body. landmarks is empty when too much is missing.
    """

    table: SegmentTable
    used: tuple[str, ...]
    missing: tuple[str, ...]
    lacking: tuple[str, ...]
    missing_mass: float
    landmarks: tuple[tuple[str, float], ...]

    def __str__(self) -> str:
        """Table, segments and what is assumed, as the result says it."""
        gone = f"; without {', '.join(self.missing)}" if self.missing else ""
        return f"{self.table}: {'; '.join(self.used)}{gone}; {OTHER_SIDE}"


@dataclass(frozen=True, slots=True)
class Centre:
    """Centre of mass in each frame.

    place: shape (n, 2), picture axes and units, NaN where there is none. pattern: shape (n,), the
    index into patterns of the landmarks that were there.
    """

    place: Floats
    pattern: NDArray[np.int16]
    patterns: tuple[Weights, ...]


def segment_centre(proximal: ArrayLike, distal: ArrayLike, from_proximal: float) -> Floats:
    """Centre of mass of one segment, in the unit of the coordinates.

    proximal, distal: shape (..., 2); from_proximal: share of the length. Source: Winter (2009),
    Chapter 4, by definition of the table.
    """
    start = np.asarray(proximal, dtype=np.float64)
    end = np.asarray(distal, dtype=np.float64)
    return np.asarray(start + from_proximal * (end - start))


@lru_cache(maxsize=256)
def weights(there: frozenset[str], table: SegmentTable, sex: str | None) -> Weights:
    """The rule for missing segments.

    there: landmarks at hand. Of each region the first whole of the table whose landmarks are all
    there counts, as a published whole (head, arms and trunk) loses no mass. If none is complete,
    the segments of the first that can be placed count and the others are missing; up to
    MOST_MISSING of the body may be, and the rest is scaled to 1. Raises SettingError for a table
    without values for the sex. Source: tables of segment_tables; rule of this clinic.
    """
    used: list[Part] = []
    gone: list[Part] = []
    for group in groups_of(table, sex):
        whole = next((whole for whole in group if all(_placed(it, there) for it in whole)), None)
        used += whole or [part for part in group[0] if _placed(part, there)]
        gone += [] if whole else [part for part in group[0] if not _placed(part, there)]
    missing = sum(part.mass for part in gone)
    return Weights(
        table,
        tuple(part.name for part in used),
        tuple(part.name for part in gone),
        tuple(dict.fromkeys(it for part in gone for it in part.weights if it not in there)),
        missing,
        _shares(used) if missing <= MOST_MISSING else (),
    )


def centre_of_mass(
    points: Points, *, table: SegmentTable = SegmentTable.DEMPSTER_WINTER, sex: str | None = None
) -> Centre:
    """Whole-body centre of mass of each frame from the landmarks of the visible side.

    points: shape (n,) frames or one. The far limbs are taken to lie where the near ones are: in
    running the far leg is elsewhere, so this is the centre of a body drawn from one side, and sd
    does not hold that. Raises SettingError as weights does. Source: Winter (2009), sum of mass x
    place over the segments.
    """
    names = _needed(table, sex)
    gone = [points.lost(name) for name in names]
    code = np.zeros(points.shape, dtype=np.int64)
    for bit, lost in enumerate(gone):
        if lost is not None:
            code += lost.astype(np.int64) << bit
    codes = [0] if all(lost is None for lost in gone) else sorted(set(np.ravel(code).tolist()))
    patterns = tuple(weights(_there(names, number), table, sex) for number in codes)
    if len(patterns) == 1:
        return Centre(_place(points, patterns[0]), np.zeros(points.shape, np.int16), patterns)
    place = np.full((*points.shape, 2), np.nan)
    pattern = np.searchsorted(codes, code).astype(np.int16)
    for index, one in enumerate(patterns):
        here = pattern == index
        place[here] = _place(points.within(here), one)
    return Centre(place, pattern, patterns)


def ahead_of_centre(points: Points, centre: Centre, camera: Camera, *, by: str) -> Measured:
    """How far a landmark is ahead of the centre of mass, in cm along the true horizontal.

    by: heel or lateral_malleolus; centre: of the same points. Ahead +. sd: s x scale x root of
    the sum over landmarks of (own share less share in the centre) squared, plumb line or not.
    Without a scale, landmark or enough of the body: NaN and a reason. Source: features.csv,
    heel_to_com; first-order propagation, exact as the distance is linear.
    """
    method = "; or ".join(str(one) for one in centre.patterns if one.landmarks)
    if camera.scale_m_per_unit is None:
        return absent(NO_SCALE, points.shape, method)
    centimetres = 100.0 * camera.scale_m_per_unit
    value = horizontal(points[by] - centre.place, camera) * centimetres
    spreads = np.array([_spread(one, by) for one in centre.patterns])
    sd = spreads[centre.pattern] if len(spreads) > 1 else spreads[0]
    why, reasons = merged(missing_why(points, by), _too_little(centre))
    return with_error(value, sd * (centimetres * camera.error), method, why, reasons)


def _placed(part: Part, there: Collection[str]) -> bool:
    return part.start in there and part.end in there


def _shares(parts: list[Part]) -> tuple[tuple[str, float], ...]:
    total = sum(part.mass for part in parts)
    shares: Counter[str] = Counter()
    for part in parts:
        for name, share in part.weights.items():
            shares[name] += part.mass * share / total  # type: ignore[assignment]
    return tuple(shares.items())


def _needed(table: SegmentTable, sex: str | None) -> tuple[str, ...]:
    groups = groups_of(table, sex)
    parts = [part for group in groups for whole in group for part in whole]
    return tuple(dict.fromkeys(name for part in parts for name in part.weights))


def _there(names: tuple[str, ...], code: int) -> frozenset[str]:
    return frozenset(name for bit, name in enumerate(names) if not code >> bit & 1)


def _place(points: Points, one: Weights) -> Floats:
    if not one.landmarks:
        return np.full((*points.shape, 2), np.nan)
    (first, share), *others = one.landmarks
    place = points[first] * share
    part = np.empty_like(place)
    for name, weight in others:
        place += np.multiply(points[name], weight, out=part)
    return np.asarray(place)


def _spread(one: Weights, by: str) -> float:
    shares = dict(one.landmarks)
    shares[by] = shares.get(by, 0.0) - 1.0
    return sqrt(sum(share * share for share in shares.values()))


def _too_little(centre: Centre) -> tuple[NDArray[np.int16] | None, tuple[Reason, ...]]:
    short = [index for index, one in enumerate(centre.patterns) if not one.landmarks]
    if not short:
        return None, ()
    why = np.zeros(np.shape(centre.pattern), np.int16)
    reasons = []
    for number, index in enumerate(short, start=1):
        one = centre.patterns[index]
        why = np.where(centre.pattern == index, number, why).astype(np.int16)
        why_not = (
            f"missing, so {', '.join(one.missing)} cannot be placed, "
            f"{100 * one.missing_mass:.0f} % of the body; at most {100 * MOST_MISSING:.0f} % may"
        )
        reasons.append(Reason(", ".join(one.lacking), why_not, error=LandmarkMissingError))
    return why, tuple(reasons)
