"""What a change of cadence does at the same speed: step length, and published effects."""

from dataclasses import dataclass

from assessments.domain.measured import Measured, SettingError, positive_or_raise

HEIDERSCHEIT = (
    "Heiderscheit BC, Chumanov ES, Michalski MP, Wille CM, Ryan MB 2011,"
    " Medicine & Science in Sports & Exercise 43(2):296-302"
)
DIFFER_AT_5 = frozenset({"peak hip adduction in stance", "peak knee flexion in stance"})


@dataclass(frozen=True, slots=True)
class CadenceEffect:
    """Mean (SD) of 45 recreational runners at one step rate. percent: change against preferred."""

    quantity: str
    unit: str
    percent: int
    mean: float
    sd: float
    reference: str
    source: str = HEIDERSCHEIT

    @property
    def differs(self) -> bool:
        """Whether the source calls it different from the preferred rate (p < 0.05)."""
        return self.percent == 10 or self.quantity in DIFFER_AT_5


# reference_values.csv RV016 to RV025; step length, heel to centre of mass and foot inclination
# of the same paper were not seen, so no number stands here for them
EFFECTS = (
    CadenceEffect("peak hip flexion in loading", "deg", 5, 25.3, 5.5, "RV016"),
    CadenceEffect("peak hip adduction in stance", "deg", 5, 9.5, 3.1, "RV017"),
    CadenceEffect("knee flexion at initial contact", "deg", 5, 18.7, 3.9, "RV018"),
    CadenceEffect("peak knee flexion in stance", "deg", 5, 44.1, 4.7, "RV019"),
    CadenceEffect("peak internal knee extension moment", "Nm/kg", 5, 2.4, 0.6, "RV020"),
    CadenceEffect("peak hip flexion in loading", "deg", 10, 23.6, 6.0, "RV021"),
    CadenceEffect("peak hip adduction in stance", "deg", 10, 8.7, 3.1, "RV022"),
    CadenceEffect("knee flexion at initial contact", "deg", 10, 19.6, 4.2, "RV023"),
    CadenceEffect("peak knee flexion in stance", "deg", 10, 42.8, 4.4, "RV024"),
    CadenceEffect("peak internal knee extension moment", "Nm/kg", 10, 2.2, 0.4, "RV025"),
)


def published_effects(percent: int) -> tuple[CadenceEffect, ...]:
    """The published means at +5 or +10 % cadence, one speed.

    percent: 5 or 10; SettingError otherwise: nothing is read between the two. Source: as each
    effect says.
    """
    found = tuple(effect for effect in EFFECTS if effect.percent == percent)
    if not found:
        raise SettingError("cadence change", f"is published for +5 and +10 %, not {percent}")
    return found


def predicted_step_length(step_length: Measured, percent: float) -> Measured:
    """Step length in m at the same speed with the cadence changed by so many per cent.

    step_length: m, scalar or shape (n,); percent: above -100, faster +. sd scales with the value.
    Errors: SettingError. Source: by definition, speed = step length x cadence.
    """
    factor = 1 / positive_or_raise(1 + percent / 100, "cadence change")
    return Measured(
        step_length.value * factor,
        step_length.sd * factor,
        step_length.n,
        f"{step_length.method}; at the same speed with cadence {percent:+g} %",
    )


def predicted_cadence(cadence: Measured, percent: float) -> Measured:
    """Cadence in steps/min changed by so many per cent.

    cadence: steps/min, scalar or shape (n,); percent: above -100, faster +. Errors: SettingError.
    Source: by definition.
    """
    factor = positive_or_raise(1 + percent / 100, "cadence change")
    said = f"{cadence.method}; {percent:+g} %"
    return Measured(cadence.value * factor, cadence.sd * factor, cadence.n, said)
