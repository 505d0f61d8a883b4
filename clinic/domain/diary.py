"""When an appointment can be: local times, clock changes and free slots."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from clinic.domain.vocabulary import AppointmentState as State

GRID = 15  # minutes; rule of this clinic: appointments start on the quarter hour
DAYS_AHEAD = 84  # rule of this clinic: slots are offered up to twelve weeks on

# rule of this clinic: a wrong press is put back, a cancelled appointment is booked anew
MAY_BECOME: Mapping[State, frozenset[State]] = {
    State.BOOKED: frozenset({State.ARRIVED, State.SEEN, State.MISSED, State.CANCELLED}),
    State.ARRIVED: frozenset({State.BOOKED, State.SEEN}),
    State.SEEN: frozenset({State.BOOKED}),
    State.MISSED: frozenset({State.BOOKED}),
    State.CANCELLED: frozenset(),
}


class MissingTimeError(ValueError):
    """The clocks jump over this local time; the text says so in words for the page."""


@dataclass(frozen=True)
class Moment:
    """One agreed local time as an instant. `doubled`: the clocks show this time twice that day."""

    at: datetime
    doubled: bool


@dataclass(frozen=True, order=True)
class Span:
    """A stretch of time between two instants (aware, UTC), the end not part of it."""

    starts_at: datetime
    ends_at: datetime


@dataclass(frozen=True)
class Hours:
    """Local times between which one clinician can be booked on one weekday."""

    opens: time
    closes: time


def moment(day: date, at: time, zone: tzinfo, *, second: bool = False) -> Moment:
    """The instant (UTC) of a local time of day; the first occurrence where there are two.

    zone: an IANA zone (zoneinfo.ZoneInfo); second: the second occurrence where there are two.
    Raises MissingTimeError for a time that the clocks jump over.
    Source: RFC 5545, 3.3.5 (first occurrence of a doubled time; offset before the gap for a
    missing one, which is named in the refusal); PEP 495 for telling the two apart.
    """
    local = datetime.combine(day, at.replace(fold=0), tzinfo=zone)
    before, after = offset(local), offset(local.replace(fold=1))
    if before < after:
        shifted = local.astimezone(UTC).astimezone(zone)
        raise MissingTimeError(
            f"{at:%H:%M} does not exist on {in_words(day)}: the clocks go forward. "
            f"Choose {shifted:%H:%M} or another time."
        )
    doubled = before > after
    chosen = local.replace(fold=1) if doubled and second else local
    return Moment(at=chosen.astimezone(UTC), doubled=doubled)


def offset(local: datetime) -> timedelta:
    """Distance from UTC of an aware local time. By definition."""
    found = local.utcoffset()
    if found is None:
        raise ValueError(f"{local} has no time zone")
    return found


def in_words(day: date) -> str:
    """A day for a sentence, "28 March 2027"."""
    return f"{day.day} {day:%B %Y}"


def within_hours(span: Span, day: date, opening: Sequence[Hours], zone: tzinfo) -> bool:
    """True if the span lies in one stretch of opening hours of that day. Rule of this clinic."""
    return any(
        instant(day, hours.opens, zone) <= span.starts_at
        and span.ends_at <= instant(day, hours.closes, zone)
        for hours in opening
    )


def instant(day: date, at: time, zone: tzinfo) -> datetime:
    """The instant of a local time that bounds opening hours; a missing one moves with the clocks.

    Source: RFC 5545, 3.3.5 (offset before the gap).
    """
    return datetime.combine(day, at, tzinfo=zone).astimezone(UTC)


def late_words(due_on: date, today: date) -> str:
    """How late or how soon a reassessment is, in words. By definition."""
    days = (due_on - today).days
    if days == 0:
        return "due today"
    if days == 1:
        return "due tomorrow"
    if days > 1:
        return f"due in {stretch(days)}"
    return f"{stretch(-days)} late"


def stretch(days: int) -> str:
    """Days in words, whole weeks from two weeks on ("5 days", "2 weeks"). Rule of this clinic."""
    if days >= 14:
        return f"{days // 7} weeks"
    return "1 day" if days == 1 else f"{days} days"
