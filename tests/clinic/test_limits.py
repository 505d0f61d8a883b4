"""Who may open which record: sites, restrictions, teams, openings in an emergency."""

from datetime import timedelta

import pytest
from django.contrib.auth.models import Group
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from clinic.domain.vocabulary import Role
from clinic.models import Alert, Client, EmergencyOpening, RestrictionLine, TeamMember
from clinic.models.limits import CLOSED, closed_to, of_my_clients, told_to
from clinic.services import staff as accounts
from clinic.services.people import possible_doubles
from clinic.services.teams import change_team, stamp_of
from tests.factories import AppointmentFactory, ClientFactory, SiteFactory, StaffFactory
from tests.factories.limits import make_team, open_in_emergency, restrict
from tests.factories.people import AlertFactory

pytestmark = pytest.mark.django_db
ROLES = ["clinician", "reception", "manager", "auditor"]


def opens(staff, runner):
    return Client.objects.for_staff(staff).filter(pk=runner.pk).exists()


@pytest.fixture
def owner():
    return StaffFactory()


@pytest.fixture
def runner():
    return ClientFactory()


@pytest.mark.parametrize("role", ROLES)
def test_restricted_record_is_closed_to_every_role(runner, owner, role):
    colleague = StaffFactory(role=role)
    assert opens(colleague, runner)

    restrict(runner, owner)

    assert (opens(colleague, runner), opens(owner, runner)) == (False, True)


@pytest.mark.parametrize("role", ROLES)
def test_restricted_record_opens_for_the_named(runner, owner, role):
    named = StaffFactory(role=role)

    restrict(runner, owner, staff=[named])

    assert opens(named, runner)


def test_other_records_stay_open(runner, owner):
    colleague = StaffFactory()

    restrict(runner, owner)

    assert opens(colleague, ClientFactory())


def test_named_person_of_another_site_opens_nothing(runner, owner):
    named = StaffFactory(home_site=SiteFactory(code="QY", name="Quay"))

    restrict(runner, owner, staff=[named])

    assert not opens(named, runner)


def test_team_opens_for_its_members_only_while_they_are_in_it(runner, owner):
    member, other = StaffFactory(), StaffFactory()
    team = make_team(runner.site, member)
    restrict(runner, owner, teams=[team])
    assert (opens(member, runner), opens(other, runner)) == (True, False)

    TeamMember.objects.filter(staff=member).update(until=timezone.now(), ended_by=owner)

    assert not opens(member, runner)


def test_who_is_no_longer_named_opens_nothing(runner, owner):
    named = StaffFactory()
    restrict(runner, owner, staff=[named])

    RestrictionLine.objects.filter(staff=named).update(until=timezone.now(), ended_by=owner)

    assert not opens(named, runner)


def test_ended_restriction_closes_nothing(runner, owner):
    colleague, made = StaffFactory(), restrict(runner, owner)
    made.ended_at, made.ended_by, made.end_reason = timezone.now(), owner, "Left the clinic"

    made.save(update_fields=["ended_at", "ended_by", "end_reason"])

    assert opens(colleague, runner)


def test_emergency_opening_opens_for_one_person_until_it_ends(runner, owner):
    helper, other = StaffFactory(), StaffFactory()
    restrict(runner, owner)

    open_in_emergency(runner, helper)

    assert (opens(helper, runner), opens(other, runner)) == (True, False)


def test_emergency_opening_reaches_another_site(runner):
    helper = StaffFactory(home_site=SiteFactory(code="QY", name="Quay"))

    open_in_emergency(runner, helper)

    assert opens(helper, runner)


def test_emergency_opening_ends_by_itself(runner, owner):
    helper = StaffFactory()
    restrict(runner, owner)

    open_in_emergency(runner, helper, hours=4, ago=timedelta(hours=4, seconds=1))

    assert not opens(helper, runner)


