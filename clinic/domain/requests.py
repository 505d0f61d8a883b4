"""Requests of the client about the record: until when each must be answered."""

import csv
import io
from calendar import monthrange
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from clinic.domain.vocabulary import RequestKind

ANYWHERE = "*"
MONTHS = 12
SOON = 7  # days


@dataclass(frozen=True, slots=True)
class TimeLimit:
    """The time to answer one kind of request in some countries, and by how much it may grow."""

    countries: frozenset[str]
    kind: RequestKind
    months: int
    days: int
    more_months: int
    more_days: int
    source: str

    def due_on(self, received: date) -> date:
        """The last day on which the client may get the answer; received: day of receipt."""
        return later(received, self.months, self.days)

    def extended_to(self, received: date) -> date:
        """The last day once the one extension is taken; both times run from the receipt."""
        return later(received, self.months + self.more_months, self.days + self.more_days)


def later(day: date, months: int, days: int) -> date:
    """A day so many months and then days later; the last of a month that is too short.

    months, days: whole, 0 or more. A last day on a weekend or holiday is not moved on, though
    Regulation (EEC, Euratom) No 1182/71, article 3(4), would allow it: earlier is never late.
    Source: the same, article 3(2)(c): the day of the same date, or the last day of the month.
    """
    years, month = divmod(day.month - 1 + months, MONTHS)
    year, month = day.year + years, month + 1
    last = monthrange(year, month)[1]
    return date(year, month, min(day.day, last)) + timedelta(days=days)


def read_limits(table: str) -> tuple[TimeLimit, ...]:
    """The time limits of a CSV table: countries, kind, months, days, more of both, source.

    table: the whole file; countries: codes of ISO 3166 with a blank between, or a star for all
    others. Raises ValueError for an unknown kind, a time of nothing, a missing source, a country
    that stands twice for a kind, and a kind without a row for all others.
    """
    found: list[TimeLimit] = []
    seen: set[tuple[str, RequestKind]] = set()
    for row in csv.DictReader(io.StringIO(table)):
        one = TimeLimit(
            frozenset(row["countries"].split()),
            RequestKind(row["kind"]),
            int(row["months"]),
            int(row["days"]),
            int(row["more_months"]),
            int(row["more_days"]),
            row["source"].strip(),
        )
        times = (one.months, one.days, one.more_months, one.more_days)
        if min(times) < 0 or not one.months + one.days or not one.source:
            raise ValueError(f"{row['countries']}, {one.kind}: a time and a source are needed")
        places = {(country, one.kind) for country in one.countries}
        if places & seen:
            raise ValueError(f"{row['countries']}, {one.kind} stands twice")
        seen |= places
        found.append(one)
    missing = {kind for kind in RequestKind if (ANYWHERE, kind) not in seen}
    if missing:
        raise ValueError(f"no time for all other countries: {', '.join(sorted(missing))}")
    return tuple(found)


def limit_of(limits: Iterable[TimeLimit], country: str, kind: RequestKind) -> TimeLimit:
    """The limit of a country, or the one for all others; country: ISO 3166, two letters."""
    of_kind = [one for one in limits if one.kind == kind]
    own = [one for one in of_kind if country in one.countries]
    return own[0] if own else next(one for one in of_kind if ANYWHERE in one.countries)


def is_soon(due: date, today: date) -> bool:
    """Whether the last day is near enough to be marked: a week. Rule of this clinic."""
    return (due - today).days <= SOON


def left_words(due: date, today: date) -> str:
    """How much time is left: "3 days left", "due today", "2 days overdue"."""
    days = (due - today).days
    if days == 0:
        return "due today"
    unit = "day" if abs(days) == 1 else "days"
    return f"{days} {unit} left" if days > 0 else f"{-days} {unit} overdue"
