"""Oxygen cost of running by a published equation, and the speeds it was made for."""

import numpy as np

from assessments.domain.measured import Floats, Measured, MeasurementError, SettingError

REST = 3.5  # ml/kg/min
LEVEL, CLIMB = 0.2, 0.9  # ml/kg/m, for the way run and for the height climbed
SLOWEST_M_MIN, SLOWEST_IF_RUNNING_M_MIN = 134.0, 80.0
METHOD = "running equation of the American College of Sports Medicine, steady running"
ERROR_SAID = "error from that of the speed alone, the equation's own is not published with it"


def oxygen_cost(
    speed_m_s: float | Floats, grade_percent: float | Floats = 0.0, *, speed_sd: float = 0.0
) -> Measured:
    """Oxygen uptake in ml/kg/min of steady running, 3.5 + 0.2 S + 0.9 S G.

    speed_m_s: above 0, scalar or shape (n,); grade_percent: uphill +, same shape or scalar;
    speed_sd: m/s. S in m/min, G as a fraction. sd: first order from the speed. Errors:
    SettingError for a speed that is not finite and above 0, a grade that is not finite or that
    gives less than nothing for the way. Source: ACSM metabolic equation for running, as in
    Bushman 2020, ACSM's Health & Fitness Journal 24(3):6-10 and 24(4):5-8.
    """
    speed, grade = _checked(speed_m_s, grade_percent)
    per_speed = 60.0 * (LEVEL + CLIMB * grade)
    if np.any(per_speed <= 0):
        raise SettingError("grade", "is too far downhill for the equation")
    value, sd = REST + per_speed * speed, per_speed * speed_sd
    if np.ndim(value) == 0:
        return Measured(float(value), float(sd), 1, f"{METHOD}; {ERROR_SAID}")
    return Measured(value, np.broadcast_to(sd, value.shape), 1, f"{METHOD}; {ERROR_SAID}")


def oxygen_warning(speed_m_s: float, grade_percent: float = 0.0) -> str:
    """What to say of the equation at this speed (m/s) and grade (%, uphill +), empty if nothing.

    Errors: SettingError as for oxygen_cost. Source: limits as in Bushman 2020: above 134 m/min,
    from 80 m/min if truly running; the grades of the source are not downhill.
    """
    _checked(speed_m_s, grade_percent)
    said = []
    metres_a_minute = speed_m_s * 60
    if metres_a_minute < SLOWEST_IF_RUNNING_M_MIN:
        said.append("the equation holds from 80 m/min (1.33 m/s) on: slower than that")
    elif metres_a_minute < SLOWEST_M_MIN:
        said.append("between 80 and 134 m/min (1.33 and 2.23 m/s) only if truly running")
    if grade_percent < 0:
        said.append("the equation is not made for running downhill")
    return "; ".join(said)


def speed_for_oxygen(oxygen: float, grade_percent: float = 0.0) -> float:
    """Speed in m/s that costs so much oxygen (ml/kg/min) on a grade (%, uphill +).

    Errors: SettingError for less than rest (3.5) or a grade too far downhill. Source: the
    equation of oxygen_cost, solved for the speed.
    """
    per_speed = 60.0 * (LEVEL + CLIMB * grade_percent / 100)
    if not np.isfinite(oxygen) or oxygen <= REST or not per_speed > 0:
        raise SettingError("oxygen", f"must be above {REST} and the grade not far downhill")
    return float((oxygen - REST) / per_speed)


def metabolic_equivalents(oxygen: float) -> float:
    """Oxygen uptake (ml/kg/min) in multiples of rest, 3.5 ml/kg/min each.

    Errors: MeasurementError for a number that is not finite. Source: by definition.
    """
    if not np.isfinite(oxygen):
        raise MeasurementError("oxygen", f"must be finite, is {oxygen}")
    return oxygen / REST


def _checked(speed: float | Floats, grade_percent: float | Floats) -> tuple[Floats, Floats]:
    speeds, grades = np.asarray(speed, dtype=float), np.asarray(grade_percent, dtype=float) / 100
    if not np.all(np.isfinite(speeds) & (speeds > 0)):
        raise SettingError("speed_m_s", f"must be finite and above 0, is {speed}")
    if not np.all(np.isfinite(grades)):
        raise SettingError("grade_percent", f"must be finite, is {grade_percent}")
    return speeds, grades
