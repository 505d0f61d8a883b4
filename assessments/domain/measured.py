"""Numbers that carry their error, and what is said where there is no number."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from math import isfinite
from typing import Self

import numpy as np
from numpy.typing import NDArray

from assessments.domain.rounding import half_up

Floats = NDArray[np.float64]
Ints = NDArray[np.int_]
Bools = NDArray[np.bool_]


class MeasurementError(ValueError):
    """Input from which nothing honest can be computed.

    what: the landmark, event or setting; frame: its frame, None where no single frame is meant.
    """

    def __init__(self, what: str, why: str, frame: int | None = None) -> None:
        self.what, self.why, self.frame = what, why, frame
        at = "" if frame is None else f" in frame {frame}"
        super().__init__(f"{what}{at}: {why}")


class LandmarkMissingError(MeasurementError):
    """A landmark that the quantity needs is not there, or is not a finite number."""


class LandmarksCoincideError(MeasurementError):
    """Two landmarks lie on one place, so that no direction leads from one to the other."""


class SettingError(MeasurementError):
    """A scale, rate, error or choice that cannot be: zero, negative, not finite, unknown."""


class EventError(MeasurementError):
    """Events that are too few, out of order, doubled, or impossibly near or far."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why there is no number: what (landmark, event, setting), why, in which frame.

    error: the error that a caller who needs the number raises.
    """

    what: str
    why: str
    frame: int | None = None
    error: type[MeasurementError] = field(default=MeasurementError, repr=False)

    def __str__(self) -> str:
        at = "" if self.frame is None else f" in frame {self.frame}"
        return f"{self.what}{at}: {self.why}"

    @classmethod
    def of(cls, error: MeasurementError) -> Self:
        """The reason that an error names."""
        return cls(error.what, error.why, error.frame, type(error))

    def in_frame(self, frame: int | None) -> "Reason":
        """The same reason, named for a frame."""
        return Reason(self.what, self.why, frame, self.error)

    def to_raise(self) -> MeasurementError:
        """The error that says it."""
        return self.error(self.what, self.why, self.frame)


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard deviation.

    value, sd: floats, or arrays of one shape; NaN where there is no number. n: how many readings
    the value rests on. method: how value and sd came about, in words. why: for arrays one index
    per frame into reasons, 0 where there is a number; None says that every frame has one.
    """

    value: float | Floats
    sd: float | Floats
    n: int | Ints = 1
    method: str = ""
    why: NDArray[np.int16] | None = field(default=None, repr=False)
    reasons: tuple[Reason, ...] = ()

    def __str__(self) -> str:
        """The value by its error, `7.3 ± 1.6`; how many there are of an array."""
        if np.ndim(self.value):
            return f"{np.size(self.value)} values"
        return printed(float(self.value), float(self.sd))

    @property
    def missing(self) -> Bools:
        """Where there is no number, in the shape of value."""
        return np.asarray(np.isnan(self.value))

    def reason(self, index: int = 0, frame: int | None = None) -> Reason | None:
        """Why the element has no number, None if it has one.

        frame: the number that it is named by, its index if not given.
        """
        if self.why is None:
            return self.reasons[0] if self.reasons and np.all(self.missing) else None
        number = int(np.ravel(self.why)[index])
        if number == 0:
            return None
        told = self.reasons[number - 1]
        if told.error is SettingError:
            return told
        return told.in_frame(index if frame is None and np.ndim(self.value) else frame)

    def required(self) -> "Measured":
        """Itself; raises the typed error of the first element without a number."""
        without = np.flatnonzero(self.missing)
        if without.size:
            index = int(without[0])
            raise (self.reason(index) or Reason("value", "is not a number", index)).to_raise()
        return self

    def at(self, index: int) -> "Measured":
        """One element of an array as a measured number."""
        n = self.n if isinstance(self.n, int) else int(np.ravel(self.n)[index])
        value, sd = np.ravel(self.value)[index], np.ravel(self.sd)[index]
        reason = self.reason(index)
        told = () if reason is None else (reason,)
        return Measured(float(value), float(sd), n, self.method, reasons=told)


