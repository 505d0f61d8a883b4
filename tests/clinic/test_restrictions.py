"""A record is restricted, who may open it changes, the restriction ends: services and pages."""

import re
from datetime import UTC, date, datetime

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.urls import reverse

from clinic.models import Client, Restriction, RestrictionLine, Staff, TrailEntry
from clinic.services import restrictions
from tests.factories import AppointmentFactory, ClientFactory, SiteFactory, StaffFactory
from tests.factories.limits import ended_line, make_team, open_in_emergency, ownerless, restrict
from tests.factories.people import RecordLinkFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner():
    return StaffFactory(first_name="Ines", last_name="Marlow")


@pytest.fixture
def runner():
    return ClientFactory()


def opens(staff, runner):
    return Client.objects.for_staff(staff).filter(pk=runner.pk).exists()


def text(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode())).strip()


def page_of(client, who, runner, **data):
    client.force_login(who)
    address = reverse("restriction-open", args=[runner.pk])
    return client.post(address, data) if data else client.get(address)


def named(runner):
    lines = RestrictionLine.objects.standing().filter(restriction__client=runner)
    return {(str(it), it.is_owner) for it in lines}


# services


def test_restricting_names_people_and_teams_and_leaves_a_line(runner, owner):
    desk, member = StaffFactory(role="reception"), StaffFactory()
    team, other = make_team(runner.site, member), StaffFactory()

    made = restrictions.restrict(
        client=runner, by=owner, reason=" Works here ", owner=owner, staff=[desk], teams=[team]
    )

    assert [opens(it, runner) for it in (owner, desk, member, other)] == [True, True, True, False]
    line = TrailEntry.objects.get(object_kind="restriction")
    assert (made.reason, line.client, line.action) == ("Works here", runner, "create")
    assert line.detail == {"owner": [owner.pk], "staff": [desk.pk], "team": [team.pk]}


@pytest.mark.parametrize("role", ["reception", "auditor"])
def test_only_clinicians_and_managers_restrict(runner, owner, role):
    with pytest.raises(PermissionDenied):
        restrictions.restrict(client=runner, by=StaffFactory(role=role), reason="x", owner=owner)


def test_second_restriction_is_refused_in_words(runner, owner):
    restrict(runner, owner)

    with pytest.raises(ValidationError, match="restricted already"):
        restrictions.restrict(client=runner, by=owner, reason="Again", owner=owner)


def test_owner_is_a_clinician_of_the_site_and_the_named_work_there(runner, owner):
    elsewhere = SiteFactory(code="QY", name="Quay")
    far, desk = StaffFactory(home_site=elsewhere), StaffFactory(role="reception")
    gone = StaffFactory()
    Staff.objects.filter(pk=gone.pk).update(is_active=False)
    asked = {"client": runner, "by": owner, "reason": "x"}

    for wrong in (
        {"owner": desk},
        {"owner": far},
        {"owner": owner, "staff": [far]},
        {"owner": owner, "staff": [gone]},
        {"owner": owner, "teams": [make_team(elsewhere)]},
    ):
        with pytest.raises(ValidationError):
            restrictions.restrict(**asked, **wrong)
    assert not Restriction.objects.exists()


def test_naming_anew_ends_lines_and_adds_lines(runner, owner):
    first, second = StaffFactory(), StaffFactory()
    made = restrict(runner, owner, staff=[first])

    changed = restrictions.name_anew(
        restriction=made,
        by=owner,
        owner=owner,
        staff=[second],
        seen=restrictions.stamp_of(made),
    )

    assert changed
    assert (opens(first, runner), opens(second, runner)) == (False, True)
    assert made.lines.count() == 3
    line = TrailEntry.objects.get(object_kind="restriction")
    assert line.detail == {"staff": [second.pk], "staff_out": [first.pk]}


def test_owner_who_hands_it_on_stays_named_where_ticked(runner, owner):
    new = StaffFactory()
    made = restrict(runner, owner, staff=[new])

    restrictions.name_anew(
        restriction=made,
        by=owner,
        owner=new,
        staff=[owner],
        seen=restrictions.stamp_of(made),
    )

    assert named(runner) == {(str(new), True), (str(owner), False)}
    assert restrictions.ends_to_tell(owner).count() == 0  # who did it needs no notice


def test_same_names_again_change_nothing(runner, owner):
    made = restrict(runner, owner)

    seen = restrictions.stamp_of(made)

    assert not restrictions.name_anew(restriction=made, by=owner, owner=owner, seen=seen)
    assert not TrailEntry.objects.filter(object_kind="restriction").exists()


def test_change_over_somebody_elses_is_refused(runner, owner):
    made = restrict(runner, owner)
    seen = restrictions.stamp_of(made)
    restrictions.name_anew(
        restriction=made, by=owner, owner=owner, staff=[StaffFactory()], seen=seen
    )

    with pytest.raises(ValidationError, match="Somebody else changed"):
        restrictions.name_anew(restriction=made, by=owner, owner=owner, seen=seen)


