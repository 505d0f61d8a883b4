"""Change of one value since last time: what is real and in which direction."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from assessments.domain.assessment import Trial
from assessments.domain.tables import Feature, Range, Score, TestRow
from assessments.domain.vocabulary import Better, Method

# speeds farther apart than this (m/s) are not compared: rule of this clinic
SPEED_APART = Decimal("0.3")


class Verdict(StrEnum):
    BETTER = "better"
    WORSE = "worse"
    CHANGED = "changed"
    WITHIN_ERROR = "within_error"
    NO_ERROR_PUBLISHED = "no_error_published"
    NOT_COMPARABLE = "not_comparable"


@dataclass(frozen=True, slots=True)
class Reading:
    """One number with the run and the method that it comes from; tests and scores have neither."""

    value: Decimal
    trial: Trial | None = None
    method: Method | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """difference: now minus then; error: detectable difference; why: what is not comparable."""

    difference: Decimal
    error: Decimal | None
    verdict: Verdict
    why: str = ""


def change(then: Reading, now: Reading, measure: Feature | TestRow | Score) -> Change:
    """Difference of two numbers of one measure and its verdict.

    then, now: in the unit of the measure. A difference smaller than the detectable difference is
    within error; without a published one there is no verdict. Source: features.csv, tests.csv
    and scores.csv (detectable_difference, better); words of the clinic (within error).
    """
    difference, error = now.value - then.value, detectable(then.value, measure)
    why = not_comparable(then, now)
    if why:
        return Change(difference, error, Verdict.NOT_COMPARABLE, why)
    if error is None:
        return Change(difference, None, Verdict.NO_ERROR_PUBLISHED)
    if abs(difference) < error:
        return Change(difference, error, Verdict.WITHIN_ERROR)
    return Change(difference, error, _direction(then.value, now.value, measure))


def detectable(then: Decimal, measure: Feature | TestRow | Score) -> Decimal | None:
    """Smallest change that is not measurement error, in the unit of the measure.

    then: the earlier value, of which a percentage is taken. Source: detectable_difference and
    detectable_difference_percent of the tables.
    """
    if measure.detectable_difference is not None:
        return measure.detectable_difference
    percent = getattr(measure, "detectable_difference_percent", None)
    return None if percent is None else abs(then) * percent / 100


def not_comparable(then: Reading, now: Reading) -> str:
    """Why two numbers cannot be compared, empty if they can.

    Speeds differ by more than 0.3 m/s, another surface, other shoes, another method, or one of
    these was not recorded. Source: rule of this clinic.
    """
    if then.trial is None or now.trial is None:
        return ""
    if then.method != now.method:
        return "measured another way"
    if then.trial.speed_m_s is None or now.trial.speed_m_s is None:
        return "the speed was not recorded"
    if abs(then.trial.speed_m_s - now.trial.speed_m_s) > SPEED_APART:
        return f"speed {then.trial.speed_m_s} m/s then, {now.trial.speed_m_s} m/s now"
    if then.trial.surface != now.trial.surface:
        return f"surface {_word(then.trial.surface)} then, {_word(now.trial.surface)} now"
    if then.trial.shoes != now.trial.shoes:
        return f"shoes {_word(then.trial.shoes)} then, {_word(now.trial.shoes)} now"
    return ""


def outside(value: Decimal, reference: Range) -> Decimal:
    """How far a value lies outside a range, 0 within. By definition."""
    below = (reference.low - value) if reference.low is not None else Decimal(0)
    above = (value - reference.high) if reference.high is not None else Decimal(0)
    return max(below, above, Decimal(0))


def _word(word: str | None) -> str:
    return word or "not recorded"


def _direction(then: Decimal, now: Decimal, measure: Feature | TestRow | Score) -> Verdict:
    match measure.better:
        case Better.HIGHER:
            gain = now - then
        case Better.LOWER:
            gain = then - now
        case Better.TOWARD_RANGE if isinstance(measure, Feature):
            gain = outside(then, measure.reference) - outside(now, measure.reference)
        case _:
            return Verdict.CHANGED
    if gain == 0:
        return Verdict.CHANGED
    return Verdict.BETTER if gain > 0 else Verdict.WORSE
