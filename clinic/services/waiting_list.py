"""The waiting list, and times kept for a caller."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from clinic.domain.diary import Hours
from clinic.domain.vocabulary import TrailAction, WaitingState
from clinic.models import (
    Appointment,
    AppointmentKind,
    Client,
    KeptTime,
    Room,
    Staff,
    WaitingEntry,
)
from clinic.models.limits import as_kept, of_my_clients
from clinic.models.record_links import person
from clinic.services import record_links, trail
from clinic.services.living import refuse_dead

KEPT_MINUTES = 5  # rule of this clinic: as long as a caller needs to find their diary


# The waiting list


@transaction.atomic
def wait(
    *,
    client: Client,
    kind: AppointmentKind,
    by: Staff,
    clinician: Staff | None = None,
    earliest: date | None = None,
    latest: date | None = None,
    weekdays: Sequence[int] = (),
    hours: Hours | None = None,
) -> WaitingEntry:
    """Save and return the entry; one that stands for the same kind takes the new wishes.

    weekdays: 0 is Monday, none for any; hours: that the start lies in. Raises ValidationError.
    """
    Client.objects.select_for_update(no_key=True, of=("self",)).get(pk=client.pk)
    refuse_dead(client)
    standing = WaitingEntry.objects.waiting().filter(client=client, kind=kind).first()
    record_links.refuse_joined(client)
    entry = standing or WaitingEntry(
        site=client.site, client=client, kind=kind, since=timezone.now(), asked_by=by
    )
    entry.clinician, entry.earliest, entry.latest = clinician, earliest, latest
    entry.weekdays = "".join(str(day) for day in sorted(set(weekdays)))
    entry.opens, entry.closes = (hours.opens, hours.closes) if hours else (None, None)
    entry.full_clean()
    entry.save()
    action = TrailAction.CHANGE if standing else TrailAction.CREATE
    trail.record(action, by=by, row=entry, client=client, kind_code=kind.code)
    return entry


@transaction.atomic
def stop_waiting(*, entry: WaitingEntry, by: Staff) -> WaitingEntry:
    """Save that the client waits no longer; sent again it changes nothing."""
    found = (
        WaitingEntry.objects.select_for_update(of=("self",))
        .select_related("client")
        .get(pk=entry.pk)
    )
    if found.state == WaitingState.WAITING:
        found.state = WaitingState.ENDED
        found.save(update_fields=["state"])
        trail.record(TrailAction.CHANGE, by=by, row=found, client=found.client, state=found.state)
    return found


def booked(appointment: Appointment) -> None:
    """Within the booking: who has a time of the kind waits no longer for it."""
    WaitingEntry.objects.waiting().filter(
        client__in=person(appointment.client_id), kind=appointment.kind_id
    ).update(state=WaitingState.BOOKED)


def wanted_by(appointment: Appointment, staff: Staff) -> list[WaitingEntry]:
    """Who waits for a time like that of a freed appointment, the longest waiting first.

    staff: who asks, and is told of the clients whose records they may open.
    """
    day, at = appointment.local_date, appointment.local_time
    if appointment.starts_at <= timezone.now():
        return []
    minutes = (appointment.ends_at - appointment.starts_at) // timedelta(minutes=1)
    rows = (
        WaitingEntry.objects.waiting()
        .filter(site=appointment.site_id, kind__minutes__lte=minutes)
        .filter(Q(clinician=None) | Q(clinician=appointment.clinician_id))
        .filter(Q(earliest=None) | Q(earliest__lte=day), Q(latest=None) | Q(latest__gte=day))
        .filter(Q(weekdays="") | Q(weekdays__contains=str(day.weekday())))
        .filter(Q(opens=None) | Q(opens__lte=at, closes__gte=at))
        .exclude(client=appointment.client_id)
    )
    if not appointment.room.has_treadmill:
        rows = rows.filter(kind__needs_treadmill=False)
    return as_kept(of_my_clients(rows.for_listing(), staff))


# Times kept for a caller


@transaction.atomic
def keep_time(
    *,
    client: Client,
    kind: AppointmentKind,
    clinician: Staff,
    room: Room,
    starts_at: datetime,
    by: Staff,
) -> KeptTime:
    """Save and return a time that nobody else is offered for five minutes.

    A time that the same person kept for the same client before is let go. Raises ValidationError
    where the time is taken or kept.
    """
    refuse_dead(client)
    now = timezone.now()
    clear_at = starts_at + timedelta(minutes=kind.minutes + kind.clear_minutes)
    for row in (clinician, room):
        manager = type(row)._default_manager
        manager.select_for_update(no_key=True, of=("self",)).filter(pk=row.pk).first()
    within = Q(starts_at__lt=clear_at, clear_at__gt=starts_at) & (
        Q(clinician=clinician) | Q(room=room)
    )
    KeptTime.objects.filter(kept_until__lte=now).delete()
    if Appointment.objects.standing().filter(within).exists():
        raise ValidationError("This time was booked meanwhile. Choose another one.")
    if KeptTime.objects.filter(within).exclude(kept_by=by).exists():
        raise ValidationError("A colleague keeps this time for a caller. Choose another one.")
    KeptTime.objects.filter(client=client, kept_by=by).delete()
    kept = KeptTime(
        site=client.site,
        client=client,
        kind=kind,
        clinician=clinician,
        room=room,
        starts_at=starts_at,
        clear_at=clear_at,
        kept_by=by,
        kept_until=now + timedelta(minutes=KEPT_MINUTES),
    )
    kept.full_clean()
    kept.save()
    return kept


@transaction.atomic
def let_go(*, client: Client, by: Staff) -> None:
    """Let go what this person keeps for a client."""
    KeptTime.objects.filter(client=client, kept_by=by).delete()


def kept_for(client: Client, by: Staff) -> KeptTime | None:
    """The time that this person keeps for a client, while it stands."""
    return (
        KeptTime.objects.at(timezone.now())
        .filter(client=client, kept_by=by)
        .select_related("clinician", "room", "kind", "site")
        .first()
    )
