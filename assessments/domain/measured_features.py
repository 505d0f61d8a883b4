"""Observations of features that follow from measured landmarks and events."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from assessments.domain.assessment import Observation
from assessments.domain.camera import View
from assessments.domain.frame_results import FrameResult
from assessments.domain.measured import Measured, mean_of
from assessments.domain.moments import Moment, Named, steps_showing
from assessments.domain.placed import PlacedTrial
from assessments.domain.rounding import half_up
from assessments.domain.vocabulary import Method, Side

BOTH = (Side.LEFT, Side.RIGHT)
STRAIGHT_DEG = 180.0
ERROR_DECIMALS = 4


@dataclass(frozen=True, slots=True)
class FromFrames:
    """One row of the table: a measure at a moment of a view becomes a feature.

    largest: the largest value of each step counts; sided: recorded for each side; from_straight:
    180 degrees less the measure.
    """

    measure: str
    view: View
    moment: Moment
    feature: str
    largest: bool = False
    sided: bool = True
    from_straight: bool = False


@dataclass(frozen=True, slots=True)
class FromTiming:
    """One row of the table: a measure of the events becomes a feature, times a factor."""

    measure: str
    feature: str
    factor: float = 1.0
    sided: bool = True


# MEASUREMENT.md, From measure code to feature, row by row
FRAME_ROWS = (
    FromFrames("trunk_lean", View.SIDE, Moment.MIDSTANCE, "trunk_lean", sided=False),
    FromFrames("hip_hinge_angle", View.SIDE, Moment.MIDSTANCE, "hip_hinge_angle", sided=False),
    FromFrames("shank_angle", View.SIDE, Moment.CONTACT, "shank_angle_contact"),
    FromFrames("shank_angle", View.SIDE, Moment.LOADING, "shank_angle_loading"),
    FromFrames("knee_flexion", View.SIDE, Moment.CONTACT, "knee_flexion_contact"),
    FromFrames("knee_flexion", View.SIDE, Moment.STANCE, "knee_flexion_stance_peak", largest=True),
    FromFrames("thigh_angle", View.SIDE, Moment.SWING, "knee_drive", largest=True),
    FromFrames("hip_extension", View.SIDE, Moment.TOE_OFF, "hip_extension_toe_off"),
    FromFrames("elbow_flexion", View.SIDE, Moment.MIDSTANCE, "elbow_angle", from_straight=True),
    FromFrames(
        "elbow_flexion",
        View.SIDE,
        Moment.HAND_FORWARD,
        "elbow_opening_in_front",
        from_straight=True,
    ),
    FromFrames("heel_to_com", View.SIDE, Moment.CONTACT, "heel_to_com"),
    FromFrames("foot_inclination", View.SIDE, Moment.CONTACT, "foot_inclination"),
    FromFrames("pelvic_drop", View.BACK, Moment.MIDSTANCE, "pelvic_drop"),
    FromFrames("hip_adduction", View.FRONT, Moment.STANCE, "hip_adduction", largest=True),
    FromFrames("rearfoot_eversion", View.BACK, Moment.STANCE, "rearfoot_eversion", largest=True),
)
TIMING_ROWS = (
    FromTiming("cadence", "cadence", sided=False),
    FromTiming("contact_time", "contact_time", 1000.0),
    FromTiming("flight_time", "flight_time", 1000.0),
    FromTiming("duty_factor", "duty_factor", 100.0),
    FromTiming("step_length", "step_length"),
)


@dataclass(frozen=True, slots=True)
class MeasuredFeature:
    """A feature in its own unit with its error; measured.n is the number of steps averaged."""

    feature: str
    side: Side
    measured: Measured

    def observation(self, trial: str, decimals: int) -> Observation:
        """As it is recorded, rounded to the decimals of the feature, with its standard error.

        trial: its code; sd in four decimals, None where it is not known. Source: MEASUREMENT.md
        (method video_2d).
        """
        value = half_up(Decimal(repr(float(self.measured.value))), decimals)
        error = float(self.measured.sd)
        sd = half_up(Decimal(repr(error)), ERROR_DECIMALS) if np.isfinite(error) else None
        return Observation(self.feature, self.side, trial, value, method=Method.VIDEO_2D, sd=sd)


def features_of_frames(
    trial: PlacedTrial, results: Sequence[FrameResult], named: Named | None = None
) -> tuple[MeasuredFeature, ...]:
    """Features that the frames give, each the mean over its steps.

    results: of the frames of the trial, in its order; named: instants that the clinician chose.
    Frames without a number count in no step. foot_inclination needs standing_foot_deg. Source:
    MEASUREMENT.md, From measure code to feature.
    """
    found = []
    for row in FRAME_ROWS:
        if row.view is not trial.view or not _usable(row, trial):
            continue
        for side, readings in _readings(row, trial, results, named or {}):
            if readings:
                found.append(MeasuredFeature(row.feature, side, _mean(row, readings)))
    return tuple(found)


def features_of_timing(
    both: Mapping[str, Measured], of_side: Mapping[tuple[str, Side], Measured]
) -> tuple[MeasuredFeature, ...]:
    """Features that the events give, in the units of the features.

    both: by code, of both feet; of_side: by code and side. Source: MEASUREMENT.md, From measure
    code to feature (s -> ms, ratio -> %).
    """
    found = []
    for row in TIMING_ROWS:
        for side in BOTH if row.sided else (Side.NONE,):
            measure = of_side.get((row.measure, side)) if row.sided else both.get(row.measure)
            if measure is not None and np.isfinite(measure.value):
                found.append(MeasuredFeature(row.feature, side, _times(measure, row.factor)))
    return tuple(found)


def _usable(row: FromFrames, trial: PlacedTrial) -> bool:
    return row.measure != "foot_inclination" or trial.standing_foot_deg is not None


def _readings(
    row: FromFrames, trial: PlacedTrial, results: Sequence[FrameResult], named: Named
) -> Iterator[tuple[Side, list[Measured]]]:
    readings = {side: _of_side(row, trial, results, named, side) for side in BOTH}
    if row.sided:
        yield from ((side, list(of.values())) for side, of in readings.items())
    else:  # a frame of no side would count for both: once is right
        yield Side.NONE, list((readings[Side.LEFT] | readings[Side.RIGHT]).values())


def _of_side(
    row: FromFrames,
    trial: PlacedTrial,
    results: Sequence[FrameResult],
    named: Named,
    side: Side,
) -> dict[tuple[int, ...], Measured]:
    """The reading of each step, by its frames."""
    found = {}
    for places in steps_showing(trial, row.moment, side, named):
        if row.sided and any(trial.frames[place].side is None for place in places):
            continue
        values = [results[place].values.get(row.measure) for place in places]
        there = [value for value in values if value is not None]
        if there:
            found[places] = max(there, key=lambda one: float(one.value))
    return found


def _mean(row: FromFrames, readings: Sequence[Measured]) -> Measured:
    values = np.array([float(one.value) for one in readings])
    errors = np.array([float(one.sd) for one in readings])
    if row.from_straight:
        values = STRAIGHT_DEG - values
    said = f"largest of each step; {readings[0].method}" if row.largest else readings[0].method
    return mean_of(Measured(values, errors, 1, said))


def _times(measure: Measured, factor: float) -> Measured:
    value, sd = float(measure.value) * factor, float(measure.sd) * factor
    return Measured(value, sd, measure.n, measure.method)
