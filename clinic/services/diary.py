"""Booking: appointments and what becomes of them.

The friendly checks say what is wrong; the promise that no clinician and no room is booked twice is
the database's own (guards `appointment_clinician_free` and `appointment_room_free`).
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic.domain import diary
from clinic.domain.opening import hours_words
from clinic.domain.vocabulary import AppointmentState, TrailAction
from clinic.models import Appointment, AppointmentKind, Client, KeptTime, Room, Site, Staff
from clinic.models.record_links import person
from clinic.services import reassessments, record_links, trail, waiting_list
from clinic.services.free_times import Offer, Wish, clinicians_of, next_free, plan_of
from clinic.services.living import refuse_dead

# what the guards' own refusals say, on SQLite and on PostgreSQL
GUARD_WORDS = ("is taken at that time", "appointment_clinician_free", "appointment_room_free")


class TakenError(ValidationError):
    """The time is taken; the text names the next free times, which `free` holds."""

    def __init__(self, what: str, free: Sequence[Offer]) -> None:
        self.free = list(free)
        times = ", ".join(offer.words for offer in self.free) or "none in the next twelve weeks"
        super().__init__(f"{what} is taken at that time. Next free: {times}.", code="taken")


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
    second: bool | None = None,
    by: Staff,
) -> Appointment:
    """Save and return the appointment; the same booking sent again gives the first one.

    second: of a time that the clocks show twice, whether it is the second. Raises
    ValidationError, as TakenError with the next free times, and with the code "doubled" where
    second must be said.
    """
    agreed = _agreed(kind.site, local_date, local_time, second=second)
    span = diary.Span(agreed.at, agreed.at + timedelta(minutes=kind.minutes))
    _hold_still(clinician, room, client)
    first = _same_booking(client, kind, span)
    if first:
        return first
    refuse_dead(client)
    record_links.refuse_joined(client)
    appointment = Appointment(
        site=client.site,
        client=client,
        kind=kind,
        time_zone=client.site.time_zone,
        booked_by=by,
        booked_at=timezone.now(),
    )
    appointment.second_time = bool(second and agreed.doubled)
    _place(appointment, clinician, room, local_date, local_time, span, by)
    reassessments.attach(appointment)
    waiting_list.booked(appointment)
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
    second: bool | None = None,
    by: Staff,
) -> Appointment:
    """Save and return the appointment at its new time.

    seen: the sequence number that the person had before them. Raises ValidationError when it was
    changed since then or is no longer booked, and otherwise as `book` does.
    """
    agreed = _agreed(appointment.kind.site, local_date, local_time, second=second)
    span = diary.Span(agreed.at, agreed.at + timedelta(minutes=appointment.kind.minutes))
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
    moved.second_time = bool(second and agreed.doubled)
    _place(moved, clinician, room, local_date, local_time, span, by)
    _record(TrailAction.MOVE, moved, by)
    return moved


def is_doubled(appointment: Appointment) -> bool:
    """Whether the clocks show its time twice that day; it then stands for the first."""
    zone = ZoneInfo(appointment.time_zone)
    return diary.moment(appointment.local_date, appointment.local_time, zone).doubled


def _agreed(site: Site, day: date, at: time, *, second: bool | None) -> diary.Moment:
    """The instant of an agreed local time; raises ValidationError for one that is not one."""
    try:
        found = diary.moment(day, at, ZoneInfo(site.time_zone), second=bool(second))
    except diary.MissingTimeError as missing:
        raise ValidationError({"local_time": str(missing)}) from missing
    if found.doubled and second is None:
        raise ValidationError(
            {
                "second": ValidationError(
                    f"The clocks show {at:%H:%M} twice on {diary.in_words(day)}. "
                    "Choose the first or the second.",
                    code="doubled",
                )
            }
        )
    return found


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
    by: Staff,
) -> None:
    """Put the appointment at a time and save it; raises ValidationError."""
    appointment.clinician, appointment.room = clinician, room
    appointment.local_date, appointment.local_time = local_date, local_time
    appointment.starts_at, appointment.ends_at = span.starts_at, span.ends_at
    appointment.clear_at = span.ends_at + timedelta(minutes=appointment.kind.clear_minutes)
    appointment.changed_at = timezone.now()
    _refuse_misfits(appointment)
    _refuse_closed(appointment, span)
    _refuse_taken(appointment)
    _refuse_kept(appointment, by)
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
    plan = plan_of(appointment.site, day, day, [appointment.clinician])
    hours = plan.hours_on(appointment.clinician, day)
    if not diary.within_hours(span, day, hours, zone):
        listed = hours_words(hours) if hours else "not at all"
        raise ValidationError(
            {
                "local_time": f"{appointment.clinician} can be booked on "
                f"{day:%A} {diary.in_words(day)}: {listed}. {appointment.kind} takes "
                f"{appointment.kind.minutes} minutes."
            }
        )


def _refuse_taken(appointment: Appointment) -> None:
    overlapping = (
        Appointment.objects.standing()
        .filter(starts_at__lt=appointment.clear_at, clear_at__gt=appointment.starts_at)
        .exclude(pk=appointment.pk)
    )
    own = {"starts_at__lt": appointment.ends_at, "ends_at__gt": appointment.starts_at}
    if overlapping.filter(client__in=person(appointment.client_id), **own).exists():
        raise ValidationError(f"{appointment.client} has another appointment at that time.")
    if overlapping.filter(clinician=appointment.clinician).exists():
        raise refusal_of(appointment, str(appointment.clinician))
    if overlapping.filter(room=appointment.room).exists():
        raise refusal_of(appointment, str(appointment.room))


def _refuse_kept(appointment: Appointment, by: Staff) -> None:
    """A time that a colleague keeps for a caller is not booked away; one's own is let go."""
    kept = KeptTime.objects.filter(
        starts_at__lt=appointment.clear_at, clear_at__gt=appointment.starts_at
    )
    others = kept.at(timezone.now()).exclude(kept_by=by).select_related("kept_by")
    for it in others:
        if it.clinician_id == appointment.clinician_id or it.room_id == appointment.room_id:
            until = timezone.localtime(it.kept_until, ZoneInfo(appointment.time_zone))
            raise ValidationError(
                f"{it.kept_by} keeps this time for a caller until {until:%H:%M}. "
                "Ask, wait, or choose another time."
            )
    KeptTime.objects.filter(client=appointment.client, kept_by=by).delete()


def refusal_of(appointment: Appointment, what: str) -> TakenError:
    """The refusal of a taken time, with the next free ones of the same clinician."""
    wish = Wish(
        kind=appointment.kind,
        first_day=appointment.local_date,
        clinician=appointment.clinician,
        client=appointment.client,
        after=appointment.starts_at,
        apart_from=appointment if appointment.pk else None,
    )
    return TakenError(what, next_free(wish))


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
    """Save it as cancelled now, with the reason, for good; its reassessment is open again."""
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
    if state == AppointmentState.ARRIVED:
        found.arrived_at = found.changed_at
    elif state == AppointmentState.BOOKED:
        found.arrived_at = None
    cancelled = state == AppointmentState.CANCELLED
    found.sequence += cancelled
    found.cancelled_at = found.changed_at if cancelled else None
    found.full_clean()
    found.save(
        update_fields=[
            "state", "reason", "changed_at", "sequence", "arrived_at", "cancelled_at",
        ]
    )  # fmt: skip
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
