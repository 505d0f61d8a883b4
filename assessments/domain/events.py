"""Contacts and toe-offs as people mark them: read, put in order, missed and doubled ones found.

Times are counted in steps: every contact gets the number of its step, so that a gap of three steps
between neighbours shows two missed contacts and is never taken for one long step.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise, zip_longest
from math import isfinite, sqrt
from statistics import median

from assessments.domain.measured import EventError, SettingError, positive_or_raise
from assessments.domain.vocabulary import Side

# one step may be so much faster or slower than the plausible cadences: rule of this clinic
SINGLE_STEP_MARGIN = 1.25


class EventKind(StrEnum):
    CONTACT = "contact"
    TOE_OFF = "toe_off"


class Fault(StrEnum):
    MISSED = "missed"
    DOUBLED = "doubled"


@dataclass(frozen=True, slots=True)
class Event:
    """A marked contact or toe-off of the left or right foot: its frame, or its time in s.

    With both, the time counts, as it is.
    """

    kind: EventKind
    side: Side
    frame: int | None = None
    time_s: float | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """Plausible limits of running, low and high: cadence (steps/min), contact and flight (s).

    Source: features.csv, plausible_min and plausible_max of cadence, contact_time, flight_time.
    """

    cadence: tuple[float, float] = (120.0, 240.0)
    contact_time: tuple[float, float] = (0.1, 0.45)
    flight_time: tuple[float, float] = (0.0, 0.3)

    def __post_init__(self) -> None:
        for low, high in (self.cadence, self.contact_time, self.flight_time):
            if not (isfinite(low) and isfinite(high) and 0 <= low < high) or not self.cadence[0]:
                raise SettingError("limits", f"must ascend from 0 on, are {low} to {high}")

    @property
    def shortest_step(self) -> float:
        """Time in s of a step at the highest plausible cadence. By definition."""
        return 60 / self.cadence[1]


@dataclass(frozen=True, slots=True)
class MissedEvent:
    """A missed or doubled event. index: of the event as listed that it follows or repeats.

    time_s: read for a doubled event, estimated for a missed one; frame: of a doubled event.
    """

    fault: Fault
    kind: EventKind
    side: Side
    index: int
    time_s: float
    frame: int | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """An event in time, s, with the sd of reading it.

    sure: not doubled; index: as listed; step: number of the contact's step from the first on.
    """

    event: Event
    index: int
    time: float
    sd: float
    sure: bool = True
    step: int = 0

    @property
    def name(self) -> str:
        return f"{self.event.kind} of the {self.event.side} foot at {self.time:.4g} s"


@dataclass(frozen=True, slots=True)
class Steps:
    """Contacts by time with the number of their step; the toe-off of each, None where missed.

    both_feet: whether contacts of both were marked.
    """

    contacts: tuple[Mark, ...]
    toe_offs: tuple[Mark | None, ...]
    missed: tuple[MissedEvent, ...]
    both_feet: bool


def read_steps(
    events: Sequence[Event], frame_rate_hz: float | None = None, limits: Limits | None = None
) -> Steps:
    """The events as steps, with the missed and doubled ones named and left out of them.

    events: of either foot, each foot's in order of time, or its contacts and its toe-offs each in
    order; frame_rate_hz: true capture rate in 1/s, needed for frames. Errors: EventError for
    events out of order, fewer than two contacts, a step rate beyond the limits, a contact longer
    than the stride; SettingError for the rate. Source: rule of this clinic.
    """
    limits = limits or Limits()
    marks = [_mark(event, index, frame_rate_hz) for index, event in enumerate(events)]
    for side in (Side.LEFT, Side.RIGHT):
        _refuse_disorder([mark for mark in marks if mark.event.side is side])
    found: list[MissedEvent] = []
    contacts = _numbered(_without_doubles(marks, EventKind.CONTACT, limits, found), limits, found)
    toe_offs = _without_doubles(marks, EventKind.TOE_OFF, limits, found)
    owned = _owned(contacts, toe_offs, found)
    both = len({mark.event.side for mark in contacts}) == 2
    missed = tuple(sorted(found, key=lambda one: (one.time_s, one.side, one.kind)))
    return Steps(contacts, tuple(owned.get(mark.index) for mark in contacts), missed, both)


def _mark(event: Event, index: int, rate: float | None) -> Mark:
    if event.side not in (Side.LEFT, Side.RIGHT):
        raise EventError(f"event {index}", f"needs the left or right side, has {event.side}")
    if event.time_s is not None:
        if not isfinite(event.time_s):
            raise EventError(f"event {index}", f"time must be finite, is {event.time_s}")
        return Mark(event, index, event.time_s, 0.0)
    if event.frame is None:
        raise EventError(f"event {index}", "has neither a frame nor a time")
    if rate is None:
        raise EventError(f"event {index}", "a frame needs the capture rate", event.frame)
    positive_or_raise(rate, "frame_rate_hz")
    return Mark(event, index, event.frame / rate, 1 / rate / sqrt(12))


def _refuse_disorder(marks: Sequence[Mark]) -> None:
    """Raise for one foot's events that ascend neither as listed nor grouped by kind."""
    kinds = [[mark for mark in marks if mark.event.kind is kind] for kind in EventKind]
    grouped = max(map(len, kinds)) > 1 and _changes(marks) <= 1
    for row in kinds if grouped else [marks]:
        for earlier, later in pairwise(row):
            if later.time < earlier.time:
                _refuse(later, f"is out of order: it follows the {earlier.name}")
            if later.time == earlier.time and later.event.kind is not earlier.event.kind:
                _refuse(later, f"is at the same time as the {earlier.name}")


