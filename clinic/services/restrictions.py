"""Restricted records: who may open one, named anew each time, so that history stays whole."""

from collections.abc import Collection, Iterable
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet
from django.utils import timezone

from clinic.domain.vocabulary import AppointmentState, Role, TrailAction
from clinic.models import (
    Appointment,
    Client,
    Restriction,
    RestrictionLine,
    Site,
    Staff,
    Team,
    record_links,
)
from clinic.models.limits import check, open_to
from clinic.services import trail
from clinic.services.free_times import clinicians_of

CHANGED = "Somebody else changed who may open this record. Look at the list again, then save."
ENDED = "This restriction has ended already."
# a person or a team that is named, and whether they are the owner
Named = tuple[str, int, bool]


def people_of(site: Site) -> QuerySet[Staff]:
    """Who can be named: people with an open account at the site."""
    return Staff.objects.filter(sites=site, is_active=True).order_by("last_name", "first_name")


def booked_with(client: Client) -> QuerySet[Staff]:
    """Clinicians with whom the client is booked ahead: whoever is not named loses the record."""
    ahead = Appointment.objects.filter(
        client__in=record_links.person(client.pk),
        state=AppointmentState.BOOKED.value,
        starts_at__gte=timezone.now(),
    )
    return Staff.objects.filter(pk__in=ahead.values("clinician"))


def teams_of(site: Site) -> QuerySet[Team]:
    return Team.objects.filter(site=site, closed_at__isnull=True)


def standing_of(client: Client) -> Restriction | None:
    """The restriction of a record that stands now."""
    return Restriction.objects.standing().filter(client=client).first()


def owner_of(restriction: Restriction) -> RestrictionLine | None:
    """The standing line of the owner."""
    owners = restriction.lines.standing().filter(is_owner=True)
    found: RestrictionLine | None = owners.select_related("staff").first()
    return found


def may_restrict(staff: Staff, client: Client) -> bool:
    """Whether somebody may set a restriction where none stands: not by an emergency opening.

    Records of one person are closed together: whoever is named in none of theirs has no say.
    """
    here = staff.sites.filter(pk=client.site_id).exists()
    named = RestrictionLine.objects.standing().naming(staff).values("restriction")
    shut = Restriction.objects.standing().filter(client__in=record_links.person(client.pk))
    closed = shut.exclude(pk__in=named).exists()
    return here and not closed and (staff.is_clinician or staff.is_manager)


def may_change(staff: Staff, restriction: Restriction) -> bool:
    """The owner, and a manager who is named; an emergency opening alone gives no such right."""
    lines = RestrictionLine.objects.standing().of(restriction)
    if staff.is_manager:
        return lines.naming(staff).exists()
    return lines.filter(is_owner=True, staff=staff).exists()


def names(staff: Staff, named: Collection[Staff], teams: Collection[Team]) -> bool:
    """Whether somebody is among these people or in one of these teams."""
    memberships = staff.team_memberships.filter(until__isnull=True, team__in=teams)
    return staff in named or memberships.exists()


@transaction.atomic
def restrict(
    *,
    client: Client,
    by: Staff,
    reason: str,
    owner: Staff,
    staff: Collection[Staff] = (),
    teams: Collection[Team] = (),
) -> Restriction:
    """Close a record to all but the owner and those who are named; return the restriction.

    Raises ValidationError, also where one stands already.
    """
    if not may_restrict(by, client):
        raise PermissionDenied
    made = Restriction(
        site_id=client.site_id,
        client=client,
        reason=reason.strip(),
        since=timezone.now(),
        set_by=by,
    )
    _check(client.site, owner, staff, teams)
    check(made)
    try:
        with transaction.atomic():
            made.save(force_insert=True)
    except IntegrityError as clash:  # two people in the same moment, or the record went
        raise ValidationError("This record is restricted already: look at it again.") from clash
    wanted = _wanted(owner, staff, teams)
    _add(made, wanted, by)
    trail.record(TrailAction.CREATE, by=by, row=made, client=client, **_said(wanted))
    return made


def _check(site: Site, owner: Staff, staff: Collection[Staff], teams: Collection[Team]) -> None:
    if not clinicians_of(site).filter(pk=owner.pk).exists():
        raise ValidationError({"owner": "Choose a clinician who works at the site of the record."})
    known = set(people_of(site).values_list("pk", flat=True))
    if not {one.pk for one in staff} <= known:
        raise ValidationError({"staff": "Tick people who work at the site of the record."})
    known = set(teams_of(site).values_list("pk", flat=True))
    if not {one.pk for one in teams} <= known:
        raise ValidationError({"teams": "Tick teams of the site of the record."})


def _wanted(owner: Staff, staff: Iterable[Staff], teams: Iterable[Team]) -> set[Named]:
    others = {("staff", one.pk, False) for one in staff if one != owner}
    return {("staff", owner.pk, True)} | others | {("team", one.pk, False) for one in teams}


def _key(line: RestrictionLine) -> Named:
    if line.staff_id is not None:
        return "staff", line.staff_id, line.is_owner
    return "team", line.team_id or 0, False


def _add(restriction: Restriction, wanted: Iterable[Named], by: Staff) -> None:
    now = timezone.now()
    for kind, key, is_owner in sorted(wanted):
        line = RestrictionLine(
            site_id=restriction.site_id,
            restriction=restriction,
            is_owner=is_owner,
            since=now,
            named_by=by,
            **{f"{kind}_id": key},
        )
        check(line)
        line.save(force_insert=True)


