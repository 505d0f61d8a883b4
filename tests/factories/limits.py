"""Restricted records, teams and openings in an emergency, as the services leave them."""

from datetime import timedelta

from django.utils import timezone

from clinic.models import EmergencyOpening, Restriction, RestrictionLine, Team, TeamMember


def restrict(runner, owner, *, staff=(), teams=(), reason="Works here"):
    """Restrict a record to its owner and those named; returns the restriction."""
    now = timezone.now()
    made = Restriction.objects.create(
        site=runner.site, client=runner, reason=reason, since=now, set_by=owner
    )
    for person in (owner, *staff):
        RestrictionLine.objects.create(
            site=runner.site,
            restriction=made,
            staff=person,
            is_owner=person == owner,
            since=now,
            named_by=owner,
        )
    for team in teams:
        RestrictionLine.objects.create(
            site=runner.site, restriction=made, team=team, since=now, named_by=owner
        )
    return made


def make_team(site, *staff, name="Children's running"):
    made, now = Team.objects.create(site=site, name=name), timezone.now()
    for person in staff:
        TeamMember.objects.create(site=site, team=made, staff=person, since=now, added_by=person)
    return made


def open_in_emergency(runner, staff, *, hours=4, ago=timedelta(), **fields):
    """An opening that began some time ago."""
    opened_at = timezone.now() - ago
    return EmergencyOpening.objects.create(
        site=runner.site,
        client=runner,
        staff=staff,
        reason="Collapsed on the treadmill",
        opened_at=opened_at,
        ends_at=opened_at + timedelta(hours=hours),
        **fields,
    )
