"""How far two readings of one thing agree, and what is no more than measurement error."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import cos, isfinite, pi, sin, sqrt, tan
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from assessments.domain.measured import Floats, Measured, MeasurementError, SettingError

NORMAL = NormalDist()
# limits of agreement are by definition so many SD of the differences: Bland and Altman
LIMITS_AT = 1.96


@dataclass(frozen=True, slots=True)
class Interval:
    """Two ends, in the unit of what lies between them."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two sets of readings of the same things: n pairs, bias (first minus second) and limits.

    All in the unit of the readings. sd: of the differences; bias_interval: of the mean
    difference; limits: within which 95 of 100 differences lie.
    """

    n: int
    bias: float
    sd: float
    bias_interval: Interval
    limits: Interval


class Correlation(StrEnum):
    """Forms of the intraclass correlation of a single rater, by the names of their source."""

    ONE_WAY = "1,1"
    TWO_WAY_RANDOM = "2,1"
    TWO_WAY_MIXED = "3,1"


def agreement(first: ArrayLike, second: ArrayLike, confidence: float = 0.95) -> Agreement:
    """Bias and limits of agreement of paired readings.

    first, second: shape (n,), n >= 2, one unit; pairs without a number raise MeasurementError.
    confidence: of the interval of the bias.
    Source: Bland JM, Altman DG 1986, Lancet 327:307-310, with 1.96 where the paper rounds to 2;
    interval of the mean: Student 1908, Biometrika 6:1-25.
    """
    one, two = _numbers(first, "first"), _numbers(second, "second")
    if one.shape != two.shape:
        raise MeasurementError("second", f"{two.size} readings for {one.size} of the first")
    differences = one - two
    n, bias = differences.size, float(np.mean(differences))
    sd = float(np.std(differences, ddof=1))
    half = t_quantile((1 + confidence) / 2, n - 1) * sd / sqrt(n)
    reach = LIMITS_AT * sd
    around = Interval(bias - half, bias + half)
    return Agreement(n, bias, sd, around, Interval(bias - reach, bias + reach))


def mean_interval(readings: ArrayLike, confidence: float = 0.95) -> Interval:
    """Interval of the mean by the t distribution.

    readings: shape (n,), n >= 2. Source: Student 1908, Biometrika 6:1-25.
    """
    numbers = _numbers(readings, "readings")
    mean = float(np.mean(numbers))
    spread = float(np.std(numbers, ddof=1)) / sqrt(numbers.size)
    half = t_quantile((1 + confidence) / 2, numbers.size - 1) * spread
    return Interval(mean - half, mean + half)


def intraclass_correlation(ratings: ArrayLike, form: Correlation) -> float:
    """Intraclass correlation of one rater, at most 1; below 0 where raters disagree wholly.

    ratings: shape (targets, raters), both 2 or more, none missing. Raises MeasurementError
    otherwise, or where no rating differs. Source: Shrout PE, Fleiss JL 1979, Psychological
    Bulletin 86:420-428.
    """
    table = np.asarray(ratings, dtype=np.float64)
    if table.ndim != 2 or min(table.shape) < 2 or not np.all(np.isfinite(table)):
        raise MeasurementError("ratings", "need 2 or more targets and raters, none missing")
    n, k = len(table), len(table[0])
    targets, within, raters, residual = _mean_squares(table)
    if targets == within == 0:
        raise MeasurementError("ratings", "no rating differs from another")
    match form:
        case Correlation.ONE_WAY:
            return (targets - within) / (targets + (k - 1) * within)
        case Correlation.TWO_WAY_RANDOM:
            below = targets + (k - 1) * residual + k * (raters - residual) / n
            return (targets - residual) / below
        case Correlation.TWO_WAY_MIXED:
            return (targets - residual) / (targets + (k - 1) * residual)


def wilson_interval(successes: int, n: int, confidence: float = 0.95) -> Interval:
    """Score interval of a proportion without continuity correction, from 0 to 1.

    n: 1 or more; successes: 0 to n; MeasurementError otherwise. Source: Wilson EB 1927, Journal
    of the American Statistical Association 22:209-212; Newcombe RG 1998, Statistics in Medicine
    17:857-872, method 3.
    """
    if n < 1 or not 0 <= successes <= n:
        raise MeasurementError("successes", f"{successes} of {n} is no proportion")
    z, share = normal_quantile(confidence), successes / n
    middle = share + z**2 / (2 * n)
    half = z * sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    below = 1 + z**2 / n
    return Interval(max(0.0, (middle - half) / below), min(1.0, (middle + half) / below))


def percentile(readings: ArrayLike, percent: float) -> float:
    """Percentile of type 7 (linear between order statistics), in the unit of the readings.

    readings: shape (n,), n >= 1; percent: 0 to 100, SettingError otherwise. Source: Hyndman RJ,
    Fan Y 1996, American Statistician 50:361-365, definition 7.
    """
    if not 0 <= percent <= 100:
        raise SettingError("percent", f"must be from 0 to 100, is {percent}")
    ordered = np.sort(_numbers(readings, "readings", least=1))
    place = (ordered.size - 1) * percent / 100
    low = int(place)
    high = min(low + 1, ordered.size - 1)
    return float(ordered[low] + (place - low) * (ordered[high] - ordered[low]))


def standard_error(sd: float, correlation: float) -> float:
    """Standard error of measurement from the spread of people and a reliability.

    sd: of the readings between people, in their unit, not negative; correlation: 0 to 1.
    SettingError otherwise. Source: Weir JP 2005, Journal of Strength and Conditioning Research
    19:231-240 (from memory): sd root(1 - r).
    """
    if not (isfinite(sd) and sd >= 0 and 0 <= correlation <= 1):
        raise SettingError("reliability", f"sd {sd} and correlation {correlation} do not go")
    return sd * sqrt(1 - correlation)


def standard_error_of_limits(limits: Interval) -> float:
    """Standard error of measurement from 95 % limits of agreement, in their unit.

    Half their width is 1.96 SD of the differences; the error of one reading is that SD over
    root 2. By definition.
    """
    return (limits.high - limits.low) / 2 / LIMITS_AT / sqrt(2)


def minimal_detectable_change(error: float, confidence: float = 0.95) -> float:
    """Smallest difference of two readings that is not their error, in the unit of the error.

    error: standard error of measurement, not negative, SettingError otherwise; confidence: 0.95
    or 0.90 as a rule. z root 2 error. Source: Weir JP 2005, Journal of Strength and Conditioning
    Research 19:231-240 (from memory).
    """
    if not (isfinite(error) and error >= 0):
        raise SettingError("error", f"must be finite and not negative, is {error}")
    return normal_quantile(confidence) * sqrt(2) * error


def ratio(above: Measured, below: Measured) -> Measured:
    """Quotient of two independent measured numbers with its error; arrays by element.

    Its number is NaN where the divisor is 0 or either has none. Source: Joint Committee for
    Guides in Metrology 100:2008, 5.1.2, first order.
    """
    top, top_sd = np.asarray(above.value, dtype=np.float64), np.asarray(above.sd)
    divisor = np.asarray(below.value, dtype=np.float64)
    bottom = np.where(divisor == 0, np.nan, divisor)
    value = top / bottom
    sd = np.hypot(top_sd / bottom, value * np.asarray(below.sd) / bottom)
    method = "quotient, first order"
    if value.ndim == 0:
        return Measured(float(value), float(sd), 1, method)
    return Measured(value, sd, 1, method)


def normal_quantile(confidence: float) -> float:
    """Two-sided value of the standard normal distribution, 1.96 for 0.95. By definition.

    confidence: above 0, below 1; SettingError otherwise.
    """
    if not 0 < confidence < 1:
        raise SettingError("confidence", f"must lie between 0 and 1, is {confidence}")
    return NORMAL.inv_cdf((1 + confidence) / 2)


def t_quantile(probability: float, degrees: int) -> float:
    """Quantile of Student's t distribution, by bisection to the last digits.

    probability: above 0, below 1; degrees: of freedom, 1 or more; SettingError otherwise.
    Source: Abramowitz M, Stegun IA 1964, 26.7.3 and 26.7.4.
    """
    if degrees < 1 or not 0 < probability < 1:
        raise SettingError("degrees", f"{degrees} and probability {probability} do not go")
    # the angle runs from -90 to 90 degrees while t runs over all numbers: a bounded search
    low, high = -pi / 2, pi / 2
    while (middle := (low + high) / 2) not in (low, high):
        if (1 + _t_area(middle, degrees)) / 2 < probability:
            low = middle
        else:
            high = middle
    return sqrt(degrees) * tan(middle)


def _t_area(angle: float, degrees: int) -> float:
    """Area between -t and t, with the sign of t, for t = root(degrees) tan(angle)."""
    square = cos(angle) ** 2
    odd = degrees % 2
    term = total = 0.0
    if degrees > 1:
        term = total = cos(angle) if odd else 1.0
    for step in range(3 if odd else 2, degrees, 2):
        term *= square * (step - 1) / step
        total += term
    if odd:
        return 2 / pi * (angle + sin(angle) * total)
    return sin(angle) * total


def _mean_squares(table: Floats) -> tuple[float, float, float, float]:
    """Mean squares between targets, within them, between raters, and of the rest."""
    n, k = table.shape
    mean = table.mean()
    between = k * float(np.sum((table.mean(axis=1) - mean) ** 2))
    judges = n * float(np.sum((table.mean(axis=0) - mean) ** 2))
    inside = float(np.sum((table - table.mean(axis=1, keepdims=True)) ** 2))
    rest = inside - judges
    return (
        between / (n - 1),
        inside / (n * (k - 1)),
        judges / (k - 1),
        rest / ((n - 1) * (k - 1)),
    )


def _numbers(readings: ArrayLike | Sequence[float], what: str, least: int = 2) -> Floats:
    numbers = np.asarray(readings, dtype=np.float64)
    if numbers.ndim != 1 or numbers.size < least:
        raise MeasurementError(what, f"{least} or more numbers in a row are needed")
    if not np.all(np.isfinite(numbers)):
        place = int(np.argmin(np.isfinite(numbers)))
        raise MeasurementError(what, "is not a finite number", place)
    return numbers
