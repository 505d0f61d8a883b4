"""Restricted records, teams and openings in an emergency, as the services leave them."""

from datetime import timedelta

from django.utils import timezone

from clinic.models import (
    EmergencyOpening,
    Restriction,
    RestrictionLine,
    Staff,
    Team,
    TeamMember,
)
from clinic.services.restrictions import end_restriction
from tests.factories import ClientFactory, StaffFactory


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


def open_in_emergency(
    runner, staff, *, hours=4, ago=timedelta(), reason="Collapsed on the treadmill", **fields
):
    """An opening that began some time ago."""
    opened_at = timezone.now() - ago
    return EmergencyOpening.objects.create(
        site=runner.site,
        client=runner,
        staff=staff,
        reason=reason,
        opened_at=opened_at,
        ends_at=opened_at + timedelta(hours=hours),
        **fields,
    )


def ended_line(owner):
    """The line of an owner whose restriction of another record a manager has ended."""
    manager = StaffFactory(home_site=owner.home_site, role="manager")
    made = restrict(ClientFactory(site=owner.home_site), owner, staff=[manager])
    end_restriction(restriction=made, by=manager, reason="The client asked for it")
    return made.lines.get(is_owner=True)


def ownerless(site):
    """A restriction whose owner has left the clinic."""
    gone = StaffFactory(home_site=site)
    made = restrict(ClientFactory(site=site), gone)
    Staff.objects.filter(pk=gone.pk).update(is_active=False)
    return made


def opening_of(owner):
    """What a colleague opened of another record of this owner."""
    runner = ClientFactory(site=owner.home_site)
    made = restrict(runner, owner)
    helper = StaffFactory(home_site=owner.home_site)
    return open_in_emergency(runner, helper, restriction=made, owner=owner)