def test_named_colleague_neither_changes_nor_ends(runner, owner):
    colleague = StaffFactory()
    made = restrict(runner, owner, staff=[colleague])

    with pytest.raises(PermissionDenied):
        restrictions.name_anew(
            restriction=made, by=colleague, owner=owner, seen=restrictions.stamp_of(made)
        )
    with pytest.raises(PermissionDenied):
        restrictions.end_restriction(restriction=made, by=colleague, reason="x")


def test_owner_is_told_once_of_an_end_by_a_manager(client, owner):
    line = ended_line(owner)
    client.force_login(owner)
    before = text(client.get(reverse("today")))

    client.post(reverse("restriction-seen", args=[line.pk]))

    assert "ended the restriction of" in before
    assert "The client asked for it" in before
    assert "ended the restriction of" not in text(client.get(reverse("today")))


def test_end_is_told_to_the_owner_alone(client, owner):
    line = ended_line(owner)
    client.force_login(StaffFactory())

    assert client.post(reverse("restriction-seen", args=[line.pk])).status_code == 404


def test_restriction_whose_owner_left_is_handed_on_without_telling_whose_it_is(client, runner):
    made, manager = ownerless(runner.site), StaffFactory(role="manager")
    new = StaffFactory()
    client.force_login(manager)
    address = reverse("restriction-hand-on", args=[made.pk])

    first, page = client.get(reverse("today")), client.get(address)
    answer = client.post(address, {"owner": new.pk})

    assert "Nobody answers for a restricted record" in text(first)
    for shown in (text(first), text(page)):
        assert made.client.family_name not in shown
        assert made.client.number not in shown
    assert answer.status_code == 302
    assert (opens(new, made.client), opens(manager, made.client)) == (True, False)
    assert client.get(address).status_code == 404  # it has an owner again


def test_restriction_whose_owner_lost_the_site_is_handed_on(runner, owner):
    made, manager = restrict(runner, owner), StaffFactory(role="manager")
    assert not restrictions.without_owner(manager).exists()

    owner.sites.set([SiteFactory(code="QY", name="Quay")])

    assert not opens(owner, runner)
    assert list(restrictions.without_owner(manager)) == [made]


def test_end_is_told_without_the_person_where_the_record_was_closed_again(client, owner):
    line = ended_line(owner)
    again = line.restriction.client
    restrict(again, StaffFactory(home_site=owner.home_site))
    client.force_login(owner)

    shown = client.get(reverse("today")).content.decode()

    assert "ended the restriction" in shown
    for word in (again.family_name, again.number, "The client asked for it"):
        assert word not in shown


def test_restriction_with_an_owner_is_not_handed_on_by_a_manager(client, runner, owner):
    made = restrict(runner, owner)
    client.force_login(StaffFactory(role="manager"))

    answer = client.post(reverse("restriction-hand-on", args=[made.pk]), {"owner": owner.pk})

    assert answer.status_code == 404


def test_emergency_opening_gives_no_say_in_who_may_open_it(client, runner, owner):
    both = StaffFactory()
    both.groups.add(StaffFactory(role="manager").groups.get())
    far = ClientFactory(site=SiteFactory(code="QY", name="Quay"))
    made = restrict(runner, owner)
    for one in (runner, far):
        open_in_emergency(one, both)

    pages = [page_of(client, both, one) for one in (runner, far)]
    answers = [page_of(client, both, one, owner=both.pk, reason="x") for one in (runner, far)]

    assert [page.context["form"] for page in pages] == [None, None]
    assert [it.status_code for it in answers] == [403, 403]
    with pytest.raises(PermissionDenied):
        restrictions.end_restriction(restriction=made, by=both, reason="x")


def test_opening_one_of_two_joined_records_gives_no_say_either(client, runner, owner):
    """Joined records are closed together, so a restriction of one shuts the other's people out."""
    other, helper = ClientFactory(site=runner.site), StaffFactory()
    RecordLinkFactory(kept=runner, joined=other)
    restrict(runner, owner)
    open_in_emergency(other, helper)
    assert opens(helper, other)

    page = page_of(client, helper, other)
    answer = page_of(client, helper, other, owner=helper.pk, reason="x")

    assert (page.context["form"], answer.status_code) == (None, 403)
    assert opens(owner, other)
    restrictions.restrict(client=other, by=owner, reason="Both", owner=owner)


# pages


def test_clinician_restricts_a_record(client, runner, owner):
    desk = StaffFactory(role="reception")
    first = page_of(client, owner, runner)

    answer = page_of(client, owner, runner, reason="Works here", owner=owner.pk, staff=[desk.pk])

    assert first.context["form"].fields["owner"].initial == owner.pk
    assert (answer.status_code, named(runner)) == (
        302,
        {(str(owner), True), (str(desk), False)},
    )
    shown = text(client.get(reverse("client-open", args=[runner.pk])))
    assert "Restricted : who may open it" in shown


