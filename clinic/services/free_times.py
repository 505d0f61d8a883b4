"""Free times: what the diary holds is read in a fixed number of queries and searched as sets."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby, islice
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Func, IntegerField, Q, QuerySet
from django.utils import timezone

from clinic.domain import diary, free_times, opening
from clinic.domain.free_times import Bookable, Days, FreeTime, Place
from clinic.domain.vocabulary import Role
from clinic.models import (
    Appointment,
    AppointmentKind,
    Client,
    HoursChange,
    KeptTime,
    OpeningHours,
    Room,
    Site,
    Staff,
)
from clinic.public_holidays import holidays_between

OFFERED, OFFERED_EARLIER = 6, 3
EARLY_DAYS = 7  # rule of this clinic: a reassessment may be booked a week before it is due
EVERY_DAY = frozenset(range(7))


@dataclass(frozen=True)
class Offer:
    """A free time that can be booked as it stands."""

    kind: AppointmentKind
    clinician: Staff
    room: Room
    starts_at: datetime

    @property
    def local(self) -> datetime:
        """On the clock of the site; fold 1 is the second of two."""
        return self.starts_at.astimezone(zone_of(self.kind.site))

    @property
    def day(self) -> date:
        return self.local.date()

    @property
    def time(self) -> time:
        return self.local.time()

    @property
    def second(self) -> bool:
        """Whether the clocks show its time twice and this is the second."""
        return bool(self.local.fold)

    @property
    def words(self) -> str:
        return f"{self.local:%a} {self.day.day} {self.local:%b} {self.local:%H:%M}"


@dataclass(frozen=True)
class Wish:
    """What is looked for.

    clinician: whose times come first, None for anybody; client: whose own appointments take time
    as well; weekdays: 0 is Monday; between: local times that the start lies in, both part of it;
    days: how many are searched from first_day on; early_days: how many before it count too;
    apart_from: an appointment to be moved, whose own time counts as free; asked_by: whose kept
    times do not stand in the way.
    """

    kind: AppointmentKind
    first_day: date
    clinician: Staff | None = None
    client: Client | None = None
    weekdays: frozenset[int] = EVERY_DAY
    between: tuple[time, time] | None = None
    after: datetime | None = None
    days: int = diary.DAYS_AHEAD
    early_days: int = 0
    apart_from: Appointment | None = None
    asked_by: Staff | None = None


# Reading


def zone_of(site: Site) -> ZoneInfo:
    """The clock of a site."""
    return ZoneInfo(site.time_zone)


def clinicians_of(site: Site) -> QuerySet[Staff]:
    """Clinicians with an open account at a site."""
    return Staff.objects.filter(sites=site, groups__name=Role.CLINICIAN, is_active=True)


@dataclass(frozen=True)
class Plan:
    """Who can be booked at a site when, over some days: read in two queries."""

    people: list[Staff]
    weekly: dict[int, dict[int, list[diary.Hours]]]
    changes: dict[int, list[opening.Change]]
    holidays: dict[date, str]

    def hours_on(self, person: Staff, day: date) -> list[diary.Hours]:
        """Hours of one clinician on one of the days, in order; empty when closed."""
        own = self.weekly.get(person.pk, {})
        return opening.hours_on(day, own, self.changes.get(person.pk, []), self.holidays)

    def why(self, person: Staff, day: date) -> str:
        """What is said about that day: leave, another plan, a public holiday."""
        said = [it.why for it in self.changes.get(person.pk, []) if it.covers(day) and it.why]
        usual = day.weekday() in self.weekly.get(person.pk, {})
        if usual and day in self.holidays and not self.hours_on(person, day):
            said.append(self.holidays[day])
        return ", ".join(said)


def plan_of(site: Site, first: date, last: date, people: Iterable[Staff] | None = None) -> Plan:
    """The plan of all clinicians with hours at a site, or of those given."""
    found = _weekly(site, clinicians_of(site) if people is None else [it.pk for it in people])
    everybody = list(found if people is None else people)
    return Plan(
        everybody,
        {person.pk: hours for person, hours in found.items()},
        _changes(site, [it.pk for it in everybody], first, last),
        holidays_between(site.holiday_region, first, last),
    )


def _weekly(
    site: Site, clinicians: Iterable[int] | QuerySet[Staff]
) -> dict[Staff, dict[int, list[diary.Hours]]]:
    """Usual hours at a site, by clinician and weekday."""
    rows = (
        OpeningHours.objects.filter(site=site, clinician__in=clinicians)
        .select_related("clinician")
        .order_by("clinician__last_name", "clinician", "weekday", "opens")
    )
    return {
        person: {
            weekday: [diary.Hours(row.opens, row.closes) for row in stretch]
            for weekday, stretch in groupby(own, lambda row: row.weekday)
        }
        for person, own in groupby(rows, lambda row: row.clinician)
    }


def _changes(
    site: Site, clinicians: Sequence[int], first: date, last: date
) -> dict[int, list[opening.Change]]:
    """Changes of hours that touch the days: of the site, and of each clinician.

    Leave that was entered at another site counts here as well; other hours there do not.
    """
    rows = HoursChange.objects.filter(
        Q(site=site) | Q(clinician__in=clinicians, kind=opening.ChangeKind.CLOSED),
        Q(clinician=None) | Q(clinician__in=clinicians),
        first_day__lte=last,
        last_day__gte=first,
    )
    shared: list[opening.Change] = []
    own: defaultdict[int, list[opening.Change]] = defaultdict(list)
    for row in rows:
        change = change_of(row)
        shared.append(change) if row.clinician_id is None else own[row.clinician_id].append(change)
    return {key: [*shared, *own[key]] for key in clinicians}


def change_of(row: HoursChange) -> opening.Change:
    """A stored change of hours as a value."""
    hours = diary.Hours(row.opens, row.closes) if row.opens and row.closes else None
    kind = opening.ChangeKind(row.kind)
    own = row.clinician_id is not None
    return opening.Change(kind, row.first_day, row.last_day, own, hours, row.why)


StepsByDay = defaultdict[int, int]


def _by_day() -> defaultdict[int, StepsByDay]:
    return defaultdict(lambda: defaultdict(int))


@dataclass(frozen=True)
class Taken:
    """Steps of the days that are gone, by the key of who or what they belong to."""

    clinicians: defaultdict[int, StepsByDay] = field(default_factory=_by_day)
    rooms: defaultdict[int, StepsByDay] = field(default_factory=_by_day)
    clients: defaultdict[int, StepsByDay] = field(default_factory=_by_day)


class EpochMinute(Func):
    """Whole minutes since 1970 (UTC) of an instant; a year of rows is read without dates."""

    output_field = IntegerField()

    def as_sqlite(self, compiler: Any, connection: Any, **context: Any) -> Any:
        template = "CAST(strftime('%%%%s', %(expressions)s) AS INTEGER) / 60"
        return self.as_sql(compiler, connection, template=template, **context)

    def as_postgresql(self, compiler: Any, connection: Any, **context: Any) -> Any:
        template = "CAST(FLOOR(EXTRACT(EPOCH FROM %(expressions)s) / 60) AS BIGINT)"
        return self.as_sql(compiler, connection, template=template, **context)


@dataclass(frozen=True)
class Search:
    """What was read for one search."""

    wish: Wish
    days: Days
    people: dict[int, Staff]
    rooms: dict[int, Room]
    bookable: list[Bookable]
    places: list[Place]
    own_taken: Mapping[int, int]

    def run(self, *, backwards: bool = False) -> Iterator[Offer]:
        """Free times that the wish allows, in order of time."""
        wish = self.wish
        earliest = timezone.now()
        if wish.after:
            earliest = max(earliest, wish.after + timedelta(minutes=1))
        for free in free_times.free_times(
            self.days,
            self.bookable,
            self.places,
            free_times.Needs(wish.kind.minutes, wish.kind.clear_minutes),
            also_taken=self.own_taken,
            not_before=-int(-earliest.timestamp() // 60),
            backwards=backwards,
        ):
            if self._allowed(free):
                yield self.offer(free)

    def _allowed(self, free: FreeTime) -> bool:
        wish = self.wish
        if wish.weekdays == EVERY_DAY and wish.between is None:
            return True
        local = free.local(self.days.zone)
        if local.weekday() not in wish.weekdays:
            return False
        return wish.between is None or wish.between[0] <= local.time() <= wish.between[1]

    def offer(self, free: FreeTime) -> Offer:
        starts_at = datetime.fromtimestamp(free.minute * 60, UTC)
        return Offer(self.wish.kind, self.people[free.clinician], self.rooms[free.room], starts_at)


def search(wish: Wish) -> Search:
    """Read what a wish needs, in five queries."""
    kind, site = wish.kind, wish.kind.site
    zone = zone_of(site)
    first = wish.first_day - timedelta(days=wish.early_days)
    days = Days.from_day(first, wish.early_days + wish.days, zone)
    last = days.day(len(days) - 1)
    plan = plan_of(site, first, last)
    people = {person.pk: person for person in plan.people}
    rooms = {room.pk: room for room in Room.objects.filter(site=site).order_by("name")}
    taken = _taken(wish, list(people), days)
    open_steps = _OpenSteps(days)
    bookable = [
        Bookable(
            person.pk,
            {
                number: open_steps(number, hours)
                for number in range(len(days))
                if (hours := plan.hours_on(person, days.day(number)))
            },
            taken.clinicians[person.pk],
        )
        for person in plan.people
    ]
    suitable = [room for room in rooms.values() if room.has_treadmill or not kind.needs_treadmill]
    # the room that fewer kinds can use stays free as long as it may
    suitable.sort(key=lambda room: (room.has_treadmill != kind.needs_treadmill, room.name))
    places = [Place(room.pk, taken.rooms[room.pk]) for room in suitable]
    own = taken.clients[wish.client.pk] if wish.client else {}
    return Search(wish, days, people, rooms, bookable, places, own)


class _OpenSteps:
    """Open steps of a day; clinicians who share their hours share the answer."""

    def __init__(self, days: Days) -> None:
        self.days = days
        self.known: dict[tuple[int, tuple[diary.Hours, ...]], int] = {}

    def __call__(self, number: int, hours: Sequence[diary.Hours]) -> int:
        key = (number, tuple(hours))
        if key not in self.known:
            self.known[key] = self.days.open_steps(number, hours)
        return self.known[key]


def _taken(wish: Wish, clinicians: Sequence[int], days: Days) -> Taken:
    """What stands on the days, and is kept for other callers; of clinicians at every site."""
    client = wish.client.pk if wish.client else None
    begins = datetime.fromtimestamp(days.midnights[0] * 60, UTC)
    ends = datetime.fromtimestamp(days.midnights[-1] * 60, UTC)
    here = Q(site=wish.kind.site) | Q(clinician__in=clinicians) | Q(client=client)
    within = {"starts_at__lt": ends, "clear_at__gt": begins}
    # the index on instants of a site's day does not know how long an appointment is
    standing = Appointment.objects.standing().filter(
        here, starts_at__gte=begins - timedelta(days=1), **within
    )
    if wish.apart_from:
        standing = standing.exclude(pk=wish.apart_from.pk)
    kept = KeptTime.objects.at(timezone.now()).filter(
        Q(site=wish.kind.site) | Q(clinician__in=clinicians), **within
    )
    if wish.asked_by:
        kept = kept.exclude(kept_by=wish.asked_by)
    taken = Taken()
    span = (EpochMinute("starts_at"), EpochMinute("clear_at"))
    for clinician, room, whose, begins, ends in standing.values_list(
        "clinician", "room", "client", *span
    ):
        for number, steps in days.touched(begins, ends):
            taken.clinicians[clinician][number] |= steps
            taken.rooms[room][number] |= steps
            if whose == client:
                taken.clients[whose][number] |= steps
    for clinician, room, begins, ends in kept.values_list("clinician", "room", *span):
        for number, steps in days.touched(begins, ends):
            taken.clinicians[clinician][number] |= steps
            taken.rooms[room][number] |= steps
    return taken


# Offering


@dataclass(frozen=True)
class Offers:
    """Free times from the wished day outward, each list in order of time.

    same: of the same clinician from that day on; earlier: of the same clinician before it;
    others: of everybody else from that day on.
    """

    same: list[Offer]
    earlier: list[Offer]
    others: list[Offer]


def offers(wish: Wish, many: int = OFFERED) -> Offers:
    """The times nearest to the wished day; without a clinician all are `others`."""
    found = search(wish)
    wished = datetime.fromtimestamp(found.days.midnights[wish.early_days] * 60, UTC)
    same: list[Offer] = []
    others: list[Offer] = []
    for offer in found.run():
        own = offer.clinician == wish.clinician
        if offer.starts_at >= wished and len(same if own else others) < many:
            (same if own else others).append(offer)
        if len(others) == many and (wish.clinician is None or len(same) == many):
            break
    return Offers(same, _earlier(found, wished), others)


def _earlier(found: Search, wished: datetime) -> list[Offer]:
    """The last times of the same clinician before the wished day."""
    if not found.wish.early_days or found.wish.clinician is None:
        return []
    before = (
        offer
        for offer in found.run(backwards=True)
        if offer.starts_at < wished and offer.clinician == found.wish.clinician
    )
    return sorted(islice(before, OFFERED_EARLIER), key=lambda offer: offer.starts_at)


def next_free(wish: Wish, many: int = 3) -> list[Offer]:
    """The next free times of the wish's clinician alone, or of anybody."""
    found = search(wish)
    mine = (it for it in found.run() if wish.clinician in {None, it.clinician})
    return list(islice(mine, many))
