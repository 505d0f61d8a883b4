"""Measures of each placed frame, and what must be said beside them."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from assessments.domain.camera import View
from assessments.domain.frames import FRONTAL_CODES, SIDE_CODES, frame_measures, trial_warnings
from assessments.domain.measured import Measured, Reason, SettingError, absent
from assessments.domain.placed import PlacedFrame, PlacedTrial
from assessments.domain.segment_tables import HIP
from assessments.domain.vocabulary import Side

NO_VIEW = Reason("view", "is not given", error=SettingError)


@dataclass(frozen=True, slots=True)
class FrameResult:
    """Measures of one frame by code, and the reason of each that has no number."""

    frame: int
    side: Side | None
    values: Mapping[str, Measured]
    missing: Mapping[str, Reason]


def frame_results(trial: PlacedTrial) -> tuple[FrameResult, ...]:
    """Every measure of each frame, in the order of the file.

    Degrees and centimetres. Source: MEASUREMENT.md.
    """
    if not trial.frames:
        return ()
    measures = _measures(trial)
    return tuple(_result(place, frame, measures) for place, frame in enumerate(trial.frames))


def frame_warnings(trial: PlacedTrial) -> list[str]:
    """What must be said beside the measures of the frames, one sentence each.

    Source: MEASUREMENT.md; that the axes are said: rule of this clinic.
    """
    if not trial.frames or trial.view is None:
        return []
    said = trial_warnings(trial.points, view=trial.view, settings=trial.settings)
    if trial.facing is None and trial.view is View.SIDE:
        said.append("facing is not given: taken as right, all signs rest on it")
    if trial.y_axis is None:
        said.append("y_axis is not given: taken as up, all signs rest on it")
    return said


def _measures(trial: PlacedTrial) -> dict[str, Measured]:
    shape = (len(trial.frames),)
    if trial.view is None:
        return dict.fromkeys(SIDE_CODES + FRONTAL_CODES, absent(NO_VIEW, shape))
    # without any landmark one that is nowhere still tells how many frames there are
    nowhere = np.full((len(trial.frames), 2), np.nan)
    return frame_measures(
        trial.points or {HIP: nowhere},
        view=trial.view,
        side=[frame.side for frame in trial.frames],
        settings=trial.settings,
    )


def _result(place: int, frame: PlacedFrame, measures: Mapping[str, Measured]) -> FrameResult:
    values: dict[str, Measured] = {}
    missing: dict[str, Reason] = {}
    for code, measure in measures.items():
        reason = measure.reason(place, frame.frame)
        if reason is None:
            values[code] = measure.at(place)
        else:
            missing[code] = reason
    return FrameResult(frame.frame, frame.side, values, missing)
