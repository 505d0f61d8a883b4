"""The manager's trail and the trail of one record: what is found, by whom, at what cost."""

import re
from datetime import UTC, datetime

import pytest
import time_machine
from django.urls import reverse
from django.utils.html import strip_tags

from clinic.domain.vocabulary import Role, TrailAction
from clinic.middleware import ORIGIN
from clinic.models import TrailEntry
from clinic.services import trail
from tests.factories import ClientFactory, SiteFactory, StaffFactory


@pytest.fixture
def manager(db):
    return StaffFactory(role=Role.MANAGER, last_name="Thorne")


@pytest.fixture
def ines(manager):
    return StaffFactory(home_site=manager.home_site, last_name="Marlow")


@pytest.fixture
def runner(manager):
    return ClientFactory(site=manager.home_site, number="ML01007", family_name="Fen")


def at(moment, action, **line):
    """A line written at that moment."""
    with time_machine.travel(datetime.fromisoformat(moment).replace(tzinfo=UTC), tick=False):
        return trail.record(action, **line)


def lines(response):
    """The rows of the table, each as words."""
    rows = re.findall(r"<tr>(.*?)</tr>", response.content.decode(), re.DOTALL)[1:]
    return [" ".join(strip_tags(row).split()) for row in rows]


def find(browser, manager, **sought):
    browser.force_login(manager)
    return browser.post(reverse("trail-list"), sought, follow=True)


def test_line_is_told_in_full(client, manager, ines, runner):
    token = ORIGIN.set("10.0.0.5")
    at(
        "2027-03-12 10:42:07",
        TrailAction.CHANGE,
        by=ines,
        row=runner,
        client=runner,
        fields=["home_address"],
    )
    ORIGIN.reset(token)

    (line,) = lines(find(client, manager, runner="ML01007"))

    assert line == (
        "12 Mar 2027, 10:42:07 Ines Marlow (clinician) changed the record fields: home address "
        "ML01007 10.0.0.5"
    )


@pytest.fixture
def three(ines, manager, runner):
    """Three lines that differ in each thing that can be sought."""
    other = ClientFactory(site=manager.home_site, number="ML01008", family_name="Quill")
    # 23:30 in London on 1 July is 22:30 in UTC
    at("2027-07-01 22:30:00", TrailAction.VIEW, by=ines, row=runner, client=runner)
    at("2027-07-01 23:30:00", TrailAction.PRINT, by=ines, row=other, client=other)
    at("2027-07-03 09:00:00", TrailAction.VIEW, by=manager, row=other, client=other)


@pytest.mark.parametrize(
    ("sought", "days"),
    [
        ({"runner": "ML01007"}, ["1 Jul"]),
        ({"runner": "quill"}, ["3 Jul", "2 Jul"]),
        ({"runner": "QUÍLL"}, ["3 Jul", "2 Jul"]),
        ({"first": "1.7.2027"}, ["1 Jul"]),
        ({"first": "2.7.2027"}, ["2 Jul"]),
        ({"first": "1.7.2027", "last": "2.7.2027"}, ["2 Jul", "1 Jul"]),
        ({"action": "print"}, ["2 Jul"]),
        ({"person": "ines"}, ["2 Jul", "1 Jul"]),
        ({"person": "ines", "action": "view"}, ["1 Jul"]),
        ({"runner": "nobody"}, []),
    ],
)
def test_trail_is_searched(client, manager, ines, three, sought, days):
    if "person" in sought:
        sought = sought | {"person": ines.pk}

    response = find(client, manager, **sought)

    assert [" ".join(line.split()[:2]) for line in lines(response)] == days
    assert ("No line fits" in response.content.decode()) == (not days)


def test_search_is_a_line_without_its_words(client, manager, three):
    find(client, manager, runner="Quill", first="1.7.2027", last="9.7.2027")

    line = TrailEntry.objects.get(action="search")
    assert (line.actor, line.object_kind) == (manager, "trail")
    assert line.detail == {"fields": ["first", "last", "runner"], "hits": 2}


def test_what_is_sought_stands_in_no_address(client, manager, three):
    response = find(client, manager, runner="Quill")

    assert response.redirect_chain == [("/trail/?sought=yes", 302)]