def printed(value: float, sd: float) -> str:
    """Value and error as text, rounded by the error: `7.3 ± 1.6`.

    value, sd: one unit. Without a number `not measured`; with an error that is not known or is
    zero the value alone, to six significant digits. Source: Joint Committee for Guides in
    Metrology 100:2008, 7.2.6 (one or two digits of the uncertainty, the value to match); two
    digits where the first is 1: common practice.
    """
    if not isfinite(value):
        return "not measured"
    if not isfinite(sd) or sd <= 0:
        return f"{value:.6g}"
    places = decimal_places(sd)
    return f"{_rounded_text(value, places)} ± {_rounded_text(sd, places)}"


def printed_error(sd: float) -> str:
    """The error alone as text, rounded as beside its value: `1.6`; `0` for none.

    sd: 0 or more, finite; SettingError if not. Source: as printed.
    """
    return "0" if sd == 0 else _rounded_text(sd, decimal_places(sd))


def rounded(value: float, sd: float) -> tuple[float, float]:
    """Value and error rounded by the error; as they are where the error is zero or not known.

    value, sd: one unit. Source: as printed.
    """
    if not (isfinite(value) and isfinite(sd)) or sd <= 0:
        return value, sd
    places = decimal_places(sd)
    return float(half_up(Decimal(value), places)), float(half_up(Decimal(sd), places))


def decimal_places(sd: float) -> int:
    """Decimals of a value with this error, negative for tens: the first significant digit's place.

    One more if that digit is 1. sd: above 0, finite; SettingError if not. By definition.
    """
    if not isfinite(sd) or sd <= 0:
        raise SettingError("sd", f"must be finite and above 0, is {sd}")
    first = Decimal(repr(sd)).normalize()
    return -first.adjusted() + (first.as_tuple().digits[0] == 1)


def mean_of(readings: Measured, *, method: str = "") -> Measured:
    """The mean of repeated frames, with the standard error of the mean.

    readings: array, shape (n,); frames without a number are left out and n counts the rest. The
    error is the larger of the standard error by scatter, s / root n, and by the readings' own
    errors, root(sum sd^2) / n: with few frames scatter can be small by chance. Which one is said
    in method; where the readings' own errors are not known, the scatter alone. One frame keeps
    its own error; none raises MeasurementError with the first reason.
    Source: standard error by definition; the larger of the two: MEASUREMENT.md, Timing.
    """
    there = ~np.ravel(readings.missing)
    values = np.ravel(readings.value)[there]
    errors = np.broadcast_to(np.ravel(readings.sd), there.shape)[there]
    n = len(values)
    if n == 0:
        first = readings.reason() if readings.missing.size else None
        raise (first or Reason("frames", "none has a number")).to_raise()
    own = float(np.sqrt(np.sum(errors**2)) / n)
    scatter = float(np.std(values, ddof=1) / np.sqrt(n)) if n > 1 else 0.0
    by = "error of the readings over root n"
    if n > 1 and not own >= scatter:
        own, by = scatter, "standard error of the mean"
    said = f"{method or readings.method}; mean of {n}, {by}".removeprefix("; ")
    return Measured(float(np.mean(values)), own, n, said)


def positive_or_raise(number: float, what: str) -> float:
    """The number; raises SettingError, naming what, unless finite and above 0. By definition."""
    if not isfinite(number) or number <= 0:
        raise SettingError(what, f"must be finite and above 0, is {number}")
    return number


def absent(reason: Reason, shape: Sequence[int], method: str = "") -> Measured:
    """No number in any frame, for one reason. shape: of the frames, () for one. By definition."""
    nothing = np.broadcast_to(np.nan, tuple(shape))  # no memory for what is not there
    why = np.broadcast_to(np.int16(1), tuple(shape))
    return Measured(nothing, nothing, 1, method, why, (reason,))


def _rounded_text(number: float, places: int) -> str:
    text = format(half_up(Decimal(number), places), "f")
    return text.removeprefix("-") if not text.strip("-0.") else text
