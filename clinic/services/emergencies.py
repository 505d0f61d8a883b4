"""A record opened in an emergency: for some hours, with a reason, told to those who answer for it.

Source of the need: 45 CFR 164.312(a)(2)(ii).
"""

from dataclasses import dataclass
from datetime import date, timedelta

from django.conf import settings
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from clinic.domain.people import normalised, without_names
from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, EmergencyOpening, RestrictionLine, Staff, record_links
from clinic.models.limits import CLOSED, check, open_to
from clinic.services import trail
from clinic.services.restrictions import standing_of

KIND = "emergency"
MARKED = "Somebody else has looked at this opening already: your words were not kept."


@transaction.atomic
def open_in_emergency(
    *,
    by: Staff,
    reason: str,
    number: str = "",
    family_name: str = "",
    birth_date: date | None = None,
) -> EmergencyOpening | None:
    """Open the one record that fits and is closed to this clinician; None where none does.

    number: of the record; else family name and date of birth, both exact. A record that is open
    to them anyway does not fit. Every try is a line in the trail.
    """
    if not by.is_clinician:
        raise PermissionDenied
    client = _closed_to(by, number, family_name, birth_date)
    if client is None:
        record_try(by=by, why="nothing fits")
        return None
    return _open(client, by, reason)


def _closed_to(by: Staff, number: str, family_name: str, birth_date: date | None) -> Client | None:
    """The only record that fits; two that fit are none, the number tells them apart."""
    number = number.strip()
    asked = Q(number__iexact=number) if number else Q(birth_date=birth_date)
    shut = Client.objects.filter(asked, destroyed_on__isnull=True).exclude(open_to(by))
    found = list(shut.select_related("site").order_by("pk"))
    if not number:
        typed = normalised(family_name)
        found = [one for one in found if normalised(one.family_name) == typed]
    return found[0] if len(found) == 1 else None


def _open(client: Client, by: Staff, reason: str) -> EmergencyOpening:
    now = timezone.now()
    owners = RestrictionLine.objects.standing().filter(
        is_owner=True, restriction__client__in=record_links.person(client.pk)
    )
    owner = owners.select_related("staff").order_by("since").first()
    made = EmergencyOpening(
        site_id=client.site_id,
        client=client,
        restriction=standing_of(client),
        staff=by,
        reason=reason.strip(),
        opened_at=now,
        ends_at=now + timedelta(hours=settings.EMERGENCY_HOURS),
        owner=owner.staff if owner else None,
    )
    check(made)
    made.save(force_insert=True)
    trail.record(
        TrailAction.EMERGENCY,
        by=by,
        row=made,
        client=client,
        until=made.ends_at.isoformat(timespec="minutes"),
    )
    return made


@transaction.atomic
def record_try(*, by: Staff, why: str) -> None:
    """Save that somebody tried and opened nothing; what was typed is not kept."""
    trail.record(TrailAction.REFUSE, by=by, kind=KIND, why=why)


@transaction.atomic
def end_opening(*, opening: EmergencyOpening, by: Staff) -> None:
    """End an opening that runs, from this moment; it ends by itself otherwise."""
    now = timezone.now()
    running = EmergencyOpening.objects.running(now).filter(pk=opening.pk)
    if running.update(closed_at=now):
        trail.record(
            TrailAction.CHANGE, by=by, row=opening, client=opening.client, fields=["closed_at"]
        )


# Those who answer for it


def to_mark(staff: Staff) -> QuerySet[EmergencyOpening]:
    """Openings that this person has to look at: the owner, and a manager of the site."""
    mine = Q(owner=staff, owner_seen_at__isnull=True)
    if staff.is_manager:
        here = staff.sites.values("pk")
        mine |= Q(site__in=here, manager_seen_at__isnull=True) & ~Q(staff=staff)
    return EmergencyOpening.objects.filter(mine)


def to_look_at(staff: Staff) -> QuerySet[EmergencyOpening]:
    """All openings that this person may look back at, the newest first."""
    mine = Q(owner=staff) | Q(staff=staff)
    if staff.is_manager or staff.is_auditor:
        mine |= Q(site__in=staff.sites.values("pk"))
    return EmergencyOpening.objects.filter(mine)


@transaction.atomic
def mark_seen(*, opening: EmergencyOpening, by: Staff, word: str) -> None:
    """Save what the owner or a manager says of an opening; raises ValidationError."""
    row = EmergencyOpening.objects.select_for_update(of=("self",)).get(pk=opening.pk)
    now, word, changed = timezone.now(), word.strip(), list[str]()
    if row.owner_id == by.pk and row.owner_seen_at is None:
        row.owner_seen_at, row.owner_word = now, word
        changed += ["owner_seen_at", "owner_word"]
    manages = by.is_manager and row.staff_id != by.pk
    if manages and row.manager_seen_at is None and by.sites.filter(pk=row.site_id).exists():
        row.manager_seen_at, row.manager_seen_by, row.manager_word = now, by, word
        changed += ["manager_seen_at", "manager_seen_by", "manager_word"]
    if not changed:
        raise ValidationError(MARKED)
    check(row)
    row.save(update_fields=changed)
    trail.record(TrailAction.CHANGE, by=by, row=row, client=row.client, fields=changed)


@dataclass(frozen=True)
class Told:
    """An opening as one person may read it: without the client where the record is not theirs."""

    row: EmergencyOpening
    client: Client
    reason: str
    owner_word: str
    manager_word: str
    runs: bool


def told(rows: QuerySet[EmergencyOpening], staff: Staff) -> list[Told]:
    """The openings in words: one query for all that they show."""
    people = "client", "site", "staff", "owner", "manager_seen_by"
    shown = rows.select_related(*people).annotate(is_open=open_to(staff, "client__"))
    return [_told(row) for row in shown]


def told_to_mark(staff: Staff) -> list[Told]:
    """Openings that this person has not looked at yet, in words."""
    return told(to_mark(staff), staff)


def _told(row: EmergencyOpening) -> Told:
    client = row.client
    may_know: bool = row.is_open  # type: ignore[attr-defined]
    names = [] if may_know else [client.given_names, client.family_name, client.preferred_name]
    return Told(
        row,
        client if may_know else Client(family_name=CLOSED),
        without_names(row.reason, names),
        without_names(row.owner_word, names),
        without_names(row.manager_word, names),
        row.closed_at is None and row.ends_at > timezone.now(),
    )
