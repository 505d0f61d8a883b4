"""When a clinician can be booked on one day: weekly hours, changes of them, public holidays."""

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from enum import StrEnum

from clinic.domain.diary import Hours


class ChangeKind(StrEnum):
    """What a change of hours does on its days."""

    CLOSED = "closed"
    OPEN = "open"


@dataclass(frozen=True)
class Change:
    """Other hours than usual on some days, of one clinician or of the whole site.

    own: of the clinician; otherwise of the site. hours: None for the whole day, which only a
    closed day may have. why: as everybody reads it. Days count from first_day to last_day, both
    part of it.
    """

    kind: ChangeKind
    first_day: date
    last_day: date
    own: bool
    hours: Hours | None = None
    why: str = ""

    def covers(self, day: date) -> bool:
        """True if the day is one of its days. By definition."""
        return self.first_day <= day <= self.last_day


def hours_on(
    day: date,
    weekly: Mapping[int, Sequence[Hours]],
    changes: Iterable[Change],
    holidays: Container[date],
) -> list[Hours]:
    """Local hours of one clinician on one day, in order, without overlaps; empty when closed.

    weekly: weekday (0 is Monday) to the usual hours; changes: of the clinician and of the site;
    holidays: days on which the site is closed unless a change opens it. Rule of this clinic: own
    open hours take the place of the usual ones; open hours of the site end a public holiday and
    bound the usual ones; what is closed is closed whatever else says open.
    """
    here = [change for change in changes if change.covers(day)]
    own = [it.hours for it in here if it.own and it.kind is ChangeKind.OPEN and it.hours]
    shared = [it.hours for it in here if not it.own and it.kind is ChangeKind.OPEN and it.hours]
    if own:
        found = own
    elif shared:
        found = _both(weekly.get(day.weekday(), ()), shared)
    else:
        found = [] if day in holidays else list(weekly.get(day.weekday(), ()))
    for change in here:
        if change.kind is ChangeKind.CLOSED:
            found = _without(found, change.hours)
    return _joined(found)


def _both(some: Sequence[Hours], others: Sequence[Hours]) -> list[Hours]:
    pairs = [Hours(max(a.opens, b.opens), min(a.closes, b.closes)) for a in some for b in others]
    return [it for it in pairs if it.opens < it.closes]


def _without(some: Sequence[Hours], closed: Hours | None) -> list[Hours]:
    if closed is None:
        return []
    left = []
    for it in some:
        before = Hours(it.opens, min(it.closes, closed.opens))
        after = Hours(max(it.opens, closed.closes), it.closes)
        left += [part for part in (before, after) if part.opens < part.closes]
    return left


def _joined(some: Sequence[Hours]) -> list[Hours]:
    """In order; stretches that touch or overlap become one."""
    found: list[Hours] = []
    for it in sorted(some, key=lambda hours: hours.opens):
        if found and it.opens <= found[-1].closes:
            found[-1] = Hours(found[-1].opens, max(found[-1].closes, it.closes))
        else:
            found.append(it)
    return found


def hours_words(hours: Sequence[Hours]) -> str:
    """Hours for a sentence: "9:00 to 12:30 and 13:30 to 17:30"; "closed" for none."""
    return " and ".join(f"{_at(it.opens)} to {_at(it.closes)}" for it in hours) or "closed"


def _at(at: time) -> str:
    return f"{at:%H:%M}"
