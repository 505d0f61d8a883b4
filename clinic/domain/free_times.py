"""Free times of several clinicians over many days, found with whole numbers as sets of steps.

A day is cut into steps of five minutes, counted from its local midnight; bit n of a number says
something of step n. A day of a clock change has more or fewer steps, so no instant is shifted.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from clinic.domain.diary import GRID, Hours, instant

STEP = 5  # minutes; every length of an appointment is a multiple of it or rounded up to one
MINUTE = 60
Stretch = tuple[int, int]  # minutes since 1970 in UTC, the end not part of it


@dataclass(frozen=True)
class Days:
    """Consecutive local days of one zone. midnights: of each day and of the day after the last."""

    first: date
    midnights: tuple[int, ...]
    zone: tzinfo

    @classmethod
    def from_day(cls, first: date, count: int, zone: tzinfo) -> "Days":
        """count: at least 1; zone: an IANA zone. Source: RFC 5545, 3.3.5, as `instant`."""
        midnights = (
            minute_of(instant(first + timedelta(days=number), time(), zone))
            for number in range(count + 1)
        )
        return cls(first, tuple(midnights), zone)

    def __len__(self) -> int:
        return len(self.midnights) - 1

    def day(self, number: int) -> date:
        """The local day of that number, 0 the first. By definition."""
        return self.first + timedelta(days=number)

    def all_steps(self, number: int) -> int:
        """The set of all whole steps of a day. By definition."""
        steps = (self.midnights[number + 1] - self.midnights[number]) // STEP
        return (1 << steps) - 1

    def taken(self, stretches: Iterable[Stretch]) -> dict[int, int]:
        """Day number to the steps that the stretches touch; what lies outside is left out."""
        found: dict[int, int] = {}
        for begins, ends in stretches:
            for number, steps in self.touched(begins, ends):
                found[number] = found.get(number, 0) | steps
        return found

    def touched(self, begins: int, ends: int) -> list[tuple[int, int]]:
        """The steps that one stretch touches, by day number. By definition.

        begins, ends: minutes since 1970 (UTC), the end not part of it.
        """
        found = []
        number = max(bisect_right(self.midnights, begins) - 1, 0)
        while number < len(self.midnights) - 1 and self.midnights[number] < ends:
            midnight, next_one = self.midnights[number], self.midnights[number + 1]
            first = (begins - midnight) // STEP if begins > midnight else 0
            end = -((midnight - min(ends, next_one)) // STEP)
            found.append((number, (1 << end) - (1 << first)))
            number += 1
        return found

    def open_steps(self, number: int, hours: Sequence[Hours]) -> int:
        """The steps that lie wholly within the hours of a day. Source: RFC 5545, 3.3.5."""
        day, midnight, found = self.day(number), self.midnights[number], 0
        for it in hours:
            first = -(-(minute_of(instant(day, it.opens, self.zone)) - midnight) // STEP)
            end = (minute_of(instant(day, it.closes, self.zone)) - midnight) // STEP
            if first < end:
                found |= (1 << end) - (1 << first)
        return found

    def grid(self, number: int) -> int:
        """The steps at which an appointment may start: each quarter hour. Rule of this clinic."""
        every = GRID // STEP
        steps = (self.midnights[number + 1] - self.midnights[number]) // STEP
        return sum(1 << step for step in range(0, steps, every))


@dataclass(frozen=True)
class Bookable:
    """One clinician: the open steps of each day, and the days' steps that are taken."""

    key: int
    open: Mapping[int, int]
    taken: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Place:
    """One suitable room and the days' steps in which it is taken."""

    key: int
    taken: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True, order=True)
class FreeTime:
    """A start, in minutes since 1970 (UTC), with the keys of a clinician and of a free room."""

    minute: int
    clinician: int
    room: int

    def local(self, zone: tzinfo) -> datetime:
        """The start on the clock of the zone; fold 1 is the second of two. Source: PEP 495."""
        return datetime.fromtimestamp(self.minute * MINUTE, UTC).astimezone(zone)


@dataclass(frozen=True)
class Needs:
    """What an appointment takes: its length and the time to clear the room after it, minutes."""

    minutes: int
    clear_minutes: int = 0


def minute_of(moment: datetime) -> int:
    """Whole minutes since 1970 (UTC) of an aware instant, rounded down. By definition."""
    return int(moment.timestamp() // MINUTE)


def stretch_of(begins: datetime, ends: datetime) -> Stretch:
    """Two aware instants as a stretch that covers both, whole minutes. By definition."""
    return minute_of(begins), int(-(-ends.timestamp() // MINUTE))


def runs(free: int, steps: int) -> int:
    """The steps of a set from which so many steps in a row belong to the set.

    steps: at least 1. By definition; the set is folded in halves.
    """
    have = 1
    while have < steps:
        shift = min(have, steps - have)
        free &= free >> shift
        have += shift
    return free


def free_times(
    days: Days,
    people: Sequence[Bookable],
    rooms: Sequence[Place],
    needs: Needs,
    *,
    also_taken: Mapping[int, int] | None = None,
    not_before: int = 0,
    backwards: bool = False,
) -> Iterator[FreeTime]:
    """Free starts in order of time, each with the first of the rooms that is free.

    rooms: the one to prefer first; also_taken: steps of the client's own appointments;
    not_before: minute since 1970 before which nothing is offered; backwards: the latest first.
    An appointment lies within the hours; clearing the room after it may go beyond closing.
    Rule of this clinic.
    """
    length = -(-needs.minutes // STEP)
    whole = -(-(needs.minutes + needs.clear_minutes) // STEP)
    order = range(len(days) - 1, -1, -1) if backwards else range(len(days))
    for number in order:
        found = _of_day(days, number, people, rooms, (length, whole), also_taken or {})
        there = [it for it in found if it.minute >= not_before]
        yield from sorted(there, reverse=backwards)


def _of_day(
    days: Days,
    number: int,
    people: Sequence[Bookable],
    rooms: Sequence[Place],
    lengths: tuple[int, int],
    also_taken: Mapping[int, int],
) -> Iterator[FreeTime]:
    length, whole = lengths
    opened = [person for person in people if person.open.get(number)]
    if not opened:
        return
    # clearing may go beyond midnight and closing: what lies there is free in this day's view
    beyond = ((1 << whole) - 1) << days.all_steps(number).bit_length()
    all_steps = days.all_steps(number) | beyond
    in_rooms = [(room.key, runs(all_steps & ~room.taken.get(number, 0), whole)) for room in rooms]
    any_room = 0
    for _, steps in in_rooms:
        any_room |= steps
    fits = any_room & days.grid(number)
    fits &= runs(all_steps & ~also_taken.get(number, 0), length)
    for person in opened:
        starts = fits & runs(person.open[number], length)
        starts &= runs(all_steps & ~person.taken.get(number, 0), whole)
        while starts:
            step = (starts & -starts).bit_length() - 1
            starts &= starts - 1
            room = next(key for key, steps in in_rooms if steps >> step & 1)
            yield FreeTime(days.midnights[number] + step * STEP, person.key, room)
