"""The client's next look: opened by a programme, booked, done, declined or lost."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Case, Q, When
from django.utils import timezone

from clinic.domain.vocabulary import ReassessmentState, TrailAction
from clinic.models import Appointment, Client, Reassessment, Site, Staff
from clinic.models.diary import ReassessmentQuerySet
from clinic.models.record_links import person
from clinic.services import record_links, trail
from clinic.services.living import refuse_dead

KIND = "reassessment"  # code of the kind of appointment that answers a reassessment
AHEAD = timedelta(days=14)  # rule of this clinic: what falls due is told two weeks before
UNFINISHED = [ReassessmentState.OPEN, ReassessmentState.BOOKED]


def today_at(site: Site, now: datetime | None = None) -> date:
    """The local day of a site."""
    return (now or timezone.now()).astimezone(ZoneInfo(site.time_zone)).date()


def standing(client: Client) -> ReassessmentQuerySet:
    """What is not finished of the person, that of this record before those of joined ones."""
    own_first = Case(When(client=client, then=0), default=1)
    rows = Reassessment.objects.filter(client__in=person(client.pk), state__in=UNFINISHED)
    return rows.order_by(own_first, "pk")


@transaction.atomic
def open_reassessment(
    *, client: Client, clinician: Staff, due_on: date, by: Staff
) -> Reassessment:
    """Save and return the client's one unfinished reassessment; raises ValidationError.

    An open one, or one booked for a later day, takes the new day; one booked for today or before
    is what the client came for: it is done, and a new one is opened.
    """
    # what is due is due in the record that takes new entries
    client = record_links.where_new_goes(client)
    Client.objects.select_for_update(no_key=True, of=("self",)).get(pk=client.pk)
    refuse_dead(client)
    today = today_at(client.site)
    held = standing(client).select_related("appointment").first()
    if held and held.appointment and held.appointment.local_date <= today:
        _become(held, ReassessmentState.DONE)
        held = None
    found = held or Reassessment(site=client.site, client=client)
    found.clinician, found.due_on, found.opened_on = clinician, due_on, today
    found.full_clean()
    found.save()
    action = TrailAction.CHANGE if held else TrailAction.CREATE
    trail.record(action, by=by, row=found, client=client, due_on=due_on.isoformat())
    return found


@transaction.atomic
def close_reassessment(
    *, reassessment: Reassessment, state: ReassessmentState, reason: str, by: Staff
) -> Reassessment:
    """Save an open reassessment as declined or lost, with the reason; raises ValidationError."""
    if state not in {ReassessmentState.DECLINED, ReassessmentState.LOST}:
        raise ValueError(f"a reassessment is closed as declined or lost, not {state}")
    found = (
        Reassessment.objects.select_for_update(of=("self",))
        .select_related("client__site")
        .get(pk=reassessment.pk)
    )
    if found.state == state:
        return found
    if found.state != ReassessmentState.OPEN:
        raise ValidationError(f"This reassessment is {found.get_state_display()} by now.")
    if not reason.strip():
        raise ValidationError({"reason": "Say why."})
    found.state, found.reason = state, reason.strip()
    found.full_clean()
    found.save(update_fields=["state", "reason"])
    trail.record(TrailAction.CHANGE, by=by, row=found, client=found.client, state=state)
    return found


@transaction.atomic
def reopen_reassessment(*, reassessment: Reassessment, by: Staff) -> Reassessment:
    """Save a declined or lost one as open again; raises ValidationError if another is open."""
    found = (
        Reassessment.objects.select_for_update(of=("self",))
        .select_related("client__site")
        .get(pk=reassessment.pk)
    )
    if found.state == ReassessmentState.OPEN:
        return found
    if found.state not in {ReassessmentState.DECLINED, ReassessmentState.LOST}:
        raise ValidationError(f"This reassessment is {found.get_state_display()} by now.")
    refuse_dead(found.client)
    if standing(found.client).exists():  # also in a record that is joined with this one
        raise ValidationError("This client has a reassessment open already.")
    found.state, found.reason = ReassessmentState.OPEN, ""
    found.full_clean()
    found.save(update_fields=["state", "reason"])
    trail.record(TrailAction.CHANGE, by=by, row=found, client=found.client, state=found.state)
    return found


# What the diary does to the reassessment behind an appointment, within its own transaction


def attach(appointment: Appointment) -> None:
    """The client's open reassessment is booked with this appointment, if it is of that kind."""
    if appointment.kind.code == KIND:
        Reassessment.objects.waiting().filter(client=appointment.client_id).update(
            state=ReassessmentState.BOOKED, appointment=appointment
        )


def release(appointment: Appointment) -> None:
    """What was booked with this appointment is open again."""
    Reassessment.objects.filter(appointment=appointment, state=ReassessmentState.BOOKED).update(
        state=ReassessmentState.OPEN, appointment=None
    )


def finish(appointment: Appointment) -> None:
    """The client was seen: what was booked with this appointment is done."""
    Reassessment.objects.filter(appointment=appointment, state=ReassessmentState.BOOKED).update(
        state=ReassessmentState.DONE
    )


def looked_again(client: Client) -> None:
    """The client was looked at again: what was due is done, also before its day.

    What is booked for a later day stays booked.
    """
    today = today_at(client.site)
    Reassessment.objects.filter(
        Q(state=ReassessmentState.OPEN)
        | Q(state=ReassessmentState.BOOKED, appointment__local_date__lte=today),
        client__in=person(client.pk),
    ).update(state=ReassessmentState.DONE)


def take_back(appointment: Appointment) -> None:
    """The client was not seen after all; a reassessment opened since then stays the one."""
    unfinished = Reassessment.objects.filter(
        client__in=person(appointment.client_id), state__in=UNFINISHED
    ).exists()
    if not unfinished:
        Reassessment.objects.filter(appointment=appointment, state=ReassessmentState.DONE).update(
            state=ReassessmentState.BOOKED
        )


def _become(reassessment: Reassessment, state: ReassessmentState) -> None:
    reassessment.state = state
    reassessment.save(update_fields=["state"])
