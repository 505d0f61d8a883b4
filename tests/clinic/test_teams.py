"""Teams: made, changed and closed by the manager of their site."""

import re

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from clinic.models import Client, Team, TeamMember, TrailEntry
from clinic.services import teams
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.limits import make_team, restrict

pytestmark = pytest.mark.django_db


@pytest.fixture
def manager():
    return StaffFactory(role="manager")


@pytest.fixture
def site(manager):
    return manager.home_site


def text(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode())).strip()


def inside(team):
    rows = TeamMember.objects.standing().filter(team=team)
    return set(rows.values_list("staff", flat=True))


def test_manager_makes_a_team(client, manager, site):
    member = StaffFactory()
    client.force_login(manager)

    answer = client.post(
        reverse("team-new", args=[site.pk]), {"name": " Juniors ", "members": [member.pk]}
    )

    team = Team.objects.get()
    assert (answer.url, team.name, inside(team)) == (
        reverse("team-list"),
        "Juniors",
        {member.pk},
    )
    line = TrailEntry.objects.get(object_kind="team")
    assert (line.action, line.site, line.detail) == ("create", site, {"members": [member.pk]})
    assert "Juniors" in text(client.get(reverse("team-list")))


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"name": ""}, "name", "Fill this in."),
        ({"name": "JUNIORS"}, "name", teams.TAKEN),
        ({"members": ["99999999999999999999"]}, "members", "Tick people of this list."),
    ],
)
def test_wrong_input_is_told_beside_its_field(client, manager, site, typed, field, said):
    make_team(site, name="Juniors")
    client.force_login(manager)

    answer = client.post(reverse("team-new", args=[site.pk]), {"name": "Track"} | typed)

    assert answer.context["form"].errors[field] == [said]
    assert Team.objects.count() == 1


def test_name_of_a_closed_team_is_free(manager, site):
    teams.close_team(team=make_team(site, name="Juniors"), by=manager)

    assert teams.make_team(site=site, name="Juniors", members=[], by=manager).pk


def test_member_of_another_site_is_refused(manager, site):
    far = StaffFactory(home_site=SiteFactory(code="QY", name="Quay"))

    with pytest.raises(ValidationError, match="work at the site"):
        teams.make_team(site=site, name="Juniors", members=[far], by=manager)


def test_manager_changes_who_is_in_it(client, manager, site):
    first, second = StaffFactory(), StaffFactory()
    team = make_team(site, first, name="Juniors")
    client.force_login(manager)
    address = reverse("team-open", args=[team.pk])
    seen = client.get(address).context["form"]["seen"].value()

    answer = client.post(
        address, {"name": "Juniors and schools", "members": [second.pk], "seen": seen}
    )

    team.refresh_from_db()
    assert (answer.status_code, team.name, inside(team)) == (
        302,
        "Juniors and schools",
        {second.pk},
    )
    assert team.members.count() == 2  # who left keeps the line
    line = TrailEntry.objects.get(object_kind="team")
    assert line.detail == {
        "fields": ["name"],
        "members_in": [second.pk],
        "members_out": [first.pk],
    }


def test_the_same_again_leaves_no_line(manager, site):
    team = make_team(site, manager, name="Juniors")
    seen = teams.stamp_of(team)

    teams.change_team(team=team, name="Juniors", members=[manager], seen=seen, by=manager)

    assert not TrailEntry.objects.filter(object_kind="team").exists()


def test_change_over_somebody_elses_is_refused(client, manager, site):
    team = make_team(site, manager, name="Juniors")
    client.force_login(manager)

    answer = client.post(
        reverse("team-open", args=[team.pk]), {"name": "Juniors", "members": [], "seen": "0"}
    )

    assert teams.CHANGED in text(answer)
    assert inside(team) == {manager.pk}


def test_closed_team_opens_nothing(client, manager, site):
    member, owner, runner = StaffFactory(), StaffFactory(), ClientFactory()
    team = make_team(site, member, name="Juniors")
    restrict(runner, owner, teams=[team])
    client.force_login(manager)
    before = Client.objects.for_staff(member).filter(pk=runner.pk).exists()

    client.post(reverse("team-close", args=[team.pk]))

    assert before
    assert not Client.objects.for_staff(member).filter(pk=runner.pk).exists()
    assert client.get(reverse("team-open", args=[team.pk])).status_code == 404
    with pytest.raises(ValidationError, match="closed already"):
        teams.close_team(team=team, by=manager)


def test_teams_of_other_sites_do_not_exist_for_a_manager(client, manager):
    elsewhere = SiteFactory(code="QY", name="Quay")
    team = make_team(elsewhere, name="Quay team")
    client.force_login(manager)

    assert "Quay team" not in text(client.get(reverse("team-list")))
    for name, key in (("team-open", team.pk), ("team-new", elsewhere.pk)):
        assert client.get(reverse(name, args=[key])).status_code == 404


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_do_not_grow(client, manager, site, rows, django_assert_num_queries):
    for number in range(rows):
        make_team(site, StaffFactory(), manager, name=f"Team {number}")
    client.force_login(manager)

    with django_assert_num_queries(8):
        page = client.get(reverse("team-list"))

    assert [len(it.members.all()) for it in page.context["page"]] == [2] * rows