def _said(named: Iterable[Named]) -> dict[str, Any]:
    """Keys of people and teams, for the trail."""
    found: dict[str, Any] = {}
    for kind, key, is_owner in sorted(named):
        found.setdefault("owner" if is_owner else kind, []).append(key)
    return found


def stamp_of(restriction: Restriction) -> str:
    """What a page saw of who may open the record."""
    keys = restriction.lines.standing().order_by("pk")
    return "-".join(str(key) for key in keys.values_list("pk", flat=True))


@transaction.atomic
def name_anew(
    *,
    restriction: Restriction,
    by: Staff,
    owner: Staff,
    seen: str,
    staff: Collection[Staff] = (),
    teams: Collection[Team] = (),
) -> bool:
    """Save who may open a restricted record from now on; return whether anything changed.

    seen: `stamp_of` when the page was opened. Raises ValidationError and PermissionDenied.
    """
    row = _locked(restriction)
    if not may_change(by, row):
        raise PermissionDenied
    if stamp_of(row) != seen:
        raise ValidationError(CHANGED)
    standing = {_key(line): line for line in RestrictionLine.objects.standing().of(row)}
    _check(row.client.site, owner, staff, teams)
    wanted = _wanted(owner, staff, teams)
    gone = [line for key, line in standing.items() if key not in wanted]
    _end(gone, by)
    added = wanted - standing.keys()
    _add(row, added, by)
    if gone or added:
        left_out: dict[str, Any] = {
            f"{name}_out": keys for name, keys in _said(map(_key, gone)).items()
        }
        trail.record(
            TrailAction.CHANGE, by=by, row=row, client=row.client, **_said(added), **left_out
        )
    return bool(gone or added)


def _locked(restriction: Restriction) -> Restriction:
    rows = Restriction.objects.select_for_update(of=("self",)).select_related("client__site")
    row = rows.get(pk=restriction.pk)
    if row.ended_at is not None:
        raise ValidationError(ENDED)
    return row


def _end(lines: Iterable[RestrictionLine], by: Staff) -> None:
    now = timezone.now()
    for line in lines:
        line.until, line.ended_by = now, by
        line.save(update_fields=["until", "ended_by"])


@transaction.atomic
def end_restriction(*, restriction: Restriction, by: Staff, reason: str) -> Restriction:
    """Open the record to everybody of its site again; return the restriction.

    The owner is told where somebody else ends it. Raises ValidationError and PermissionDenied.
    """
    row = _locked(restriction)
    if not may_change(by, row):
        raise PermissionDenied
    _end(RestrictionLine.objects.standing().of(row), by)
    row.ended_at, row.ended_by, row.end_reason = timezone.now(), by, reason.strip()
    check(row)
    row.save(update_fields=["ended_at", "ended_by", "end_reason"])
    trail.record(TrailAction.CHANGE, by=by, row=row, client=row.client, restriction="ended")
    return row


# What the owner is told


def ends_to_tell(owner: Staff) -> QuerySet[RestrictionLine]:
    """Restrictions of this person that somebody else ended or handed on, not yet seen.

    Each knows as `is_open` whether the person may open the record now, and be told whose it is.
    """
    return (
        RestrictionLine.objects.filter(
            staff=owner, is_owner=True, until__isnull=False, seen_at__isnull=True
        )
        .exclude(ended_by=owner)
        .annotate(is_open=open_to(owner, "restriction__client__"))
        .select_related("restriction__client", "ended_by")
    )


@transaction.atomic
def mark_end_seen(*, line: RestrictionLine, by: Staff) -> None:
    """Save that the owner has seen that their part ended."""
    if ends_to_tell(by).filter(pk=line.pk).update(seen_at=timezone.now()):
        client = line.restriction.client
        trail.record(TrailAction.CHANGE, by=by, row=line, client=client, fields=["seen"])


# Where the owner can no longer act


def without_owner(staff: Staff) -> QuerySet[Restriction]:
    """Restrictions of this manager's sites whose owner has left or is no clinician there."""
    able = Staff.objects.filter(is_active=True, groups__name=Role.CLINICIAN.value)
    owned = RestrictionLine.objects.standing().filter(
        is_owner=True, staff__sites=F("restriction__site")
    )
    return (
        Restriction.objects.standing()
        .filter(site__in=staff.sites.all())
        .exclude(pk__in=owned.filter(staff__in=able).values("restriction"))
        .select_related("client__site")
        .order_by("since", "pk")
    )


@transaction.atomic
def hand_on(*, restriction: Restriction, by: Staff, owner: Staff) -> None:
    """Give a restriction whose owner is gone to another clinician; raises ValidationError.

    The manager who does it needs no right to the record, and gets none.
    """
    row = _locked(restriction)
    if not (by.is_manager and without_owner(by).filter(pk=row.pk).exists()):
        raise PermissionDenied
    _check(row.client.site, owner, (), ())
    standing = RestrictionLine.objects.standing().of(row)
    _end([it for it in standing if it.is_owner or it.staff_id == owner.pk], by)
    _add(row, {("staff", owner.pk, True)}, by)
    trail.record(TrailAction.CHANGE, by=by, row=row, client=row.client, owner=[owner.pk])