def test_page_says_with_whom_the_client_is_booked_ahead(client, runner, owner, time_machine):
    time_machine.move_to(datetime(2027, 3, 15, 12, tzinfo=UTC), tick=False)
    names = {"ahead": "Nora Ahead", "past": "Piet Past", "gone": "Gil Cancelled"}
    people = {
        key: StaffFactory(first_name=name.split()[0], last_name=name.split()[1])
        for key, name in names.items()
    }
    for key, day, state in (
        ("ahead", 16, "booked"),
        ("past", 12, "booked"),
        ("gone", 17, "cancelled"),
    ):
        AppointmentFactory(
            client=runner,
            clinician=people[key],
            local_date=date(2027, 3, day),
            state=state,
            room__name=key,
        )

    page = page_of(client, owner, runner)

    assert "Booked ahead with Nora Ahead. Who is not named" in text(page)


def test_strip_says_that_a_record_is_restricted(client, runner, owner):
    desk = StaffFactory(role="reception")
    client.force_login(desk)
    address = reverse("client-edit", args=[runner.pk])
    before = client.get(address)

    restrict(runner, owner, staff=[desk])

    strip = '<p class="word caution">Restricted</p>'
    after = client.get(address)
    assert [it.content.decode().count(strip) for it in (before, after)] == [0, 1]


def test_who_leaves_themselves_out_is_asked_first(client, runner, owner):
    manager = StaffFactory(role="manager")
    asked = {"reason": "Works here", "owner": owner.pk}

    refused = page_of(client, manager, runner, **asked)
    done = page_of(client, manager, runner, **asked, without_me="on")

    assert "once this is saved, the record does not exist for you" in text(refused)
    assert 'value="Works here"' in refused.content.decode()
    assert (done.status_code, done.url) == (302, reverse("today"))
    assert not opens(manager, runner)


def test_member_of_a_named_team_is_not_asked(client, runner, owner):
    manager = StaffFactory(role="manager")
    team = make_team(runner.site, manager)

    answer = page_of(client, manager, runner, reason="x", owner=owner.pk, teams=[team.pk])

    assert (answer.status_code, opens(manager, runner)) == (302, True)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"reason": " "}, "Fill this in."),
        ({"owner": ""}, "Choose one."),
        ({"owner": "99999999999999999999"}, "Choose a clinician of this list."),
        ({"staff": ["99999999999999999999"]}, "Tick people of this list."),
    ],
)
def test_wrong_input_is_told_beside_its_field(client, runner, owner, wrong, said):
    answer = page_of(client, owner, runner, **({"reason": "Why", "owner": owner.pk} | wrong))

    (name,) = wrong
    assert answer.context["form"].errors[name] == [said]
    assert not Restriction.objects.exists()


def test_named_colleague_sees_who_may_open_it_and_changes_nothing(client, runner, owner):
    colleague, member = StaffFactory(), StaffFactory()
    team = make_team(runner.site, member, name="Juniors")
    restrict(runner, owner, staff=[colleague], teams=[team])

    page = page_of(client, colleague, runner)
    answer = page_of(client, colleague, runner, owner=colleague.pk)
    end = client.get(reverse("restriction-end", args=[runner.pk]))

    for name in (owner, colleague, team, member):
        assert str(name) in text(page)
    assert page.context["form"] is None
    assert (answer.status_code, end.status_code) == (403, 403)


def test_owner_changes_who_may_open_it(client, runner, owner):
    first, second = StaffFactory(), StaffFactory()
    restrict(runner, owner, staff=[first])
    page = page_of(client, owner, runner)
    seen = page.context["form"].fields["seen"].initial

    answer = page_of(client, owner, runner, owner=owner.pk, staff=[second.pk], seen=seen)

    assert page.context["form"].fields["staff"].initial == [first.pk]
    assert (answer.status_code, named(runner)) == (
        302,
        {(str(owner), True), (str(second), False)},
    )
    assert "Who could open it before" in text(page_of(client, owner, runner))


def test_stale_page_changes_nothing_and_keeps_what_was_ticked(client, runner, owner):
    other = StaffFactory()
    restrict(runner, owner)

    answer = page_of(client, owner, runner, owner=owner.pk, staff=[other.pk], seen="0")

    assert "Somebody else changed who may open this record" in text(answer)
    assert answer.context["form"]["staff"].value() == [str(other.pk)]
    assert named(runner) == {(str(owner), True)}


def test_restriction_is_ended_with_a_reason(client, runner, owner):
    made = restrict(runner, owner)
    client.force_login(owner)
    address = reverse("restriction-end", args=[runner.pk])

    refused = client.post(address, {"reason": " "})
    done = client.post(address, {"reason": "Left the clinic"})
    again = client.post(address, {"reason": "Left the clinic"})

    made.refresh_from_db()
    assert (refused.status_code, done.status_code, again.status_code) == (200, 302, 302)
    assert (made.end_reason, made.ended_by) == ("Left the clinic", owner)
    assert opens(StaffFactory(), runner)
    assert TrailEntry.objects.filter(object_kind="restriction").count() == 1


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_do_not_grow(client, runner, owner, rows, django_assert_num_queries):
    people = StaffFactory.create_batch(rows)
    for number in range(rows):
        make_team(runner.site, people[number], name=f"Team {number}")
    restrict(runner, owner, staff=people)
    client.force_login(owner)

    with django_assert_num_queries(22):
        page = client.get(reverse("restriction-open", args=[runner.pk]))

    assert text(page).count("named by") == rows + 1
