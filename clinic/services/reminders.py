"""Reminding clients that a visit is due, in the way they chose and agreed to."""

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from smtplib import SMTPException

from django.core.exceptions import ValidationError
from django.core.mail import EmailMessage
from django.db import transaction
from django.utils import timezone

from clinic.calendar_files import appointment_file
from clinic.domain.diary import in_words
from clinic.domain.vocabulary import (
    AppointmentState,
    Channel,
    ConsentPurpose,
    ReassessmentState,
    ReminderOutcome,
    TrailAction,
)
from clinic.models import (
    Appointment,
    CalendarFeed,
    Client,
    Consent,
    Reassessment,
    Reminder,
    Site,
    Staff,
)
from clinic.services import consents, record_links, trail
from clinic.services.living import refuse_dead

FEED_BYTES = 32
NO_CONSENT = "The client has not agreed to appointments by e-mail: ask, and keep the answer."


@dataclass(frozen=True)
class Way:
    """How a client is reminded, and why not as they prefer."""

    channel: Channel | None
    why: str = ""


def way_to(client: Client, *, agreed: bool) -> Way:
    """The preferred channel where it can be used, otherwise letter, then telephone.

    agreed: to appointments by e-mail. Rule of this clinic.
    """
    preferred = Channel(client.preferred_channel)
    possible = {
        Channel.EMAIL: bool(client.email) and agreed,
        Channel.LETTER: bool(client.address.strip()),
        Channel.TELEPHONE: bool(client.telephone),
    }
    if possible[preferred]:
        return Way(preferred)
    why = {
        Channel.EMAIL: "has not agreed to e-mail" if client.email else "no e-mail address",
        Channel.LETTER: "no address",
        Channel.TELEPHONE: "no telephone",
    }[preferred]
    others = (Channel.LETTER, Channel.TELEPHONE)
    return Way(next((it for it in others if possible[it]), None), why)


def agreed_to_email(clients: Iterable[int]) -> set[int]:
    """Keys of those clients who have agreed to appointments by e-mail, in one query."""
    return set(
        Consent.objects.filter(
            client__in=list(clients),
            purpose=ConsentPurpose.REMINDING,
            given=True,
            withdrawn_on__isnull=True,
        ).values_list("client", flat=True)
    )


def agrees_to_email(client: Client) -> bool:
    """Whether the person agrees to appointments by e-mail, by what stands in all their records."""
    answer = consents.standing(client, ConsentPurpose.REMINDING)
    return answer is not None and answer.given


@transaction.atomic
def remind(
    *, reassessment: Reassessment, channel: Channel, outcome: ReminderOutcome, by: Staff
) -> Reminder:
    """Save that the client was reminded; an e-mail is sent with it. Raises ValidationError."""
    found = (
        Reassessment.objects.select_for_update(of=("self",))
        .select_related("client__site")
        .get(pk=reassessment.pk)
    )
    if found.state != ReassessmentState.OPEN:
        raise ValidationError(f"This reassessment is {found.get_state_display()} by now.")
    refuse_dead(found.client)
    reminder = Reminder(
        site=found.site,
        client=found.client,
        reassessment=found,
        channel=channel,
        outcome=outcome,
        made_at=timezone.now(),
        made_by=by,
    )
    reminder.full_clean()
    reminder.save()
    trail.record(
        TrailAction.SEND,
        by=by,
        row=reminder,
        client=found.client,
        channel=channel.value,
        outcome=outcome.value,
    )
    if channel is Channel.EMAIL:
        # names and addresses are kept up in the record that takes new entries
        client = record_links.where_new_goes(found.client)
        _refuse_unasked(client)
        site = client.site
        _post(_message(client, f"Your next visit to {site.clinic_name}", _time(site)))
    return reminder


@transaction.atomic
def send_appointment(*, appointment: Appointment, by: Staff) -> None:
    """Send the calendar file of a booked or cancelled appointment; raises ValidationError."""
    found = (
        Appointment.objects.select_for_update(of=("self",))
        .select_related("client__site", "site", "room")
        .get(pk=appointment.pk)
    )
    if found.state not in {AppointmentState.BOOKED, AppointmentState.CANCELLED}:
        raise ValidationError(f"This appointment is {found.get_state_display()} by now.")
    refuse_dead(found.client)
    client = record_links.where_new_goes(found.client)
    _refuse_unasked(client)
    trail.record(
        TrailAction.SEND,
        by=by,
        row=found,
        client=found.client,
        channel=Channel.EMAIL.value,
        sequence=found.sequence,
    )
    found.client = client  # only for the file: the row is not saved
    content, method = appointment_file(found)
    message = _message(client, f"Your visit to {found.site.clinic_name}", _when(found))
    message.attach("appointment.ics", content, f"text/calendar; method={method}")
    _post(message)


def _refuse_unasked(client: Client) -> None:
    if not client.email:
        raise ValidationError("The record holds no e-mail address.")
    if not agrees_to_email(client):
        raise ValidationError(NO_CONSENT)


def _message(client: Client, subject: str, text: str) -> EmailMessage:
    site = client.site
    body = f"Dear {client.called},\n\n{text}\n\n{site.clinic_name}\n{site.telephone}\n"
    return EmailMessage(subject, body, site.email or None, [client.email])


def _time(site: Site) -> str:
    return (
        "It is time to arrange your next visit to us. Please ring "
        f"{site.telephone}, and we will find a time that suits you."
    )


def _when(appointment: Appointment) -> str:
    day = f"{appointment.local_date:%A} {in_words(appointment.local_date)}"
    when = f"{day} at {appointment.local_time:%H:%M}"
    if appointment.state == AppointmentState.CANCELLED:
        return f"Your visit on {when} is cancelled. Please ring us for another time."
    return (
        f"We expect you on {when}. The attached file puts the visit into your calendar.\n"
        "If you cannot come, please ring us as early as you can."
    )


def _post(message: EmailMessage) -> None:
    try:
        message.send()
    except (OSError, SMTPException) as failure:
        raise ValidationError(
            "The e-mail could not be sent just now. Try again later, or ring the client."
        ) from failure


# A clinician's calendar address


@transaction.atomic
def make_feed(*, staff: Staff) -> str:
    """Save a new address and return its secret part, shown this once; the old one ends."""
    Staff.objects.select_for_update(no_key=True, of=("self",)).get(pk=staff.pk)
    end_feed(staff=staff)
    secret = secrets.token_urlsafe(FEED_BYTES)
    feed = CalendarFeed(staff=staff, secret_sha256=hash_of(secret), made_at=timezone.now())
    feed.full_clean()
    feed.save()
    trail.record(TrailAction.CREATE, by=staff, row=feed)
    return secret


@transaction.atomic
def end_feed(*, staff: Staff) -> None:
    """The address leads nowhere from now on."""
    for feed in CalendarFeed.objects.filter(staff=staff, revoked_at__isnull=True):
        feed.revoked_at = timezone.now()
        feed.save(update_fields=["revoked_at"])
        trail.record(TrailAction.CHANGE, by=staff, row=feed, state="revoked")


def feed_of(secret: str) -> CalendarFeed | None:
    """The feed under an address, if it stands and its clinician still works here."""
    return (
        CalendarFeed.objects.filter(
            secret_sha256=hash_of(secret), revoked_at__isnull=True, staff__is_active=True
        )
        .select_related("staff")
        .first()
    )


def hash_of(secret: str) -> str:
    """What is kept of a secret of 256 random bits: no salt is needed."""
    return hashlib.sha256(secret.encode()).hexdigest()
