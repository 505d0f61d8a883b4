"""When an appointment can be: local times, clock changes and free slots."""

from collections.abc import Iterator, Mapping, Sequence
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

    def overlaps(self, other: "Span") -> bool:
        """True if a moment lies in both; back to back is no overlap. By definition."""
        return self.starts_at < other.ends_at and other.starts_at < self.ends_at


@dataclass(frozen=True)
class Hours:
    """Local times between which one clinician can be booked on one weekday."""

    opens: time
    closes: time


@dataclass(frozen=True)
class RoomTimes:
    """A room that suits the kind of appointment, by its key, and when it is taken."""

    key: int
    taken: Sequence[Span]

    def is_free(self, span: Span) -> bool:
        """True if nothing stands in the room in that span."""
        return not any(span.overlaps(other) for other in self.taken)


@dataclass(frozen=True)
class Slot:
    """A free start: local day and time, its span, and the key of a free room."""

    day: date
    time: time
    span: Span
    room: int


@dataclass(frozen=True)
class Week:
    """What one clinician's free slots follow from.

    opening: weekday (0 is Monday) to the hours of that day; taken: the clinician's appointments;
    rooms: suitable rooms, the one to prefer first; zone: of the site.
    """

    opening: Mapping[int, Sequence[Hours]]
    taken: Sequence[Span]
    rooms: Sequence[RoomTimes]
    zone: tzinfo


def moment(day: date, at: time, zone: tzinfo) -> Moment:
    """The instant (UTC) of a local time of day; the first occurrence where there are two.

    zone: an IANA zone (zoneinfo.ZoneInfo).
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
    return Moment(at=local.astimezone(UTC), doubled=before > after)


def offset(local: datetime) -> timedelta:
    """Distance from UTC of an aware local time. By definition."""
    found = local.utcoffset()
    if found is None:
        raise ValueError(f"{local} has no time zone")
    return found


def in_words(day: date) -> str:
    """A day for a sentence, "28 March 2027"."""
    return f"{day.day} {day:%B %Y}"


def span_of(day: date, at: time, minutes: int, zone: tzinfo) -> Span:
    """The span of an appointment; its length is true in minutes, also over a clock change.

    minutes: length, at least 1. Raises MissingTimeError as `moment`. By definition.
    """
    start = moment(day, at, zone).at
    return Span(start, start + timedelta(minutes=minutes))


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


def starts(hours: Hours) -> Iterator[time]:
    """Local times on the quarter hour within opening hours. Rule of this clinic (GRID)."""
    opens = hours.opens.hour * 60 + hours.opens.minute
    closes = hours.closes.hour * 60 + hours.closes.minute
    for minute in range(-(-opens // GRID) * GRID, closes, GRID):
        yield time(minute // 60, minute % 60)


def free_slots(week: Week, minutes: int, first_day: date, not_before: datetime) -> Iterator[Slot]:
    """Free slots of one clinician in order, each with a free room, for twelve weeks.

    minutes: length of the appointment; first_day: local day to begin with; not_before: instant
    (aware) before which nothing is offered. A start that the clocks jump over is left out.
    Rule of this clinic.
    """
    for number in range(DAYS_AHEAD):
        day = first_day + timedelta(days=number)
        opening = sorted(week.opening.get(day.weekday(), ()), key=lambda hours: hours.opens)
        for hours in opening:
            for at in starts(hours):
                slot = free_slot(week, minutes, day, at)
                if slot and slot.span.starts_at >= not_before:
                    yield slot


def free_slot(week: Week, minutes: int, day: date, at: time) -> Slot | None:
    """The slot at that local time, or None where closed, missing, taken or without a room.

    minutes: length of the appointment. Rule of this clinic.
    """
    try:
        span = span_of(day, at, minutes, week.zone)
    except MissingTimeError:
        return None
    if not within_hours(span, day, week.opening.get(day.weekday(), ()), week.zone):
        return None
    if any(span.overlaps(other) for other in week.taken):
        return None
    room = next((room for room in week.rooms if room.is_free(span)), None)
    return Slot(day, at, span, room.key) if room else None


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