def _changes(marks: Sequence[Mark]) -> int:
    return sum(one.event.kind is not two.event.kind for one, two in pairwise(marks))


def _refuse(mark: Mark, why: str) -> None:
    raise EventError(f"event {mark.index}, {mark.name}", why, mark.event.frame)


def _without_doubles(
    marks: Sequence[Mark], kind: EventKind, limits: Limits, found: list[MissedEvent]
) -> list[Mark]:
    """Events of one kind by time; of those nearer than the shortest step one stays, not sure."""
    kept: list[Mark] = []
    latest: dict[Side, int] = {}
    for mark in sorted((one for one in marks if one.event.kind is kind), key=lambda m: m.time):
        side = mark.event.side
        place = latest.get(side)
        if place is not None and mark.time - kept[place].time < limits.shortest_step:
            kept[place] = _replaced(kept[place], sure=False)
            found.append(
                MissedEvent(Fault.DOUBLED, kind, side, mark.index, mark.time, mark.event.frame)
            )
        else:
            latest[side] = len(kept)
            kept.append(mark)
    return kept


def _replaced(mark: Mark, *, sure: bool | None = None, step: int | None = None) -> Mark:
    return Mark(
        mark.event,
        mark.index,
        mark.time,
        mark.sd,
        mark.sure if sure is None else sure,
        mark.step if step is None else step,
    )


def _numbered(
    contacts: Sequence[Mark], limits: Limits, found: list[MissedEvent]
) -> tuple[Mark, ...]:
    """Contacts with the number of their step, a foot alone counted in twos; misses are added."""
    if len(contacts) < 2:
        raise EventError("contact", f"needs two or more, has {len(contacts)}")
    both = len({mark.event.side for mark in contacts}) == 2
    usual = _usual_step(contacts, both=both)
    numbered = [contacts[0]]
    for earlier, later in pairwise(contacts):
        steps = _steps_between(earlier, later, usual)
        _refuse_rate(earlier, later, steps, limits)
        found.extend(_missed_between(earlier, later, steps, both=both))
        numbered.append(_replaced(later, step=numbered[-1].step + steps))
    return tuple(numbered)


def _usual_step(contacts: Sequence[Mark], *, both: bool) -> float:
    """Median step time in s from neighbours, of both feet where both were marked."""
    gaps = [
        later.time - earlier.time
        for earlier, later in pairwise(contacts)
        if not both or earlier.event.side is not later.event.side
    ]
    return median(gaps) if both else median(gaps) / 2


def _steps_between(earlier: Mark, later: Mark, usual: float) -> int:
    """The number of steps nearest to the gap: odd between two feet, even for one foot."""
    first = 2 if earlier.event.side is later.event.side else 1
    if usual <= 0:
        return first
    return first + 2 * max(0, round(((later.time - earlier.time) / usual - first) / 2))


def _refuse_rate(earlier: Mark, later: Mark, steps: int, limits: Limits) -> None:
    if not (earlier.sure and later.sure):
        return
    low, high = limits.cadence
    gap = later.time - earlier.time
    if gap * high * SINGLE_STEP_MARGIN < 60 * steps or gap * low > 60 * steps * SINGLE_STEP_MARGIN:
        rate = f"{60 * steps / gap:.0f} steps/min" if gap else "no time"
        _refuse(later, f"impossible rate: {rate} since the {earlier.name}")


def _missed_between(
    earlier: Mark, later: Mark, steps: int, *, both: bool
) -> Iterable[MissedEvent]:
    own = earlier.event.side
    other = Side.LEFT if own is Side.RIGHT else Side.RIGHT
    for step in range(1 if both else 2, steps, 1 if both else 2):
        time = earlier.time + (later.time - earlier.time) * step / steps
        side = other if step % 2 else own
        yield MissedEvent(Fault.MISSED, EventKind.CONTACT, side, earlier.index, time)


