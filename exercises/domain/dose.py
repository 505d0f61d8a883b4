"""Doses: how much work an exercise is, and how many minutes it takes."""

from collections.abc import Iterable
from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Protocol

from assessments.domain.rounding import half_up

DAYS_A_WEEK = 7
SECONDS_A_MINUTE = 60


@dataclass(frozen=True, slots=True)
class Dose:
    """Sets of repetitions or holds, or minutes; seconds, minutes, sessions a week, weeks."""

    sets: Decimal | None
    reps: Decimal | None
    hold_s: Decimal | None
    duration_min: Decimal | None
    per_side: bool
    tempo_s_per_rep: Decimal | None
    rest_s: Decimal | None
    sessions_per_week: Decimal | None
    weeks: Decimal | None


# names of its parts, as the library, a stored line and a printed proposal call them
DOSE = tuple(part.name for part in fields(Dose))


class Work(Protocol):
    """A line of a programme, proposed or edited, or an exercise of the library."""

    @property
    def dose(self) -> Dose:
        """How much work it is."""

    @property
    def running_cue(self) -> bool:
        """Whether it lies within a run that is done anyway."""


def session_seconds(dose: Dose) -> Decimal:
    """Seconds of one session; both sides count also for a one-sided finding.

    A number that is not given counts as 0. Source: EVALUATION.md, 14.
    """
    if dose.duration_min is not None:
        return dose.duration_min * SECONDS_A_MINUTE
    sides = 2 if dose.per_side else 1
    sets = dose.sets or Decimal(0)
    rests = max(sets * sides - 1, Decimal(0))
    return sets * _set_seconds(dose) * sides + rests * (dose.rest_s or 0)


def session_minutes(dose: Dose) -> Decimal:
    """Minutes of one session. Source: EVALUATION.md, 14."""
    return session_seconds(dose) / SECONDS_A_MINUTE


def weekly_seconds(work: Work) -> Decimal:
    """Seconds of a week; a running cue lies within a run that is done anyway and takes none."""
    if work.running_cue:
        return Decimal(0)
    return session_seconds(work.dose) * (work.dose.sessions_per_week or 0)


def daily_minutes(work: Work) -> Decimal:
    """Minutes of a day, unrounded. Source: EVALUATION.md, 14."""
    return weekly_seconds(work) / (SECONDS_A_MINUTE * DAYS_A_WEEK)


def total_daily_minutes(works: Iterable[Work]) -> Decimal:
    """Minutes of a day of several lines together, rounded to 0.1. Source: EVALUATION.md, 14."""
    seconds = sum((weekly_seconds(work) for work in works), Decimal(0))
    return half_up(seconds / (SECONDS_A_MINUTE * DAYS_A_WEEK), 1)


def fits(seconds_a_week: Decimal, minutes_a_day: Decimal) -> bool:
    """Whether so many seconds a week lie within so many minutes a day."""
    return seconds_a_week <= minutes_a_day * SECONDS_A_MINUTE * DAYS_A_WEEK


def _set_seconds(dose: Dose) -> Decimal:
    if dose.reps is not None:
        return dose.reps * (dose.tempo_s_per_rep or 0)
    return dose.hold_s or Decimal(0)