def test_ended_emergency_opening_opens_nothing(runner, owner):
    helper = StaffFactory()
    restrict(runner, owner)
    opening = open_in_emergency(runner, helper)

    EmergencyOpening.objects.filter(pk=opening.pk).update(closed_at=timezone.now())

    assert not opens(helper, runner)


@pytest.mark.parametrize("lost", ["role", "account"])
def test_emergency_opening_goes_with_the_role_and_the_account(runner, owner, lost):
    helper = StaffFactory()
    restrict(runner, owner)
    open_in_emergency(runner, helper)
    if lost == "role":
        helper.groups.set([Group.objects.get_or_create(name="reception")[0]])
    else:
        helper.is_active = False
        helper.save()

    assert not opens(helper, runner)


def test_rows_of_closed_records_are_left_out_or_told_without_the_person(runner, owner):
    colleague = StaffFactory()
    AlertFactory(client=runner)
    AppointmentFactory(client=runner, clinician=owner)
    restrict(runner, owner)

    row = told_to(runner.appointments.select_related("client"), colleague)[0]

    assert list(of_my_clients(Alert.objects.all(), colleague)) == []
    assert (str(row.client), row.client.pk, row.client.number) == (CLOSED, None, "")
    assert closed_to(colleague) == 1
    assert closed_to(owner) == 0


def test_possible_double_that_is_closed_is_told_without_its_name(runner, owner, client):
    restrict(runner, owner)
    desk = StaffFactory(role="reception")
    client.force_login(desk)
    typed = {
        "family_name": runner.family_name,
        "given_names": "Olga",
        "birth_date": "12.4.1990",
        "preferred_channel": "letter",
        "document_format": "standard",
        "allergies_known": "not_asked",
        "medicines_known": "not_asked",
    }

    page = client.post(reverse("client-new"), typed)

    assert "A record that is not open to you: ask the manager" in page.content.decode()
    assert (runner.number in page.content.decode(), runner.given_names in str(page.content)) == (
        False,
        False,
    )
    assert not Client.objects.filter(given_names="Olga").exists()
    client.post(reverse("client-new"), typed | {"another_person": "None "})
    assert Client.objects.filter(given_names="Olga").exists()


def test_possible_doubles_of_a_named_person_have_their_names(runner, owner):
    restrict(runner, owner)

    found = possible_doubles(
        staff=owner,
        family_name=runner.family_name,
        birth_date=runner.birth_date,
        telephone="",
    )

    assert found == [runner]


# the guards


def refused(match):
    return pytest.raises(IntegrityError, match=match)


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("restriction", {"reason": "Another"}),
        ("restriction", {"since": timezone.now() - timedelta(days=9)}),
        ("line", {"since": timezone.now() - timedelta(days=9)}),
        ("line", {"is_owner": False}),
        ("opening", {"reason": "Another"}),
        ("opening", {"ends_at": timezone.now() + timedelta(hours=7)}),
        ("opening", {"opened_at": timezone.now() - timedelta(hours=1)}),
    ],
)
def test_what_was_decided_is_never_changed(runner, owner, table, change):
    made = restrict(runner, owner)
    row = {
        "restriction": made,
        "line": made.lines.get(),
        "opening": open_in_emergency(runner, owner),
    }[table]

    with refused("stays as it was"), transaction.atomic():
        type(row).objects.filter(pk=row.pk).update(**change)


def test_an_end_is_never_taken_back(runner, owner):
    made, now = restrict(runner, owner), timezone.now()
    made.lines.update(until=now, ended_by=owner)
    opening = open_in_emergency(runner, owner, ago=timedelta(minutes=1))
    EmergencyOpening.objects.filter(pk=opening.pk).update(closed_at=now)

    with refused("stays as it was"), transaction.atomic():
        made.lines.update(until=None, ended_by=None)
    with refused("stays as it was"), transaction.atomic():
        EmergencyOpening.objects.filter(pk=opening.pk).update(closed_at=None)