@dataclass(frozen=True, slots=True)
class _Stance:
    """A contact, the next of that foot, and the toe-offs until then by the stride they lie in."""

    contact: Mark
    later: Mark | None
    slots: dict[int, Mark]

    @property
    def strides(self) -> int:
        """Strides that are certain to have begun, with a toe-off each."""
        if self.later is not None:
            return (self.later.step - self.contact.step) // 2
        return max(self.slots, default=-1) + 1


def _owned(
    contacts: Sequence[Mark], toe_offs: Sequence[Mark], found: list[MissedEvent]
) -> dict[int, Mark]:
    """The toe-off of each contact by the contact's index; missing and orphaned ones are added."""
    stride = _stride(contacts)
    stances: list[_Stance] = []
    for side in (Side.LEFT, Side.RIGHT):
        own = [mark for mark in contacts if mark.event.side is side]
        leaving = [mark for mark in toe_offs if mark.event.side is side]
        if own and leaving:
            before = [mark for mark in leaving if mark.time <= own[0].time]
            found.extend(_orphans(before, contacts[0].time))
            stances += _stances(own, leaving, stride)
    owned = {stance.contact.index: stance.slots[0] for stance in stances if 0 in stance.slots}
    usual = _usual_contact(stances)
    end = max(mark.time for mark in [*contacts, *toe_offs])
    for stance in stances:
        found.extend(_missed_toe_offs(stance, stride, usual, end))
        found.extend(_contacts_missed_last(stance, stride, contacts[-1].time))
    return owned


def _stride(contacts: Sequence[Mark]) -> float:
    steps = contacts[-1].step - contacts[0].step
    return 2 * (contacts[-1].time - contacts[0].time) / steps


def _usual_contact(stances: Iterable[_Stance]) -> float:
    times = [one.slots[0].time - one.contact.time for one in stances if 0 in one.slots]
    return median(times) if times else 0.0


def _orphans(before: Sequence[Mark], first: float) -> Iterable[MissedEvent]:
    """A film may begin in stance: one toe-off may stand before the first contact, not two.

    first: time of the first contact of either foot; later misses were found between contacts.
    """
    for mark, following in pairwise(before):
        if following.time < first:
            side = mark.event.side
            yield MissedEvent(Fault.MISSED, EventKind.CONTACT, side, mark.index, mark.time)


def _stances(own: Sequence[Mark], leaving: Sequence[Mark], stride: float) -> Iterable[_Stance]:
    for contact, later in zip_longest(own, own[1:]):
        within = [
            mark
            for mark in leaving
            if mark.time > contact.time and (later is None or mark.time <= later.time)
        ]
        yield _Stance(contact, later, _slots(contact, later, within, stride))


def _slots(
    contact: Mark, later: Mark | None, within: Sequence[Mark], stride: float
) -> dict[int, Mark]:
    """Toe-offs by the stride since the contact in which they lie; EventError for two in one."""
    slots: dict[int, Mark] = {}
    count = None if later is None else (later.step - contact.step) // 2
    length = stride if later is None else (later.time - contact.time) / (count or 1)
    for mark in within:
        slot = int((mark.time - contact.time) / length)
        slot = slot if count is None else min(slot, count - 1)
        if slot in slots or (later is None and slot and 0 not in slots):
            _refuse(
                mark, f"contact longer than the stride, or no contact since the {contact.name}"
            )
        slots[slot] = mark
    return slots


def _missed_toe_offs(
    stance: _Stance, stride: float, usual: float, end: float
) -> Iterable[MissedEvent]:
    """usual: contact time; end: of the events, before which the last toe-off should have come."""
    contact = stance.contact
    last_is_missed = not stance.strides and usual > 0 and end - contact.time > usual
    for slot in range(stance.strides or int(last_is_missed)):
        if slot not in stance.slots:
            time = contact.time + slot * stride + usual
            side = contact.event.side
            yield MissedEvent(Fault.MISSED, EventKind.TOE_OFF, side, contact.index, time)


def _contacts_missed_last(stance: _Stance, stride: float, last: float) -> Iterable[MissedEvent]:
    """Contacts that only a toe-off shows, after the last contact of either foot."""
    contact = stance.contact
    for slot in range(1, 0 if stance.later else stance.strides):
        time = contact.time + slot * stride
        if time > last:
            side = contact.event.side
            yield MissedEvent(Fault.MISSED, EventKind.CONTACT, side, contact.index, time)
