"""Running as a mass on a spring: the sine-wave method from contact and flight time.

All formulae: Morin JB et al. 2005, Journal of Applied Biomechanics 21:167-180. The vertical force
of a contact is half a sine wave, F(t) = f_max sin(pi t / contact time). Scalars or arrays of one
shape. Errors of the results: first order from those of the inputs, independent but for contact and
flight, which share the toe-off; correlation: of the errors of the two, -1 to 1.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from assessments.domain.measured import Floats, Measured, SettingError

GRAVITY = 9.80665  # m/s2
LEG_OF_HEIGHT = 0.53
SLOWEST_M_S = 3.33
METHOD = "sine-wave method from mean contact and flight time"
ESTIMATE = "an estimate of a model for steady running on the level, not a force measurement"
SLOW = (
    "slower than the 3.33 m/s from which the method was tested (0.7 to 6.9 % under a force"
    " plate): at 2.5 m/s it read stiffness 11 to 17 % too low in two runners"
)
UNTESTED = "the speed was not given: the method was tested from 3.33 m/s on"
GRADED = "the method is for level running: not valid on a grade"
LEG_GUESSED = "leg length taken as 0.53 x height, the error of that is not counted"

Number = float | Floats
Slopes = dict[str, Number]


@dataclass(frozen=True, slots=True)
class Runner:
    """What the model needs: mass (kg), speed (m/s), leg (m), contact and flight (s).

    Scalars or arrays of one shape; each with its sd in the same unit. correlation: of the errors
    of contact and flight.
    """

    mass: Measured
    speed: Measured
    leg: Measured
    contact: Measured
    flight: Measured
    correlation: float = 0.0


def leg_length(leg_m: float | None, height_m: float | None) -> tuple[float | None, str]:
    """Leg length in m and what is to be said of it: as measured, or 0.53 x height.

    leg_m, height_m: above 0, None where not known; without either, None. Errors: SettingError
    for a number that is not finite and above 0. Source: Morin 2005, who cites Winter.
    """
    if leg_m is not None:
        return float(_positive(leg_m, "leg_length_m")), ""
    if height_m is not None:
        return float(LEG_OF_HEIGHT * _positive(height_m, "height_m")), LEG_GUESSED
    return None, "neither leg length nor height was given"


def f_max(
    mass: Measured, contact: Measured, flight: Measured, *, correlation: float = 0.0
) -> Measured:
    """Peak vertical force in N, m g (pi / 2) (flight / contact + 1).

    mass: kg; contact, flight: s; scalars or shape (n,). Errors: SettingError unless mass and
    contact are above 0 and flight at least 0. Source: Morin 2005.
    """
    m, tc, tf = _inputs(mass, contact, flight)
    return _measured(
        _force(m, tc, tf),
        _force_slopes(m, tc, tf),
        mass=mass,
        contact=contact,
        flight=flight,
        correlation=correlation,
    )


def com_displacement(contact: Measured, flight: Measured, *, correlation: float = 0.0) -> Measured:
    """Downward way of the centre of mass in contact in m, + down.

    f_max tc^2 / (m pi^2) - g tc^2 / 8, in which the mass falls out. contact, flight: s, scalars
    or shape (n,). Errors: SettingError as for f_max. Source: Morin 2005.
    """
    _, tc, tf = _inputs(_one(), contact, flight)
    return _measured(
        _sink(tc, tf),
        _sink_slopes(tc, tf),
        contact=contact,
        flight=flight,
        correlation=correlation,
    )


def leg_compression(
    speed: Measured,
    leg: Measured,
    contact: Measured,
    flight: Measured,
    *,
    correlation: float = 0.0,
) -> Measured:
    """Shortening of the leg spring in contact in m, L - root(L^2 - (v tc / 2)^2) + sink.

    speed: m/s; leg: m; contact, flight: s; scalars or shape (n,). Errors: SettingError as for
    f_max, and when half the way run in contact is as long as the leg. Source: Morin 2005.
    """
    _, tc, tf = _inputs(_one(), contact, flight)
    v, length = _way_inputs(speed, leg, tc)
    return _measured(
        _shortening(v, length, tc, tf),
        _shortening_slopes(v, length, tc, tf),
        speed=speed,
        leg=leg,
        contact=contact,
        flight=flight,
        correlation=correlation,
    )


def k_vert(
    mass: Measured, contact: Measured, flight: Measured, *, correlation: float = 0.0
) -> Measured:
    """Vertical stiffness in kN/m, f_max over com_displacement.

    mass: kg; contact, flight: s; scalars or shape (n,). Errors: SettingError as for f_max.
    Source: Morin 2005.
    """
    m, tc, tf = _inputs(mass, contact, flight)
    force, sink = _force(m, tc, tf), _sink(tc, tf)
    slopes = _quotient_slopes(force, _force_slopes(m, tc, tf), sink, _sink_slopes(tc, tf))
    return _measured(
        force / sink / 1000,
        slopes,
        mass=mass,
        contact=contact,
        flight=flight,
        correlation=correlation,
    )


def k_leg(runner: Runner) -> Measured:
    """Leg stiffness in kN/m, f_max over leg_compression.

    runner: scalars or shape (n,). Errors: SettingError as for leg_compression. Source: Morin 2005.
    """
    m, tc, tf = _inputs(runner.mass, runner.contact, runner.flight)
    v, length = _way_inputs(runner.speed, runner.leg, tc)
    force, short = _force(m, tc, tf), _shortening(v, length, tc, tf)
    slopes = _quotient_slopes(
        force, _force_slopes(m, tc, tf), short, _shortening_slopes(v, length, tc, tf)
    )
    return _measured(
        force / short / 1000,
        slopes,
        mass=runner.mass,
        speed=runner.speed,
        leg=runner.leg,
        contact=runner.contact,
        flight=runner.flight,
        correlation=runner.correlation,
    )


def validity_warning(speed_m_s: float | None, grade_percent: float = 0.0, leg: str = "") -> str:
    """What is to be said of every number of the model at this speed (m/s) and grade (%).

    leg: what leg_length said. Errors: none. Source: Morin 2005, abstract (level, 3.33 m/s and
    faster, 0.67 to 6.93 %); 11 to 17 %: two runners of Fukuchi, Fukuchi & Duarte 2017, PeerJ
    5:e3298, force plate against model.
    """
    said = [ESTIMATE]
    if speed_m_s is None:
        said.append(UNTESTED)
    elif speed_m_s < SLOWEST_M_S:
        said.append(SLOW)
    if grade_percent:
        said.append(GRADED)
    return "; ".join([*said, leg] if leg else said)


def _force(m: Number, tc: Number, tf: Number) -> Number:
    return m * GRAVITY * np.pi / 2 * (tf / tc + 1)


def _force_slopes(m: Number, tc: Number, tf: Number) -> Slopes:
    unit = GRAVITY * np.pi / 2
    return {
        "mass": unit * (tf / tc + 1),
        "contact": -unit * m * tf / tc**2,
        "flight": unit * m / tc,
    }


def _sink(tc: Number, tf: Number) -> Number:
    return GRAVITY * (tc * (tf + tc) / (2 * np.pi) - tc**2 / 8)


def _sink_slopes(tc: Number, tf: Number) -> Slopes:
    by_contact = GRAVITY * ((tf + 2 * tc) / (2 * np.pi) - tc / 4)
    return {"contact": by_contact, "flight": GRAVITY * tc / (2 * np.pi)}


def _shortening(v: Number, length: Number, tc: Number, tf: Number) -> Number:
    return length - np.sqrt(length**2 - (v * tc / 2) ** 2) + _sink(tc, tf)


def _shortening_slopes(v: Number, length: Number, tc: Number, tf: Number) -> Slopes:
    upright = np.sqrt(length**2 - (v * tc / 2) ** 2)
    sink = _sink_slopes(tc, tf)
    return {
        "speed": v * tc**2 / (4 * upright),
        "leg": 1 - length / upright,
        "contact": v**2 * tc / (4 * upright) + sink["contact"],
        "flight": sink["flight"],
    }


def _quotient_slopes(
    top: Number,
    top_slopes: Mapping[str, Number],
    below: Number,
    below_slopes: Mapping[str, Number],
) -> Slopes:
    """Slopes of top / below / 1000 (N to kN)."""
    return {
        name: (top_slopes.get(name, 0.0) - top / below * below_slopes.get(name, 0.0))
        / below
        / 1000
        for name in {**top_slopes, **below_slopes}
    }


def _measured(value: Number, slopes: Slopes, correlation: float, **inputs: Measured) -> Measured:
    parts = [(slopes[name] * np.asarray(given.sd)) ** 2 for name, given in inputs.items()]
    if not -1 <= correlation <= 1:
        raise SettingError("correlation", f"must be from -1 to 1, is {correlation}")
    shared = 2 * correlation * slopes["contact"] * slopes["flight"]
    shared = shared * inputs["contact"].sd * inputs["flight"].sd
    sd = np.sqrt(np.maximum(np.sum(np.broadcast_arrays(*parts, shared), axis=0), 0.0))
    n = inputs["contact"].n
    if np.ndim(value) == 0:
        return Measured(float(value), float(sd), n, METHOD)
    return Measured(np.asarray(value), np.broadcast_to(sd, np.shape(value)), n, METHOD)


def _inputs(mass: Measured, contact: Measured, flight: Measured) -> tuple[Number, Number, Number]:
    m = _positive(mass.value, "mass_kg")
    tc = _positive(contact.value, "contact_time")
    tf = np.asarray(flight.value, dtype=float)
    if not np.all(np.isfinite(tf) & (tf >= 0)):
        raise SettingError("flight_time", f"must be finite and 0 or more, is {flight.value}")
    return m, tc, tf


def _way_inputs(speed: Measured, leg: Measured, tc: Number) -> tuple[Number, Number]:
    v, length = _positive(speed.value, "speed_m_s"), _positive(leg.value, "leg_length_m")
    if np.any(v * tc / 2 >= length):
        raise SettingError("contact_time", "half the way run in contact is as long as the leg")
    return v, length


def _positive(number: Number, what: str) -> Floats:
    given = np.asarray(number, dtype=float)
    if not np.all(np.isfinite(given) & (given > 0)):
        raise SettingError(what, f"must be finite and above 0, is {number}")
    return given


def _one() -> Measured:
    return Measured(1.0, 0.0)