def test_opening_of_more_than_eight_hours_is_refused(runner, owner):
    open_in_emergency(runner, owner, hours=8)

    with refused("eight hours"), transaction.atomic():
        open_in_emergency(runner, owner, hours=8.01)


def test_opening_without_a_reason_is_refused(runner, owner):
    with refused("opening_reason_given"), transaction.atomic():
        now = timezone.now()
        EmergencyOpening.objects.create(
            site=runner.site,
            client=runner,
            staff=owner,
            reason="",
            opened_at=now,
            ends_at=now + timedelta(hours=1),
        )


def test_second_restriction_and_second_owner_are_refused(runner, owner):
    made = restrict(runner, owner)

    with refused("restriction_one_open|restriction.site_id"), transaction.atomic():
        restrict(runner, owner)
    with refused("restriction_one_owner|restrictionline.restriction"), transaction.atomic():
        RestrictionLine.objects.create(
            site=made.site,
            restriction=made,
            staff=StaffFactory(),
            is_owner=True,
            since=made.since,
            named_by=owner,
        )


def test_nobody_is_named_after_the_end(runner, owner):
    made = restrict(runner, owner)
    made.ended_at, made.ended_by, made.end_reason = timezone.now(), owner, "Over"
    made.save(update_fields=["ended_at", "ended_by", "end_reason"])

    with refused("has ended"), transaction.atomic():
        RestrictionLine.objects.create(
            site=made.site,
            restriction=made,
            staff=StaffFactory(),
            since=timezone.now(),
            named_by=owner,
        )


# what is taken away counts on the next request of a session that stays open


def taken_from(staff, manager, **changed):
    """The account as the manager's page changes it."""
    seen = accounts.values_of(staff)
    fields = {name: seen[name] for name in ("first_name", "last_name", "email", "profession")}
    asked = fields | {"roles": staff.roles, "sites": list(staff.sites.all())} | changed
    accounts.change_person(
        staff=staff, seen=seen, by=manager, home_site_id=staff.home_site_id, **asked
    )


@pytest.fixture
def session(client, runner):
    """A clinician who works at two sites, signed in, with the record open."""
    staff = StaffFactory(email="reed@example.org")
    client.force_login(staff)
    assert client.get(reverse("client-open", args=[runner.pk])).status_code == 200
    return staff


def answer(client, runner):
    return client.get(reverse("client-open", args=[runner.pk])).status_code


def test_closed_account_is_out_on_the_next_request(client, runner, session):
    accounts.close_account(staff=session, by=StaffFactory(role="manager"))

    page = client.get(reverse("client-open", args=[runner.pk]))

    assert (page.status_code, page.url[:23]) == (302, "/accounts/login/?next=/")


def test_lost_role_counts_on_the_next_request(client, runner, session):
    screening = reverse("consent-list", args=[runner.pk])
    assert client.get(screening).status_code == 200

    accounts.change_roles(staff=session, roles=[Role.RECEPTION], by=StaffFactory(role="manager"))

    assert client.get(screening).status_code == 403


def test_lost_site_counts_on_the_next_request(client, runner, session):
    elsewhere = SiteFactory(code="QY", name="Quay")
    session.sites.add(elsewhere)
    far = ClientFactory(site=elsewhere)
    assert answer(client, far) == 200

    taken_from(session, StaffFactory(role="manager"), sites=[session.home_site])

    assert (answer(client, far), answer(client, runner)) == (404, 200)


def test_lost_team_counts_on_the_next_request(client, runner, owner, session):
    team = make_team(runner.site, session)
    restrict(runner, owner, teams=[team])
    assert answer(client, runner) == 200

    change_team(
        team=team,
        name=team.name,
        members=[],
        seen=stamp_of(team),
        by=StaffFactory(role="manager"),
    )

    assert answer(client, runner) == 404
