"""Features that a trial could have given and did not, each with the reason."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from assessments.domain.events import EventKind
from assessments.domain.frame_results import FrameResult
from assessments.domain.measured import Reason, SettingError
from assessments.domain.measured_features import (
    BOTH,
    FRAME_ROWS,
    TIMING_ROWS,
    FromFrames,
    MeasuredFeature,
)
from assessments.domain.moments import Named, steps_showing
from assessments.domain.placed import PlacedTrial
from assessments.domain.vocabulary import Side

STANDING = Reason("standing_foot_deg", "is not given", error=SettingError)


@dataclass(frozen=True, slots=True)
class MissingFeature:
    """A feature of the view, or of the events, without a value: its side and why."""

    feature: str
    side: Side
    reason: Reason


def missing_features(
    trial: PlacedTrial,
    results: Sequence[FrameResult],
    found: Sequence[MeasuredFeature],
    named: Named | None = None,
) -> tuple[MissingFeature, ...]:
    """Every row of the table for this view that gave nothing, frames first, then events.

    results: of the frames of the trial, in its order; found: what trial_features gave; named: as
    given to it. Without a view the frames give nothing and no row of theirs is named.
    Source: MEASUREMENT.md, From measure code to feature.
    """
    there = {(one.feature, one.side) for one in found}
    rows = [
        *_of_frames(trial, results, named or {}),
        *_of_timing(trial),
    ]
    return tuple(one for one in rows if (one.feature, one.side) not in there)


def _of_frames(
    trial: PlacedTrial, results: Sequence[FrameResult], named: Named
) -> Iterator[MissingFeature]:
    for row in FRAME_ROWS:
        if row.view is trial.view:
            for side in BOTH if row.sided else (Side.NONE,):
                yield MissingFeature(row.feature, side, _why(row, trial, results, named, side))


def _why(
    row: FromFrames,
    trial: PlacedTrial,
    results: Sequence[FrameResult],
    named: Named,
    side: Side,
) -> Reason:
    if row.measure == "foot_inclination" and trial.standing_foot_deg is None:
        return STANDING
    sides = (side,) if row.sided else BOTH
    shown = [
        place
        for one in sides
        for places in steps_showing(trial, row.moment, one, named)
        for place in places
    ]
    reasons = [results[place].missing.get(row.measure) for place in shown]
    told = next((reason for reason in reasons if reason is not None), None)
    if told is not None:
        return told
    if shown:
        return Reason("side", "is not given, so the value belongs to no leg")
    leg = f" of the {side}" if row.sided else ""
    return Reason("frames", f"none shows {row.moment.replace('_', ' ')}{leg}")


def _of_timing(trial: PlacedTrial) -> Iterator[MissingFeature]:
    for row in TIMING_ROWS:
        for side in BOTH if row.sided else (Side.NONE,):
            yield MissingFeature(row.feature, side, _no_time(row.measure, trial, side))


def _no_time(measure: str, trial: PlacedTrial, side: Side) -> Reason:
    if measure == "step_length" and trial.speed_m_s is None:
        return Reason("speed_m_s", "is not given", error=SettingError)
    own = [one for one in trial.events if side in (one.side, Side.NONE)]
    contacts = [one for one in own if one.kind is EventKind.CONTACT]
    if len(contacts) < 2:
        leg = "" if side is Side.NONE else f" of the {side}"
        return Reason("events", f"fewer than two contacts{leg}")
    if trial.frame_rate_hz is None and any(one.time_s is None for one in trial.events):
        return Reason("frame_rate_hz", "is not given", error=SettingError)
    return Reason("events", "too few of them follow one another")
