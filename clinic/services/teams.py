"""Teams: people who are named together where a record is restricted."""

from collections.abc import Collection

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic.domain.vocabulary import TrailAction
from clinic.models import Site, Staff, Team, TeamMember
from clinic.models.limits import check
from clinic.services import trail
from clinic.services.restrictions import people_of

CHANGED = "Somebody else changed this team meanwhile. Look at it again, then save."
TAKEN = "A team of this site has this name already."


@transaction.atomic
def make_team(*, site: Site, name: str, members: Collection[Staff], by: Staff) -> Team:
    """Save and return a team of a site; raises ValidationError."""
    team = Team(site=site, name=name.strip())
    _save(team)
    _check(site, members)
    _add(team, {one.pk for one in members}, by)
    keys = sorted(one.pk for one in members)
    trail.record(TrailAction.CREATE, by=by, row=team, site=site, members=keys)
    return team


def _save(team: Team) -> None:
    same = Team.objects.filter(site=team.site_id, name__iexact=team.name, closed_at__isnull=True)
    if same.exclude(pk=team.pk).exists():
        raise ValidationError({"name": TAKEN})
    check(team)
    try:
        with transaction.atomic():
            team.save(update_fields=["name"] if team.pk else None)
    except IntegrityError as clash:  # two managers in the same moment
        raise ValidationError({"name": TAKEN}) from clash


def _check(site: Site, members: Collection[Staff]) -> None:
    known = set(people_of(site).values_list("pk", flat=True))
    if not {one.pk for one in members} <= known:
        raise ValidationError({"members": "Tick people who work at the site of the team."})


def _add(team: Team, keys: Collection[int], by: Staff) -> None:
    now = timezone.now()
    for key in sorted(keys):
        row = TeamMember(site_id=team.site_id, team=team, staff_id=key, since=now, added_by=by)
        check(row)
        row.save(force_insert=True)


def stamp_of(team: Team) -> str:
    """What a page saw of who is in a team."""
    rows = TeamMember.objects.standing().filter(team=team).order_by("pk")
    return "-".join(str(key) for key in rows.values_list("pk", flat=True))


@transaction.atomic
def change_team(
    *, team: Team, name: str, members: Collection[Staff], seen: str, by: Staff
) -> None:
    """Save name and members; who leaves opens nothing by the team from this moment.

    seen: `stamp_of` when the page was opened. Raises ValidationError.
    """
    row = _locked(team)
    if stamp_of(row) != seen:
        raise ValidationError(CHANGED)
    before = row.name
    row.name = name.strip()
    standing = {it.staff_id: it for it in TeamMember.objects.standing().filter(team=row)}
    wanted = {one.pk for one in members}
    _check(row.site, [one for one in members if one.pk not in standing])
    if row.name != before:
        _save(row)
    gone = sorted(standing.keys() - wanted)
    _end([standing[key] for key in gone], by)
    added = sorted(wanted - standing.keys())
    _add(row, added, by)
    if gone or added or row.name != before:
        trail.record(
            TrailAction.CHANGE,
            by=by,
            row=row,
            site=row.site,
            fields=["name"] if row.name != before else [],
            members_in=added,
            members_out=gone,
        )


def _locked(team: Team) -> Team:
    row = Team.objects.select_for_update(of=("self",)).select_related("site").get(pk=team.pk)
    if row.closed_at is not None:
        raise ValidationError("This team was closed already.")
    return row


def _end(rows: Collection[TeamMember], by: Staff) -> None:
    now = timezone.now()
    for row in rows:
        row.until, row.ended_by = now, by
        row.save(update_fields=["until", "ended_by"])


@transaction.atomic
def close_team(*, team: Team, by: Staff) -> None:
    """Close a team: nobody opens anything by it any more; raises ValidationError."""
    row = _locked(team)
    _end(list(TeamMember.objects.standing().filter(team=row)), by)
    row.closed_at = timezone.now()
    row.save(update_fields=["closed_at"])
    trail.record(TrailAction.CHANGE, by=by, row=row, site=row.site, fields=["closed_at"])
