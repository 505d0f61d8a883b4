"""The numbers of the spring-mass model and of oxygen cost for one trial, by their codes."""

from dataclasses import dataclass
from math import isfinite, nan

from assessments.domain.measured import Measured
from assessments.domain.oxygen import oxygen_cost, oxygen_warning
from assessments.domain.spring_mass import (
    Runner,
    com_displacement,
    f_max,
    k_leg,
    k_vert,
    leg_compression,
    leg_length,
    validity_warning,
)

ModelValue = dict[str, float | str | None]
SPRING_CODES = ("f_max", "com_displacement", "leg_compression", "k_vert", "k_leg")


@dataclass(frozen=True, slots=True)
class RunnerGiven:
    """What a trial says of the runner; None where it does not.

    speed_m_s, mass_kg, height_m, leg_length_m and their sd in the same unit; speed_sd None: not
    known, so the model takes the speed as exact and oxygen cost has no error; grade_percent:
    uphill +.
    """

    speed_m_s: float | None = None
    mass_kg: float | None = None
    height_m: float | None = None
    leg_length_m: float | None = None
    grade_percent: float = 0.0
    speed_sd: float | None = None
    mass_sd: float = 0.0
    leg_length_sd: float = 0.0


def model_measures(
    contact: Measured | None,
    flight: Measured | None,
    given: RunnerGiven,
    *,
    correlation: float = 0.0,
) -> dict[str, ModelValue]:
    """For f_max (N), com_displacement, leg_compression (m), k_vert, k_leg (kN/m), oxygen_cost.

    Each {"value", "sd", "warning"}; value and sd None where something is not given, which the
    warning then names. oxygen_cost in ml/kg/min. contact, flight: mean times in s of both feet,
    scalars, None or NaN where there are none; correlation: of their errors, as Timing says.
    Errors: SettingError for numbers that cannot be.
    Source: MEASUREMENT.md, Model; formulae: Morin 2005, ACSM.
    """
    leg, leg_said = leg_length(given.leg_length_m, given.height_m)
    known = {
        "contact_time": _there(contact),
        "flight_time": _there(flight),
        "mass_kg": _one(given.mass_kg, given.mass_sd),
        "speed_m_s": _one(given.speed_m_s, given.speed_sd or 0.0),
        "leg_length_m or height_m": _one(leg, given.leg_length_sd),
    }
    said = validity_warning(given.speed_m_s, given.grade_percent)
    measures = {code: _spring(code, known, said, leg_said, correlation) for code in SPRING_CODES}
    return measures | {"oxygen_cost": _oxygen(given)}


def _spring(
    code: str, known: dict[str, Measured | None], said: str, leg_said: str, correlation: float
) -> ModelValue:
    needed = ["contact_time", "flight_time"]
    needed += ["mass_kg"] * (code in ("f_max", "k_vert", "k_leg"))
    uses_leg = code in ("leg_compression", "k_leg")
    needed += ["speed_m_s", "leg_length_m or height_m"] * uses_leg
    without = [name for name in needed if known[name] is None]
    if without:
        return _nothing(f"not given: {', '.join(without)}")
    warning = f"{said}; {leg_said}" if uses_leg and leg_said else said
    return _value(_computed(code, known, correlation), warning)


def _computed(code: str, known: dict[str, Measured | None], correlation: float) -> Measured:
    absent = Measured(nan, nan)
    contact, flight, mass, speed, leg = (number or absent for number in known.values())
    match code:
        case "f_max":
            return f_max(mass, contact, flight, correlation=correlation)
        case "com_displacement":
            return com_displacement(contact, flight, correlation=correlation)
        case "k_vert":
            return k_vert(mass, contact, flight, correlation=correlation)
        case "leg_compression":
            return leg_compression(speed, leg, contact, flight, correlation=correlation)
        case _:
            return k_leg(Runner(mass, speed, leg, contact, flight, correlation))


def _oxygen(given: RunnerGiven) -> ModelValue:
    if given.speed_m_s is None:
        return _nothing("not given: speed_m_s")
    speed_sd = nan if given.speed_sd is None else given.speed_sd
    cost = oxygen_cost(given.speed_m_s, given.grade_percent, speed_sd=speed_sd)
    return _value(cost, oxygen_warning(given.speed_m_s, given.grade_percent))


def _value(measured: Measured, warning: str) -> ModelValue:
    sd = float(measured.sd)
    return {
        "value": float(measured.value),
        "sd": sd if isfinite(sd) else None,
        "warning": warning or None,
    }


def _nothing(why: str) -> ModelValue:
    return {"value": None, "sd": None, "warning": why}


def _there(measured: Measured | None) -> Measured | None:
    return None if measured is None or not isfinite(float(measured.value)) else measured


def _one(number: float | None, sd: float) -> Measured | None:
    return None if number is None else Measured(number, sd)