@pytest.mark.parametrize(
    ("sought", "said"),
    [
        ({"last": "1.7.2027"}, "Write the first day as well."),
        ({"first": "2.7.2027", "last": "1.7.2027"}, "The last day lies before the first."),
        ({"first": "someday"}, "Write a day that exists, such as 12.3.2027."),
    ],
)
def test_days_that_are_none_are_said(client, manager, sought, said):
    page = find(client, manager, **sought).content.decode()

    assert said in page
    assert "<table" not in page
    assert not TrailEntry.objects.filter(action="search").exists()


def test_lines_of_another_site_are_not_shown(client, manager, three):
    elsewhere = SiteFactory(code="QY", name="Quayside")
    stranger = StaffFactory(home_site=elsewhere, role=Role.MANAGER)
    hidden = ClientFactory(site=elsewhere, number="QY00001")
    at("2027-07-04 09:00:00", TrailAction.VIEW, by=stranger, row=hidden, client=hidden)

    assert len(lines(find(client, manager))) == 3
    assert lines(find(client, manager, runner="QY00001")) == []
    (line,) = lines(find(client, stranger, runner="QY00001"))
    assert line.endswith("QY00001 command line")


def test_failure_under_an_unknown_name_is_shown(client, manager):
    trail.record(TrailAction.SIGN_FAIL, by=None, kind="staff", why="password")

    (line,) = lines(find(client, manager, action="sign_fail"))

    assert "somebody under an unknown name failed to sign in to account why: password" in line


@pytest.mark.parametrize("role", [Role.CLINICIAN, Role.RECEPTION])
def test_trail_is_the_managers(client, manager, role):
    client.force_login(StaffFactory(role=role))

    assert client.get(reverse("trail-list")).status_code == 403
    assert "/trail/" not in client.get(reverse("client-list")).content.decode()


def test_manager_is_led_to_the_trail(client, manager):
    client.force_login(manager)

    assert 'href="/trail/"' in client.get(reverse("client-list")).content.decode()


def test_fifty_lines_stand_on_a_page(client, manager, ines):
    for _ in range(51):
        trail.record(TrailAction.SEARCH, by=ines, kind="client", hits=1)
    client.force_login(manager)

    first, second = (client.get(f"/trail/?page={number}") for number in (1, 2))

    # the line of the first look stands on the second page's count, not on the first's
    assert (len(lines(first)), len(lines(second))) == (50, 2)


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_do_not_grow(client, manager, ines, runner, rows, django_assert_num_queries):
    for _ in range(rows):
        trail.record(TrailAction.VIEW, by=ines, row=runner, client=runner)
    client.force_login(manager)

    # session, person, roles; count; head and line of the trail; rows; people of the form; site
    with django_assert_num_queries(9):
        assert len(lines(client.get(reverse("trail-list")))) == rows
    # session, person, roles; client; head, line; count, rows; the strip: alerts, holds,
    # site
    with django_assert_num_queries(12):
        page = client.get(reverse("client-trail", args=[runner.pk]))
    assert len(lines(page)) == rows + 1


def test_trail_of_a_record_names_all_that_was_done(client, manager, ines, runner, three):
    trail.record(TrailAction.PRINT, by=ines, row=runner, client=runner)
    client.force_login(ines)

    shown = lines(client.get(reverse("client-trail", args=[runner.pk])))

    acts = [line.partition("(clinician) ")[2] for line in shown]
    assert sorted(acts) == [
        "opened the record command line",
        "opened the trail 127.0.0.1",
        "printed the record command line",
    ]


def test_trail_of_a_record_is_of_its_site_and_clinical(client, runner):
    address = reverse("client-trail", args=[runner.pk])

    client.force_login(StaffFactory(home_site=SiteFactory(code="QY", name="Quayside")))
    assert client.get(address).status_code == 404
    client.force_login(StaffFactory(role=Role.RECEPTION))
    assert client.get(address).status_code == 403
    client.logout()
    assert client.get(address).status_code == 302


def test_record_leads_to_its_trail(client, ines, runner):
    client.force_login(ines)

    page = client.get(reverse("client-open", args=[runner.pk])).content.decode()

    assert f'href="/clients/{runner.pk}/trail/"' in page
