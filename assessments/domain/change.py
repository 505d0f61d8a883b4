"""Change of one value since last time: what is real and in which direction."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from statistics import NormalDist

from assessments.domain.assessment import Trial
from assessments.domain.rounding import half_up
from assessments.domain.tables import Feature, Range, Score, TestRow
from assessments.domain.vocabulary import Better, Method, Side

Measure = Feature | TestRow | Score

# speeds farther apart than this (m/s) are not compared: rule of this clinic
SPEED_APART = Decimal("0.3")


class Verdict(StrEnum):
    BETTER = "better"
    WORSE = "worse"
    CHANGED = "changed"
    WITHIN_ERROR = "within_error"
    NO_ERROR_PUBLISHED = "no_error_published"
    NOT_COMPARABLE = "not_comparable"

    @property
    def cannot_be_told(self) -> bool:
        """Whether no verdict can be given: other conditions, or no error known."""
        return self in (Verdict.NOT_COMPARABLE, Verdict.NO_ERROR_PUBLISHED)


class Confidence(StrEnum):
    """How seldom chance alone makes a detectable difference: 5 or 10 times in 100."""

    P95 = "0.95"
    P90 = "0.90"


class Governs(StrEnum):
    """Which error decides: that published for the measure or that of the two readings."""

    PUBLISHED = "published"
    READINGS = "readings"


@dataclass(frozen=True, slots=True)
class Reading:
    """One number with the run and the method that it comes from; tests and scores have neither.

    sd: standard deviation of the number's own error, None where it is not known. camera: the side
    of the runner that the camera stood on, None where it was not recorded.
    """

    value: Decimal
    trial: Trial | None = None
    method: Method | None = None
    sd: Decimal | None = None
    camera: Side | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """difference: now minus then; error: detectable difference; why: what is not comparable.

    governs: which error is the larger and decides, None where no error is known. together: how
    many visits the error was widened for, 1 where it was not.
    """

    difference: Decimal
    error: Decimal | None
    verdict: Verdict
    why: str = ""
    governs: Governs | None = None
    together: int = 1


def change(
    then: Reading, now: Reading, measure: Measure, confidence: Confidence = Confidence.P95
) -> Change:
    """Difference of two numbers of one measure and its verdict.

    then, now: in the unit of the measure. confidence: of the error of the two readings. A
    difference smaller than the detectable difference is within error; without any error there is
    no verdict. Source: features.csv, tests.csv and scores.csv (detectable_difference, better);
    words of the clinic (within error).
    """
    difference = now.value - then.value
    error, governs = governing_error(then, now, measure, confidence)
    why = not_comparable(then, now)
    verdict = Verdict.NOT_COMPARABLE if why else verdict_on(then, now, measure, error)
    return Change(difference, error, verdict, why, governs)


def verdict_on(then: Reading, now: Reading, measure: Measure, error: Decimal | None) -> Verdict:
    """The verdict on two comparable numbers with a detectable difference in the measure's unit.

    None: no error is known. Source: better of the tables.
    """
    if error is None:
        return Verdict.NO_ERROR_PUBLISHED
    if abs(now.value - then.value) < error:
        return Verdict.WITHIN_ERROR
    return _direction(then.value, now.value, measure)


def governing_error(
    then: Reading, now: Reading, measure: Measure, confidence: Confidence = Confidence.P95
) -> tuple[Decimal | None, Governs | None]:
    """The larger of the published detectable difference and that of the two readings, and which.

    In the unit of the measure; equal ones count as published; None where neither is known.
    Source: rule of this clinic (the larger governs).
    """
    published = detectable(then.value, measure)
    own = readings_error(then, now, confidence)
    if own is not None and (published is None or own > published):
        return own, Governs.READINGS
    return published, None if published is None else Governs.PUBLISHED


def readings_error(
    then: Reading, now: Reading, confidence: Confidence = Confidence.P95
) -> Decimal | None:
    """Difference that the errors of two readings alone reach 5 (or 10) times in 100.

    z root(sd_then^2 + sd_now^2), in the unit of the readings, to four decimals; None unless both
    errors are known. Source: Joint Committee for Guides in Metrology 100:2008, 5.1.2; z of the
    normal distribution, two-sided (1.960 and 1.645).
    """
    if then.sd is None or now.sd is None:
        return None
    return half_up(critical(confidence) * (then.sd**2 + now.sd**2).sqrt(), 4)


def critical(confidence: Confidence) -> Decimal:
    """Two-sided value of the standard normal distribution: 1.960 or 1.645. By definition."""
    return Decimal(NormalDist().inv_cdf((1 + float(confidence)) / 2))


def detectable(then: Decimal, measure: Measure) -> Decimal | None:
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

    Speeds differ by more than 0.3 m/s, another surface, other shoes, another method, another
    side of the camera, or one of these was not recorded for one of them. Source: rule of this
    clinic.
    """
    if then.camera != now.camera:
        return f"camera {_word(then.camera)} then, {_word(now.camera)} now"
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


def _direction(then: Decimal, now: Decimal, measure: Measure) -> Verdict:
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
