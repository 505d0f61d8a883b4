"""Registering clients and those around them; every act leaves its line in the trail."""

from datetime import date, datetime
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.db.models import F, OuterRef, Prefetch, Q, Subquery
from django.utils import timezone

from clinic.domain.consents import refused_giver
from clinic.domain.people import (
    SHORTEST_TELEPHONE,
    Sought,
    digits,
    same_telephone,
    search_text,
    similar,
)
from clinic.domain.vocabulary import ConsentFooting, ConsentPurpose, TrailAction
from clinic.models import (
    Alert,
    Appointment,
    Client,
    Consent,
    Reassessment,
    RecordLink,
    Site,
    Staff,
)
from clinic.models.limits import CLOSED, closed, open_to
from clinic.models.record_links import person
from clinic.services import consents, deaths, record_links, trail
from clinic.services.reassessments import today_at


class StaleError(Exception):
    """Somebody else saved the row after it was read; nothing was written."""


def clients_found(*, sought: Sought, staff: Staff, now: datetime) -> models.QuerySet[Client]:
    """Clients of this person's sites that fit, each with next appointment and due date."""
    appointments = (
        Appointment.objects.standing()
        .filter(client=OuterRef("pk"), starts_at__gte=now)
        .order_by("starts_at")
    )
    due = Reassessment.objects.waiting().filter(client=OuterRef("pk"))
    elsewhere = (
        Appointment.objects.standing()
        .filter(
            client__links_as_joined__kept=OuterRef("pk"),
            client__links_as_joined__parted_at__isnull=True,
            starts_at__gte=now,
        )
        .order_by("starts_at")
    )
    mine = Client.objects.for_staff(staff)
    found = Client.objects.order_by().matching(sought.plain)
    if sought.born:
        found = found.matching("", sought.born)
    links = RecordLink.objects.open().order_by()
    # a joined record is found by its own name and number, and shown as the kept one
    kept = links.filter(joined__in=found.values("pk")).values("kept")
    found = mine.filter(Q(pk__in=found.values("pk")) | Q(pk__in=kept))
    found = found.exclude(pk__in=links.values("joined"))
    joined = Prefetch("links_as_kept", links.select_related("joined"), to_attr="joined_links")
    return (
        found.for_listing()
        .prefetch_related(joined)
        .annotate(
            joined_date=Subquery(elsewhere.values("local_date")[:1]),
            joined_time=Subquery(elsewhere.values("local_time")[:1]),
            next_date=Subquery(appointments.values("local_date")[:1]),
            next_time=Subquery(appointments.values("local_time")[:1]),
            due_on=Subquery(due.values("due_on")[:1]),
        )
    )


def record_search(*, by: Staff, hits: int) -> None:
    """A line for a search: how many were found, never the words."""
    trail.record(TrailAction.SEARCH, by=by, kind="client", hits=hits)


def possible_doubles(
    *,
    staff: Staff,
    family_name: str,
    birth_date: date,
    telephone: str,
    apart_from: Client | None = None,
) -> list[Client]:
    """Clients born that day with a similar family name, or with the same telephone.

    A record of the person's sites that is closed to them is a stand-in without name or number.
    """
    near = Q(birth_date=birth_date)
    if len(digits(telephone)) >= SHORTEST_TELEPHONE:
        near |= Q(search_text__contains=digits(telephone)[-SHORTEST_TELEPHONE:])
    here = Client.objects.filter(near, open_to(staff) | closed(staff))
    found = here.annotate(is_open=open_to(staff)).for_listing()
    if apart_from:
        found = found.exclude(pk__in=person(apart_from.pk))
    return [
        other if other.is_open else Client(family_name=CLOSED)
        for other in found
        if (other.birth_date == birth_date and similar(other.family_name, family_name))
        or same_telephone(other.telephone, telephone)
    ]


def _next_number(site: Site) -> str:
    """A record number that nobody has had; the UPDATE locks the site's row until the commit."""
    while True:
        Site.objects.filter(pk=site.pk).update(clients_numbered=F("clients_numbered") + 1)
        counted = Site.objects.values_list("clients_numbered", flat=True).get(pk=site.pk)
        number = f"{site.code}{counted:05d}"
        # numbers brought along from an older record may lie ahead of the count
        if not Client.objects.filter(site=site, number=number).exists():
            return number


def searched_by(client: Client) -> str:
    """What a search for this client looks through."""
    return search_text(
        [client.given_names, client.family_name, client.preferred_name],
        client.number,
        client.telephone,
    )


def _check_client(client: Client) -> None:
    client.search_text = searched_by(client)
    if not client.family_name:
        raise ValidationError({"family_name": "A person with one name has it here."})
    if client.doctor and client.doctor.site_id != client.site_id:
        raise ValidationError({"doctor": "Choose a doctor from the list of this site."})
    # a person with one name has no given name
    client.full_clean(exclude=[] if client.given_names else ["given_names"])


@transaction.atomic
def register_client(*, by: Staff, **fields: Any) -> Client:
    """Save and return a new client of the person's home site; raises ValidationError."""
    if by.home_site is None:
        raise ValidationError("Your account has no site: ask the clinic manager.")
    client = Client(site=by.home_site, registered_on=timezone.localdate(), **fields)
    client.number = _next_number(by.home_site)
    _check_client(client)
    client.save()
    trail.record(TrailAction.CREATE, by=by, row=client, client=client)
    return client


