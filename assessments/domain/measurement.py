"""What one file of landmarks and events gives: frames, timing, model and warnings."""

from collections.abc import Mapping, Sequence
from math import isfinite

from assessments.domain.events import Event, EventKind
from assessments.domain.frame_results import FrameResult, frame_results, frame_warnings
from assessments.domain.measured import EventError, Measured, MeasurementError
from assessments.domain.measured_features import (
    MeasuredFeature,
    features_of_frames,
    features_of_timing,
)
from assessments.domain.moments import Named
from assessments.domain.placed import PlacedTrial
from assessments.domain.running_model import SPRING_CODES, RunnerGiven, model_measures
from assessments.domain.timing import Timing, interval_sd, timing, timing_measures
from assessments.domain.vocabulary import Side

Json = dict[str, object]
TIMING_CODES = (
    "cadence",
    "step_time",
    "stride_time",
    "contact_time",
    "flight_time",
    "duty_factor",
    "step_length",
    "stride_length",
    "contact_time_symmetry_index",
    "contact_time_symmetry_angle",
    "flight_time_symmetry_index",
    "flight_time_symmetry_angle",
    "step_time_symmetry_index",
    "step_time_symmetry_angle",
)
NOTHING = {"value": None, "sd": None, "n": 0, "left": None, "right": None}
# so many decimals are beyond every error and hide the last binary digits
DECIMALS = 9
NO_RATE = "frame_rate_hz is not given, so events in frames have no times"
TOO_FEW = "fewer than two contacts: no steps to measure"


def measurement(trial: PlacedTrial) -> Json:
    """The result of one file as MEASUREMENT.md gives it, ready to be printed.

    Degrees, centimetres, seconds, metres, N, kN/m, ml/kg/min by code. Raises EventError for
    events that contradict each other. Source: MEASUREMENT.md.
    """
    found, said = timing_of(trial)
    model, model_said = _model(trial, found)
    return {
        "frames": [_frame(result) for result in frame_results(trial)],
        "timing": _timing_rows(trial, found),
        "model": model,
        "warnings": [*frame_warnings(trial), *said, *model_said],
    }


def trial_features(trial: PlacedTrial, named: Named | None = None) -> tuple[MeasuredFeature, ...]:
    """Every feature that the landmarks and events of one file give.

    named: instants that the clinician chose. Raises EventError as measurement does. Source:
    MEASUREMENT.md, From measure code to feature.
    """
    features = features_of_frames(trial, frame_results(trial), named)
    found, _ = timing_of(trial)
    if found is None:
        return features
    both = {code: sided.together for code, sided in found.measures.items()}
    of_side: dict[tuple[str, Side], Measured] = {}
    for code, sided in found.measures.items():
        of_side[code, Side.LEFT], of_side[code, Side.RIGHT] = sided.left, sided.right
    return features + features_of_timing(both, of_side)


def timing_of(trial: PlacedTrial) -> tuple[Timing | None, list[str]]:
    """Timing of the events, None where they give none, and what is to be said of it.

    Raises EventError for events out of order or at impossible rates. Source: MEASUREMENT.md.
    """
    if not trial.events:
        return None, []
    if _without_rate(trial):
        return None, [NO_RATE]
    try:
        found = timing(trial.events, frame_rate_hz=trial.frame_rate_hz, speed_m_s=trial.speed_m_s)
    except EventError as error:
        if error.what != EventKind.CONTACT:  # too few of them: nothing contradicts another
            raise
        return None, [TOO_FEW]
    return found, list(found.warnings)


def lone_contact(trial: PlacedTrial) -> Measured | None:
    """Contact time in s of a film with one contact and its toe-off, None for other events.

    sd: of reading two frames; not known for times. Source: by definition.
    """
    if _without_rate(trial) or len(trial.events) != 2:
        return None
    contact, off = sorted(trial.events, key=lambda event: event.kind is EventKind.TOE_OFF)
    if (contact.kind, off.kind) != (EventKind.CONTACT, EventKind.TOE_OFF):
        return None
    if contact.side is not off.side:
        return None
    time = _time(off, trial) - _time(contact, trial)
    if time <= 0:  # a film that begins in stance
        return None
    sd = float("nan")
    if trial.frame_rate_hz is not None and contact.time_s is None and off.time_s is None:
        sd = interval_sd(trial.frame_rate_hz)
    return Measured(time, sd, 1, "one contact")


def _without_rate(trial: PlacedTrial) -> bool:
    by_frame = any(event.time_s is None for event in trial.events)
    return by_frame and trial.frame_rate_hz is None


def _time(event: Event, trial: PlacedTrial) -> float:
    if event.time_s is not None:
        return event.time_s
    return (event.frame or 0) / (trial.frame_rate_hz or 1.0)


def _timing_rows(trial: PlacedTrial, found: Timing | None) -> Json:
    if found is not None:
        measures = timing_measures(
            trial.events, frame_rate_hz=trial.frame_rate_hz, speed_m_s=trial.speed_m_s
        )
        return {code: _rounded(row) for code, row in measures.items()}
    rows: Json = {code: dict(NOTHING) for code in TIMING_CODES} | {"missed_events": []}
    lone = lone_contact(trial)
    if lone is not None:
        value = _number(lone.value)
        own = {str(trial.events[0].side): value}
        rows["contact_time"] = {**NOTHING, "value": value, "sd": _number(lone.sd), "n": 1, **own}
    return rows


def _model(trial: PlacedTrial, found: Timing | None) -> tuple[Json, list[str]]:
    contact = found.measures["contact_time"].together if found else lone_contact(trial)
    flight = found.measures["flight_time"].together if found else None
    given = RunnerGiven(
        speed_m_s=trial.speed_m_s,
        mass_kg=trial.mass_kg,
        height_m=trial.height_m,
        leg_length_m=trial.leg_length_m,
        grade_percent=trial.grade_percent or 0.0,
    )
    try:
        model = model_measures(contact, flight, given)
    except MeasurementError as error:
        nothing = {"value": None, "sd": None, "warning": str(error)}
        codes = (*SPRING_CODES, "oxygen_cost")
        return {code: dict(nothing) for code in codes}, [str(error)]
    return {code: _rounded(row) for code, row in model.items()}, []


def _frame(result: FrameResult) -> Json:
    return {
        "frame": result.frame,
        "side": result.side,
        "values": {
            code: {"value": _number(one.value), "sd": _number(one.sd)}
            for code, one in result.values.items()
        },
        "missing": {code: str(reason) for code, reason in result.missing.items()},
    }


def _rounded(value: object) -> object:
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, Mapping):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_rounded(item) for item in value]
    return value


def _number(number: object) -> float | None:
    value = float(number)  # type: ignore[arg-type]  # a scalar or an array of one
    return round(value, DECIMALS) + 0.0 if isfinite(value) else None
