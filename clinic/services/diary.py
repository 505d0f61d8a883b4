"""Booking: free times, appointments and what becomes of them.

The friendly checks say what is wrong; the promise that no clinician and no room is booked twice is
the database's own (guards `appointment_clinician_free` and `appointment_room_free`).
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from itertools import groupby, islice
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from clinic.domain import diary
from clinic.domain.vocabulary import AppointmentState, Role, TrailAction
from clinic.models import Appointment, AppointmentKind, Client, OpeningHours, Room, Site, Staff
from clinic.services import reassessments, trail

OFFERED = 6
# what the guards' own refusals say, on SQLite and on PostgreSQL
GUARD_WORDS = ("is taken at that time", "appointment_clinician_free", "appointment_room_free")


@dataclass(frozen=True)
class Offer:
    """A free time that can be booked as it stands."""

    kind: AppointmentKind
    clinician: Staff
    room: Room
    slot: diary.Slot

    @property
    def words(self) -> str:
        return f"{self.slot.day:%a} {self.slot.day.day} {self.slot.day:%b} {self.slot.time:%H:%M}"


class TakenError(ValidationError):
    """The time is taken; the text names the next free times, which `free` holds."""

    def __init__(self, what: str, free: Sequence[Offer]) -> None:
        self.free = list(free)
        times = ", ".join(offer.words for offer in self.free) or "none in the next twelve weeks"
        super().__init__(f"{what} is taken at that time. Next free: {times}.", code="taken")


# Reading


def clinicians_of(site: Site) -> QuerySet[Staff]:
    """People who can be booked at a site."""
    return Staff.objects.filter(sites=site, groups__name=Role.CLINICIAN, is_active=True)


def weeks_of(
    kind: AppointmentKind,
    first_day: date,
    client: Client | None = None,
    apart_from: Appointment | None = None,
) -> tuple[dict[Staff, diary.Week], dict[int, Room]]:
    """What free times follow from, for each clinician with hours at the site; rooms by key.

    client: whose own appointments take time as well; apart_from: an appointment that is to be
    moved, so its own time counts as free.
    """
    site, zone = kind.site, ZoneInfo(kind.site.time_zone)
    hours = (
        OpeningHours.objects.filter(site=site, clinician__in=clinicians_of(site))
        .select_related("clinician")
        .order_by("clinician__last_name", "clinician", "weekday", "opens")
    )
    opening = {person: list(rows) for person, rows in groupby(hours, lambda row: row.clinician)}
    rooms = {room.pk: room for room in Room.objects.filter(site=site).order_by("name")}
    suitable = [room for room in rooms.values() if room.has_treadmill or not kind.needs_treadmill]
    # the room that fewer kinds can use stays free as long as it may
    suitable.sort(key=lambda room: (room.has_treadmill != kind.needs_treadmill, room.name))
    taken = _taken(site, list(opening), first_day, apart_from)
    own = taken.by_client.get(client.pk, []) if client else []
    room_times = [diary.RoomTimes(room.pk, taken.by_room.get(room.pk, [])) for room in suitable]
    weeks = {
        person: diary.Week(
            _by_weekday(rows), [*taken.by_clinician.get(person.pk, []), *own], room_times, zone
        )
        for person, rows in opening.items()
    }
    return weeks, rooms


def _by_weekday(rows: Sequence[OpeningHours]) -> dict[int, list[diary.Hours]]:
    return {
        weekday: [diary.Hours(row.opens, row.closes) for row in stretch]
        for weekday, stretch in groupby(rows, lambda row: row.weekday)
    }


Spans = dict[int, list[diary.Span]]


@dataclass(frozen=True)
class Taken:
    """Times that are gone, by the key of who or what they belong to."""

    by_clinician: Spans = field(default_factory=lambda: defaultdict(list))
    by_room: Spans = field(default_factory=lambda: defaultdict(list))
    by_client: Spans = field(default_factory=lambda: defaultdict(list))


def _taken(
    site: Site, clinicians: Sequence[Staff], first_day: date, apart_from: Appointment | None
) -> Taken:
    """What stands from the day before on; of clinicians at every site."""
    standing = Appointment.objects.standing().filter(
        Q(site=site) | Q(clinician__in=clinicians),
        local_date__range=(
            first_day - timedelta(days=1),
            first_day + timedelta(days=diary.DAYS_AHEAD + 1),
        ),
    )
    if apart_from:
        standing = standing.exclude(pk=apart_from.pk)
    taken = Taken()
    for clinician, room, client, *span in standing.values_list(
        "clinician", "room", "client", "starts_at", "ends_at"
    ):
        taken.by_clinician[clinician].append(diary.Span(*span))
        taken.by_room[room].append(diary.Span(*span))
        taken.by_client[client].append(diary.Span(*span))
    return taken


def offers(
    *,
    kind: AppointmentKind,
    first_day: date,
    clinician: Staff | None = None,
    client: Client | None = None,
    after: datetime | None = None,
    apart_from: Appointment | None = None,
    many: int = OFFERED,
) -> tuple[list[Offer], list[Offer]]:
    """The first free times of the same clinician, and the first of all the others."""
    weeks, rooms = weeks_of(kind, first_day, client, apart_from)
    not_before = timezone.now()
    if after:
        not_before = max(not_before, after + timedelta(minutes=1))
    same: list[Offer] = []
    others: list[Offer] = []
    for person, week in weeks.items():
        slots = islice(diary.free_slots(week, kind.minutes, first_day, not_before), many)
        found = [Offer(kind, person, rooms[slot.room], slot) for slot in slots]
        (same if person == clinician else others).extend(found)
    others.sort(key=lambda offer: offer.slot.span)
    return same, others[:many]


# Booking


@transaction.atomic
def book(
    *,
    client: Client,
    kind: AppointmentKind,
    clinician: Staff,
    room: Room,
    local_date: date,
    local_time: time,
    by: Staff,
) -> Appointment:
    """Save and return the appointment; the same booking sent again gives the first one.

    Raises ValidationError, as TakenError with the next free times.
    """
    span = _span(kind, local_date, local_time)
    _hold_still(clinician, room, client)
    first = _same_booking(client, kind, span)
    if first:
        return first
    appointment = Appointment(
        site=client.site,
        client=client,
        kind=kind,
        time_zone=client.site.time_zone,
        booked_by=by,
        booked_at=timezone.now(),
    )
    _place(appointment, clinician, room, local_date, local_time, span)
    reassessments.attach(appointment)
    _record(TrailAction.BOOK, appointment, by)
    return appointment


@transaction.atomic
def move(
    *,
    appointment: Appointment,
    clinician: Staff,
    room: Room,
    local_date: date,
    local_time: time,
    seen: int,
    by: Staff,
) -> Appointment:
    """Save and return the appointment at its new time.

    seen: the sequence number that the person had before them. Raises ValidationError when it was
    changed since then or is no longer booked, and TakenError with the next free times.
    """
    span = _span(appointment.kind, local_date, local_time)
    _hold_still(clinician, room, appointment.client)
    moved = _locked(appointment)
    if moved.state != AppointmentState.BOOKED:
        raise ValidationError(f"This appointment is {moved.get_state_display()} by now.")
    if (moved.starts_at, moved.clinician, moved.room) == (span.starts_at, clinician, room):
        return moved
    if moved.sequence != seen:
        raise ValidationError(
            f"Somebody else moved this appointment to {moved} meanwhile. "
            "Choose a time again if that is not right."
        )
    moved.sequence += 1
    _place(moved, clinician, room, local_date, local_time, span)
    _record(TrailAction.MOVE, moved, by)
    return moved


def is_doubled(appointment: Appointment) -> bool:
    """Whether the clocks show its time twice that day; it then stands for the first."""
    zone = ZoneInfo(appointment.time_zone)
    return diary.moment(appointment.local_date, appointment.local_time, zone).doubled


def _span(kind: AppointmentKind, local_date: date, local_time: time) -> diary.Span:
    try:
        return diary.span_of(local_date, local_time, kind.minutes, ZoneInfo(kind.site.time_zone))
    except diary.MissingTimeError as missing:
        raise ValidationError({"local_time": str(missing)}) from missing


def _hold_still(clinician: Staff, room: Room, client: Client) -> None:
    """Lock what a booking needs, always in this order; SQLite locked the file at BEGIN.

    Without it two bookings of one slot may wait for each other in PostgreSQL's exclusion
    constraint until the deadlock detector ends one of them.
    """
    for row in (clinician, room, client):
        manager: Any = type(row)._default_manager
        manager.select_for_update(no_key=True, of=("self",)).filter(pk=row.pk).first()


def _locked(appointment: Appointment) -> Appointment:
    return (
        Appointment.objects.select_for_update(of=("self",))
        .select_related("client__site", "clinician", "room", "kind__site")
        .get(pk=appointment.pk)
    )


def _same_booking(client: Client, kind: AppointmentKind, span: diary.Span) -> Appointment | None:
    return (
        Appointment.objects.standing()
        .filter(client=client, kind=kind, starts_at=span.starts_at)
        .first()
    )


def _place(
    appointment: Appointment,
    clinician: Staff,
    room: Room,
    local_date: date,
    local_time: time,
    span: diary.Span,
) -> None:
    """Put the appointment at a time and save it; raises ValidationError."""
    appointment.clinician, appointment.room = clinician, room
    appointment.local_date, appointment.local_time = local_date, local_time
    appointment.starts_at, appointment.ends_at = span.starts_at, span.ends_at
    appointment.changed_at = timezone.now()
    _refuse_misfits(appointment)
    _refuse_closed(appointment, span)
    _refuse_taken(appointment)
    appointment.full_clean()
    with refused_by_guard(appointment):
        appointment.save()


def _refuse_misfits(appointment: Appointment) -> None:
    kind, room, site = appointment.kind, appointment.room, appointment.site
    if kind.site_id != site.pk or room.site_id != site.pk:
        raise ValidationError("Kind, room and client belong to different sites.")
    if kind.needs_treadmill and not room.has_treadmill:
        raise ValidationError({"room": f"{kind} needs a treadmill, and {room} has none."})
    if not clinicians_of(site).filter(pk=appointment.clinician_id).exists():
        raise ValidationError(
            {"clinician": f"{appointment.clinician} cannot be booked at {site}."}
        )


def _refuse_closed(appointment: Appointment, span: diary.Span) -> None:
    day, zone = appointment.local_date, ZoneInfo(appointment.time_zone)
    rows = OpeningHours.objects.filter(
        site=appointment.site, clinician=appointment.clinician, weekday=day.weekday()
    )
    hours = [diary.Hours(row.opens, row.closes) for row in rows]
    if not diary.within_hours(span, day, hours, zone):
        listed = " and ".join(f"{it.opens:%H:%M} to {it.closes:%H:%M}" for it in hours)
        raise ValidationError(
            {
                "local_time": f"{appointment.clinician} can be booked on a {day:%A}: "
                f"{listed or 'not at all'}. {appointment.kind} takes "
                f"{appointment.kind.minutes} minutes."
            }
        )


def _refuse_taken(appointment: Appointment) -> None:
    overlapping = (
        Appointment.objects.standing()
        .filter(starts_at__lt=appointment.ends_at, ends_at__gt=appointment.starts_at)
        .exclude(pk=appointment.pk)
    )
    if overlapping.filter(client=appointment.client).exists():
        raise ValidationError(f"{appointment.client} has another appointment at that time.")
    if overlapping.filter(clinician=appointment.clinician).exists():
        raise refusal_of(appointment, str(appointment.clinician))
    if overlapping.filter(room=appointment.room).exists():
        raise refusal_of(appointment, str(appointment.room))


def refusal_of(appointment: Appointment, what: str) -> TakenError:
    """The refusal of a taken time, with the next free ones of the same clinician."""
    free, _ = offers(
        kind=appointment.kind,
        first_day=appointment.local_date,
        clinician=appointment.clinician,
        client=appointment.client,
        after=appointment.starts_at,
        apart_from=appointment if appointment.pk else None,
        many=3,
    )
    return TakenError(what, free)


@contextmanager
def refused_by_guard(appointment: Appointment) -> Iterator[None]:
    """The database's own refusal of a taken time, said as ours."""
    try:
        with transaction.atomic():
            yield
    except IntegrityError as refusal:
        if any(words in str(refusal) for words in GUARD_WORDS):
            raise refusal_of(appointment, "The clinician or the room") from refusal
        raise