@transaction.atomic
def change_client(*, client: Client, seen: int, by: Staff, **fields: Any) -> Client:
    """Save the given fields and return the row.

    Raises ValidationError, and StaleError when the row is newer than `seen`.
    """
    stored = Client.objects.for_record().get(pk=client.pk)
    changed = trail.changes(stored, fields)
    kept = record_links.kept_of(stored) if "died_on" in changed else None
    if kept:
        said = f"This record is joined to {kept.number}: write the day of death there."
        raise ValidationError({"died_on": said})
    for name, value in fields.items():
        setattr(stored, name, value)
    _check_client(stored)
    if stored.died_on and stored.died_on > today_at(stored.site):
        raise ValidationError({"died_on": "This day lies in the future."})
    save_as_seen(stored, seen, [*changed, "search_text"])
    trail.record(TrailAction.CHANGE, by=by, row=stored, client=stored, fields=changed)
    if "died_on" in changed and stored.died_on:
        deaths.end_what_is_open(client=stored, by=by)
    return stored


def save_as_seen(row: Any, seen: int, fields: list[str]) -> None:
    """Write the fields of a row that still has the version that was seen; else StaleError."""
    values = {name: getattr(row, name) for name in fields}
    same = type(row).objects.filter(pk=row.pk, version=seen)
    if not same.update(version=seen + 1, **values):
        raise StaleError
    row.version = seen + 1


def _not_later_than_today(field: str, day: date) -> None:
    if day > timezone.localdate():
        raise ValidationError({field: "This day lies in the future."})


@transaction.atomic
def answer_consent(
    *,
    client: Client,
    purpose: ConsentPurpose,
    by: Staff,
    given_on: date,
    read: int | None = None,
    **fields: Any,
) -> Consent:
    """Save and return one answer with the text that was read out.

    read: the version that the page showed, the newest unless given. Raises ValidationError, also
    while another answer stands, for a giver who cannot give it, and for a text that has changed.
    """
    record_links.refuse_joined(client)
    asked = consents.text_of(ConsentPurpose(purpose))
    if read not in (None, asked.version):
        raise ValidationError("The text has changed: read out the new one, then keep the answer.")
    consent = Consent(
        site_id=client.site_id,
        client=client,
        purpose=purpose,
        taken_by=by,
        given_on=given_on,
        text_version=str(asked.version),
        text=asked.text,
        **fields,
    )
    consent.given_by = consent.given_by.strip()
    _not_later_than_today("given_on", given_on)
    if given_on < client.birth_date:
        raise ValidationError({"given_on": "This day lies before the client's birth."})
    consent.full_clean(validate_constraints=False)
    refused = refused_giver(
        age=client.age_on(given_on),
        country=settings.COUNTRY,
        given=consent.given,
        footing=ConsentFooting(consent.given_as),
        name=consent.given_by,
    )
    if refused:
        raise ValidationError(dict([refused]))
    consent.validate_constraints()
    try:
        with transaction.atomic():
            consent.save()
    except IntegrityError as clash:  # two people answered in the same moment
        raise ValidationError("Somebody has just answered this purpose: see the list.") from clash
    trail.record(
        TrailAction.CONSENT,
        by=by,
        row=consent,
        client=client,
        purpose=str(purpose),
        given=consent.given,
        text=consent.text_version,
        given_as=consent.given_as,
    )
    return consent


@transaction.atomic
def withdraw_consent(*, consent: Consent, by: Staff, on: date) -> None:
    """Date the end of an answer, which stays in the record; raises ValidationError."""
    _not_later_than_today("on", on)
    if on < consent.given_on:
        raise ValidationError({"on": "The withdrawal lies before the answer."})
    standing = Consent.objects.filter(pk=consent.pk, withdrawn_on__isnull=True)
    if not standing.update(withdrawn_on=on, withdrawn_with=by):
        raise ValidationError("This answer was withdrawn already.")
    trail.record(
        TrailAction.CONSENT,
        by=by,
        row=consent,
        client=consent.client,
        purpose=consent.purpose,
        withdrawn=on.isoformat(),
    )


@transaction.atomic
def add_alert(*, client: Client, by: Staff, since: date, **fields: Any) -> Alert:
    """Save and return an alert that everybody sees; raises ValidationError."""
    _not_later_than_today("since", since)
    alert = Alert(site_id=client.site_id, client=client, since=since, **fields)
    alert.full_clean()
    alert.save()
    trail.record(TrailAction.CREATE, by=by, row=alert, client=client, kind_of_alert=alert.kind)
    return alert


@transaction.atomic
def end_alert(*, alert: Alert, by: Staff, on: date) -> None:
    """Date the end of an alert; raises ValidationError."""
    _not_later_than_today("on", on)
    if on < alert.since:
        raise ValidationError({"on": "The alert ends before it starts."})
    if not Alert.objects.filter(pk=alert.pk, ended_on__isnull=True).update(ended_on=on):
        raise ValidationError("This alert has ended already.")
    trail.record(TrailAction.CHANGE, by=by, row=alert, client=alert.client, fields=["ended_on"])
