"""Cadence, step, stride, contact and flight times from marked events, with their errors.

Times in seconds, lengths in metres. Error of an interval between events read in whole frames of
duration d: each has the error of a uniform rounding, d / root 12, so an interval has d / root 6.
Error of a mean: the larger of its standard error and the reading error over root n.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import atan2, degrees, floor, hypot, isfinite, nan, pi, sqrt

import numpy as np

from assessments.domain.events import Event, Limits, Mark, MissedEvent, Steps, read_steps
from assessments.domain.measured import EventError, Measured, mean_of, positive_or_raise
from assessments.domain.vocabulary import Side

METRES_PER_MILE = 1609.344
COMPARED = ("contact_time", "flight_time", "step_time")
ROBINSON = "symmetry index, 100 (R - L) / (0.5 (R + L)) %: Robinson, Herzog & Nigg 1987"
ZIFCHOCK = "symmetry angle, (45 - atan(L / R)) / 90 x 100 %: Zifchock et al. 2008"


@dataclass(frozen=True, slots=True)
class Sided:
    """A measure of both feet together and of each. Measured; NaN where there is nothing.

    scatter: SD between the repetitions in the measure's unit, NaN below two; variation:
    coefficient of variation in %. NaN too for measures that are not means of repetitions.
    """

    together: Measured
    left: Measured
    right: Measured
    scatter: float = nan
    variation: float = nan


@dataclass(frozen=True, slots=True)
class Timing:
    """Measures by their code, missed and doubled events, and what is to be said of them.

    correlation: of the errors of mean contact and flight time, which share the toe-off.
    """

    measures: dict[str, Sided]
    missed: tuple[MissedEvent, ...]
    warnings: tuple[str, ...]
    correlation: float = 0.0


def timing_measures(
    events: Sequence[Event],
    *,
    frame_rate_hz: float | None = None,
    speed_m_s: float | None = None,
    limits: Limits | None = None,
) -> dict[str, object]:
    """For each timing code {"value", "sd", "n", "left", "right", "method"}, and missed_events.

    Arguments and errors as for timing. Numbers are None where there are none; missed_events is a
    list of {"fault", "kind", "side", "index", "frame", "time_s"}. Source: MEASUREMENT.md, Timing.
    """
    result = timing(events, frame_rate_hz=frame_rate_hz, speed_m_s=speed_m_s, limits=limits)
    rows: dict[str, object] = {code: _row(sided) for code, sided in result.measures.items()}
    rows["missed_events"] = [
        {
            "fault": str(missed.fault),
            "kind": str(missed.kind),
            "side": str(missed.side),
            "index": missed.index,
            "frame": missed.frame,
            "time_s": missed.time_s,
        }
        for missed in result.missed
    ]
    return rows


def timing(
    events: Sequence[Event],
    *,
    frame_rate_hz: float | None = None,
    speed_m_s: float | None = None,
    limits: Limits | None = None,
) -> Timing:
    """All timing measures of a run, missed and doubled events left out of them.

    events: as for events.read_steps; frame_rate_hz: 1/s; speed_m_s: of the belt, None where not
    known: then no lengths. Errors: EventError, SettingError. Source: MEASUREMENT.md, Timing.
    """
    limits = limits or Limits()
    steps = read_steps(events, frame_rate_hz, limits)
    times = {
        "step_time": _sided(_step_times(steps), "step time"),
        "stride_time": _sided(_stride_times(steps), "stride time"),
        "contact_time": _sided(_contact_times(steps), "contact time"),
        "flight_time": _sided(_flight_times(steps), "flight time"),
        "duty_factor": _sided(_duty_factors(steps), "contact over stride"),
    }
    measures = {"cadence": _cadence(times, limits)} | times
    measures |= _lengths(times, speed_m_s) | _asymmetries(times)
    said = _warnings(steps, times, limits)
    return Timing(measures, steps.missed, said, _correlation(steps, times))


def interval_sd(frame_rate_hz: float, interval_s: float | None = None) -> float:
    """SD in s of an interval between two events read in whole frames of random phase.

    frame_rate_hz: 1/s; interval_s: the true interval, 0 or more: d root(f (1 - f)), f the
    fractional part of interval / d; None, as for a reading: its mean square, d / root 6. Errors:
    SettingError for the rate, EventError for the interval. Source: two uniform roundings, by
    definition (sum of two uniform errors); checked by random phases.
    """
    duration = 1 / positive_or_raise(frame_rate_hz, "frame_rate_hz")
    if interval_s is None:
        return duration / sqrt(6)
    if not isfinite(interval_s) or interval_s < 0:
        raise EventError("interval", f"must be finite and 0 or more, is {interval_s}")
    frames = interval_s / duration
    fraction = frames - floor(frames)
    return duration * sqrt(fraction * (1 - fraction))


def symmetry_index(left: Measured, right: Measured, correlation: float = 0.0) -> Measured:
    """Difference of right and left over their mean in %, right larger +.

    left, right: scalars of one unit, above 0; SettingError otherwise; correlation: of their
    errors. sd: first order. Source:
    Robinson RO, Herzog W, Nigg BM 1987, Journal of Manipulative and Physiological Therapeutics
    10:172-176 (from memory).
    """
    a, b = _pair(left, right)
    by = 400 / (a + b) ** 2
    sd = by * _apart_sd(b * float(left.sd), a * float(right.sd), correlation)
    return Measured(200 * (b - a) / (a + b), sd, _n(left) + _n(right), ROBINSON)


def symmetry_angle(left: Measured, right: Measured, correlation: float = 0.0) -> Measured:
    """Angle of (right, left) from the line of equality in % of 90 degrees, right larger +.

    left, right: scalars of one unit, above 0; SettingError otherwise; correlation: of their
    errors. sd: first order. Source:
    Zifchock RA, Davis I, Higginson J, Royer T 2008, Gait & Posture 27:622-627 (from memory).
    """
    a, b = _pair(left, right)
    by = 200 / pi / (a**2 + b**2)
    sd = by * _apart_sd(b * float(left.sd), a * float(right.sd), correlation)
    return Measured((45 - degrees(atan2(a, b))) / 90 * 100, sd, _n(left) + _n(right), ZIFCHOCK)


def length_at(time: Measured, speed_m_s: float, speed_sd: float = 0.0) -> Measured:
    """Way in m of the belt in a step or stride time.

    time: s, scalar or shape (n,); speed_m_s: above 0, SettingError if not; speed_sd: m/s. sd:
    first order. Source: by definition, speed x time (features.csv, step_length).
    """
    speed = positive_or_raise(speed_m_s, "speed_m_s")
    sd = np.hypot(np.asarray(time.sd) * speed, np.asarray(time.value) * speed_sd)
    said = f"{time.method}; times speed"
    if np.ndim(time.value) == 0:
        return Measured(float(time.value * speed), float(sd), time.n, said)
    return Measured(time.value * speed, sd, time.n, said)


def km_h(speed_m_s: float) -> float:
    """Speed in km/h from m/s, above 0; SettingError if not. By definition."""
    return positive_or_raise(speed_m_s, "speed_m_s") * 3.6


def speed_of_km_h(speed: float) -> float:
    """Speed in m/s from km/h, above 0; SettingError if not. By definition."""
    return positive_or_raise(speed, "speed_km_h") / 3.6


def pace_min_km(speed_m_s: float) -> float:
    """Minutes per kilometre from m/s, above 0; SettingError if not. By definition."""
    return 1000 / 60 / positive_or_raise(speed_m_s, "speed_m_s")


def pace_min_mile(speed_m_s: float) -> float:
    """Minutes per mile (1609.344 m) from m/s, above 0; SettingError if not. By definition."""
    return METRES_PER_MILE / 60 / positive_or_raise(speed_m_s, "speed_m_s")


def speed_of_pace(minutes_per_km: float) -> float:
    """Speed in m/s from minutes per kilometre, above 0; SettingError if not. By definition."""
    return 1000 / 60 / positive_or_raise(minutes_per_km, "pace")


# one repetition: foot, value, sd of reading it
Reading = tuple[Side, float, float]


def _step_times(steps: Steps) -> Iterable[Reading]:
    for earlier, later in zip(steps.contacts, steps.contacts[1:], strict=False):
        if _apart(earlier, later, 1):
            yield later.event.side, later.time - earlier.time, hypot(earlier.sd, later.sd)


def _stride_times(steps: Steps) -> Iterable[Reading]:
    for earlier, later, _ in _strides(steps):
        yield earlier.event.side, later.time - earlier.time, hypot(earlier.sd, later.sd)


def _contact_times(steps: Steps) -> Iterable[Reading]:
    for contact, toe_off in zip(steps.contacts, steps.toe_offs, strict=True):
        if toe_off is not None and toe_off.sure and contact.sure:
            yield contact.event.side, toe_off.time - contact.time, hypot(contact.sd, toe_off.sd)


def _flight_times(steps: Steps) -> Iterable[Reading]:
    for toe_off, landing in _landings(steps):
        if landing.time >= toe_off.time:
            yield toe_off.event.side, landing.time - toe_off.time, hypot(landing.sd, toe_off.sd)


def _duty_factors(steps: Steps) -> Iterable[Reading]:
    whole = [
        (contact, later, toe_off)
        for contact, later, toe_off in _strides(steps)
        if toe_off is not None and toe_off.sure
    ]
    starts = {contact.index for contact, _, _ in whole}
    for contact, later, toe_off in whole:
        stride = later.time - contact.time
        duty = (toe_off.time - contact.time) / stride
        # slopes by the time of contact, toe-off and next contact
        parts = [(1 - duty) * contact.sd, toe_off.sd, duty * later.sd]
        if later.index in starts:
            # the next stride starts there: both go down when it is read late, so that the
            # variance of their sum has twice the product of the slopes besides
            parts.append(sqrt(2 * duty * (1 - duty)) * later.sd)
        yield contact.event.side, duty, hypot(*parts) / stride


def _landings(steps: Steps) -> Iterable[tuple[Mark, Mark]]:
    """Each sure toe-off with the next contact, where that is of the other foot and sure."""
    rows = zip(steps.contacts, steps.contacts[1:], steps.toe_offs, strict=False)
    for contact, later, toe_off in rows:
        if toe_off is not None and toe_off.sure and _apart(contact, later, 1):
            yield toe_off, later


def _strides(steps: Steps) -> Iterable[tuple[Mark, Mark, Mark | None]]:
    """Each contact with the next of the same foot, two steps on, and its own toe-off."""
    by_step = {mark.step: mark for mark in steps.contacts}
    for contact, toe_off in zip(steps.contacts, steps.toe_offs, strict=True):
        later = by_step.get(contact.step + 2)
        if later is not None and contact.sure and later.sure:
            yield contact, later, toe_off


def _apart(earlier: Mark, later: Mark, steps: int) -> bool:
    return earlier.sure and later.sure and later.step - earlier.step == steps


def _correlation(steps: Steps, times: dict[str, Sided]) -> float:
    """Of the errors of mean contact and flight: -1/2 by reading frames, else that of the sample.

    An early toe-off shortens contact and lengthens flight: of three equal roundings they share
    one, with the other sign. 0 where neither can be told.
    """
    flights = [
        (toe_off.index, landing.time - toe_off.time) for toe_off, landing in _landings(steps)
    ]
    contact_of = {
        toe_off.index: toe_off.time - contact.time
        for contact, toe_off in zip(steps.contacts, steps.toe_offs, strict=True)
        if toe_off is not None
    }
    pairs = np.array([(contact_of[index], flight) for index, flight in flights])
    if _reading_governs(times["contact_time"]) and _reading_governs(times["flight_time"]):
        return -0.5
    if len(pairs) < 3 or not np.all(np.std(pairs, axis=0) > 0):
        return 0.0
    return float(np.corrcoef(pairs.T)[0, 1])


def _reading_governs(sided: Sided) -> bool:
    """Whether the error of the mean is that of reading frames and not its standard error."""
    mean = sided.together
    if not mean.n or not float(mean.sd) > 0:
        return False
    return not isfinite(sided.scatter) or float(mean.sd) > sided.scatter / sqrt(_n(mean))


def _sided(readings: Iterable[Reading], method: str) -> Sided:
    rows = list(readings)
    values = [value for _, value, _ in rows]
    scatter = float(np.std(values, ddof=1)) if len(values) > 1 else nan
    return Sided(
        _mean(rows, method),
        _mean([row for row in rows if row[0] is Side.LEFT], method),
        _mean([row for row in rows if row[0] is Side.RIGHT], method),
        scatter,
        100 * scatter / float(np.mean(values)) if len(values) > 1 else nan,
    )


def _mean(rows: Sequence[Reading], method: str) -> Measured:
    if not rows:
        return _nothing(f"{method}: no events to take it from")
    values, errors = (np.array(column) for column in ([r[1] for r in rows], [r[2] for r in rows]))
    mean = mean_of(Measured(values, errors, method=method))
    if len(rows) == 1 and not errors.any():
        return Measured(
            float(mean.value), nan, 1, f"{method}; one time in seconds, error not known"
        )
    return mean


def _nothing(method: str) -> Measured:
    return Measured(nan, nan, 0, method)


def _cadence(times: dict[str, Sided], limits: Limits) -> Sided:
    """Steps a minute from step times, from stride times where one foot alone was marked."""
    nothing = _nothing("cadence is of both feet")
    by_steps = times["step_time"].together
    steps, time = (1, by_steps) if by_steps.n else (2, times["stride_time"].together)
    if not time.n:
        return Sided(_nothing("cadence: no two neighbouring contacts"), nothing, nothing)
    value = 60 * steps / float(time.value)
    if not limits.cadence[0] <= value <= limits.cadence[1]:
        why = f"impossible rate: {value:.1f} steps/min, plausible are {limits.cadence}"
        raise EventError("cadence", why)
    said = f"{60 * steps} / {time.method}"
    return Sided(
        Measured(value, value * float(time.sd) / float(time.value), time.n, said), nothing, nothing
    )


def _lengths(times: dict[str, Sided], speed_m_s: float | None) -> dict[str, Sided]:
    lengths = {}
    for code in ("step", "stride"):
        time = times[f"{code}_time"]
        if speed_m_s is None:
            nothing = _nothing("not given: speed_m_s")
            lengths[f"{code}_length"] = Sided(nothing, nothing, nothing)
            continue
        both, left, right = (
            length_at(one, speed_m_s) for one in (time.together, time.left, time.right)
        )
        scatter = time.scatter * speed_m_s
        lengths[f"{code}_length"] = Sided(both, left, right, scatter, time.variation)
    return lengths


def _asymmetries(times: dict[str, Sided]) -> dict[str, Sided]:
    found = {}
    for code in COMPARED:
        left, right = times[code].left, times[code].right
        for name, measure in (("index", symmetry_index), ("angle", symmetry_angle)):
            there = min(_n(left), _n(right)) > 0 and float(left.value) > 0 < float(right.value)
            shared = _shared_contacts(_n(left), _n(right)) if code == "step_time" and there else 0
            compared = measure(left, right, shared) if there else _nothing("needs both feet")
            found[f"{code}_symmetry_{name}"] = Sided(compared, left, right)
    return found


def _apart_sd(left: float, right: float, correlation: float) -> float:
    """Error of a difference of two errors that are correlated."""
    return sqrt(max(left**2 + right**2 - 2 * correlation * left * right, 0.0))


def _shared_contacts(left: int, right: int) -> float:
    """Correlation of the errors of mean left and right step times, which share their contacts.

    A contact read late makes its step longer and the next step, of the other foot, shorter: each
    of the at most left + right - 1 shared contacts adds minus half of a step's variance. Where a
    missed event breaks the row fewer are shared, and the error is stated too large.
    """
    return max(-(left + right - 1) / (2 * sqrt(left * right)), -1.0)


def _warnings(steps: Steps, times: dict[str, Sided], limits: Limits) -> tuple[str, ...]:
    said = [
        f"{one.fault} {one.kind.replace('_', '-')} of the {one.side} foot near {one.time_s:.3f} s,"
        f" event {one.index}: left out"
        for one in steps.missed
    ]
    for code, (low, high) in (
        ("contact_time", limits.contact_time),
        ("flight_time", limits.flight_time),
    ):
        for side, mean in (("left", times[code].left), ("right", times[code].right)):
            if mean.n and not low <= float(mean.value) <= high:
                name = code.replace("_", " ")
                said.append(
                    f"{name} {side} {mean.value:.3f} s is not one of running ({low}-{high})"
                )
    if any(landing.time < toe_off.time for toe_off, landing in _landings(steps)):
        said.append("both feet on the ground at once: no flight in those steps, as in walking")
    return tuple(said)


def _row(sided: Sided) -> dict[str, float | int | str | None]:
    return {
        "value": _number(sided.together.value),
        "sd": _number(sided.together.sd),
        "n": _n(sided.together),
        "left": _number(sided.left.value),
        "right": _number(sided.right.value),
        "method": sided.together.method,
    }


def _number(number: object) -> float | None:
    value = float(np.asarray(number, dtype=float))
    return value if isfinite(value) else None


def _n(measured: Measured) -> int:
    return int(measured.n)


def _pair(left: Measured, right: Measured) -> tuple[float, float]:
    return (
        positive_or_raise(float(left.value), "left"),
        positive_or_raise(float(right.value), "right"),
    )