# What becomes of an appointment


@transaction.atomic
def cancel(*, appointment: Appointment, reason: str, by: Staff) -> Appointment:
    """Save it as cancelled, with the reason; its reassessment is open again."""
    if not reason.strip():
        raise ValidationError({"reason": "Say why."})
    return _become(appointment, AppointmentState.CANCELLED, by, reason.strip())


@transaction.atomic
def arrive(*, appointment: Appointment, by: Staff) -> Appointment:
    """Save that the client is here; raises ValidationError before the day."""
    return _become(appointment, AppointmentState.ARRIVED, by)


@transaction.atomic
def mark_seen(*, appointment: Appointment, by: Staff) -> Appointment:
    """Save that the client was seen; the reassessment booked with it is done."""
    return _become(appointment, AppointmentState.SEEN, by)


@transaction.atomic
def mark_missed(*, appointment: Appointment, by: Staff, reason: str = "") -> Appointment:
    """Save that the client did not come; the reassessment booked with it is open again."""
    return _become(appointment, AppointmentState.MISSED, by, reason.strip())


@transaction.atomic
def put_back(*, appointment: Appointment, by: Staff) -> Appointment:
    """Save it as booked again after a wrong press."""
    return _become(appointment, AppointmentState.BOOKED, by)


def _become(
    appointment: Appointment, state: AppointmentState, by: Staff, reason: str = ""
) -> Appointment:
    """Change the state; the same change sent again changes nothing. Raises ValidationError."""
    found = _locked(appointment)
    before = AppointmentState(found.state)
    if before == state:
        return found
    if state not in diary.MAY_BECOME[before]:
        raise ValidationError(f"This appointment is {found.get_state_display()} by now.")
    on_the_day = {AppointmentState.ARRIVED, AppointmentState.SEEN, AppointmentState.MISSED}
    if state in on_the_day and found.local_date > reassessments.today_at(found.client.site):
        day = diary.in_words(found.local_date)
        raise ValidationError(f"The appointment is on {day}: wait for the day, or cancel it.")
    found.state, found.reason, found.changed_at = state, reason, timezone.now()
    cancelled = state == AppointmentState.CANCELLED
    found.sequence += cancelled
    found.full_clean()
    found.save(update_fields=["state", "reason", "changed_at", "sequence"])
    _follow(found, before)
    _record(TrailAction.CANCEL if cancelled else TrailAction.CHANGE, found, by)
    return found


def _follow(appointment: Appointment, before: AppointmentState) -> None:
    """What the change means for the reassessment behind the appointment."""
    state = appointment.state
    if state in {AppointmentState.CANCELLED, AppointmentState.MISSED}:
        reassessments.release(appointment)
    elif state == AppointmentState.SEEN:
        reassessments.finish(appointment)
    elif before == AppointmentState.SEEN:
        reassessments.take_back(appointment)
    elif before == AppointmentState.MISSED:
        reassessments.attach(appointment)


def _record(action: TrailAction, appointment: Appointment, by: Staff) -> None:
    trail.record(
        action,
        by=by,
        row=appointment,
        client=appointment.client,
        state=appointment.state,
        day=appointment.local_date.isoformat(),
        sequence=appointment.sequence,
    )
