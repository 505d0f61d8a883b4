"""Who may do what, tried: every page, every role, every method against fixtures/rights/access.csv.

Source of what is asked: OWASP ASVS 5.0.0, 8.1.1, 8.2.1, 8.2.2, 8.3.1 (rules written down, enforced
for every object), 3.5.3 (GET changes nothing). Cells: "no"; "look" (GET and HEAD); "change"
(POST); "look and change"; "look and search" (POST too, which stores nothing but its line in the
trail).
"""

import csv
import re
from dataclasses import dataclass
from functools import cache

import pytest
from django.apps import apps
from django.conf import settings
from django.core.cache import cache as site_cache
from django.db import connection, transaction
from django.urls import reverse

from clinic.domain.vocabulary import Role
from tests.factories import SiteFactory, StaffFactory
from tests.structure.doors import World, our_doors

pytestmark = pytest.mark.django_db
READING, CHANGING = ("GET", "HEAD"), ("POST",)
OTHERS = ("PUT", "PATCH", "DELETE", "OPTIONS", "TRACE")
# what every look leaves behind: its line, the time of the sign-in, who has a page open
LEFT_BEHIND = {
    "clinic_trailentry",
    "clinic_trailhead",
    "django_session",
    "usersessions_usersession",
    "cache",
}
REFUSED = {403, 405}
LOOKED = {200, 204, 302}
TAKEN = {200, 204, 302, 400, 404, 409, 422}
# what differs from answer to answer: its reference, the value against forged requests, seconds
ONCE = re.compile(rb'[0-9A-F]{4}-[0-9A-F]{4}|[A-Za-z0-9]{64}|data-(idle|whole)="\d+"')


@cache
def table():
    text = (settings.REFERENCE_DIR / "rights" / "access.csv").read_text(encoding="utf-8")
    return {row["page"]: row for row in csv.DictReader(text.splitlines())}


def doors():
    return pytest.mark.parametrize("door", our_doors(), ids=lambda door: door.name)


@dataclass
class Cell:
    """What the table says of one role on one page."""

    words: str

    @property
    def looks(self):
        return self.words.startswith("look")

    @property
    def changes(self):
        return self.words in {"change", "look and change", "look and search"}


def cell(door, who):
    if door.name not in table():
        pytest.fail(f"add a row for {door.name} ({door.route}) to fixtures/rights/access.csv")
    return Cell(table()[door.name][who])


@pytest.fixture
def staff_of(db):
    yield {role: StaffFactory(role=role) for role in Role}
    site_cache.clear()


@pytest.fixture
def world(staff_of, edition):
    return World(staff_of[Role.CLINICIAN], edition)


def stored():
    """Every row of every table but what a look leaves behind."""
    found = {}
    with connection.cursor() as cursor:
        for model in apps.get_models(include_auto_created=True):
            name = model._meta.db_table
            if name not in LEFT_BEHIND:
                columns = [it.column for it in model._meta.concrete_fields]
                # signing in tells when somebody was here last
                kept = [it for it in columns if (name, it) != ("clinic_staff", "last_login")]
                asked = ", ".join(map(connection.ops.quote_name, kept))
                cursor.execute(f"SELECT {asked} FROM {connection.ops.quote_name(name)}")  # noqa: S608
                found[name] = sorted(map(repr, cursor.fetchall()))
    return found


def knock(browser, method, address):
    """The answer, and afterwards everything is as before."""
    with transaction.atomic():
        response = browser.generic(method, address)
        if response.streaming:
            b"".join(response.streaming_content)  # a file is closed when it was read to its end
        transaction.set_rollback(True)
    return response


def test_the_table_names_no_page_that_is_gone():
    assert set(table()) - {door.name for door in our_doors()} == set()


def test_the_table_has_a_column_for_every_role():
    assert {*Role, "nobody", "objects", "page"} == set(next(iter(table().values())))


@doors()
def test_the_code_says_what_the_table_says(door):
    roles = getattr(door.view, "roles", None)
    if roles is None:
        assert cell(door, "nobody").looks
    else:
        assert {role for role in Role if cell(door, role).words != "no"} == roles


@doors()
def test_nobody_gets_in_by_any_method(client, world, door):
    if cell(door, "nobody").words != "no":
        return
    address = door.address(world)

    for method in (*READING, *CHANGING, *OTHERS):
        response = client.generic(method, address)
        assert (response.status_code, response.url[:23]) == (302, "/accounts/login/?next=/"), (
            method
        )


@doors()
def test_every_role_gets_what_its_cell_says(client, staff_of, world, door):
    address = door.address(world)

    for role, staff in staff_of.items():
        client.force_login(staff)
        said = cell(door, role)
        for method in (*READING, *CHANGING, *OTHERS):
            status = knock(client, method, address).status_code
            allowed = said.looks if method in READING else said.changes
            if allowed and method not in OTHERS:
                # a page may answer GET and not HEAD; an empty form is refused with 4xx
                fine = LOOKED if method in READING else TAKEN
                assert status in fine | ({405} if method == "HEAD" else set()), (role, method)
            else:
                assert status in REFUSED, (role, method, status)


@doors()
def test_looking_changes_nothing(client, staff_of, world, door):
    address = door.address(world)
    browsers = [staff for role, staff in staff_of.items() if cell(door, role).looks]
    before = stored()

    for staff in browsers:
        client.force_login(staff)
        for method in READING:
            client.generic(method, address)

    after = stored()
    assert {name for name in before if before[name] != after[name]} == set()


# objects of others


def of_a_site():
    return [
        door
        for door in our_doors()
        if door.arguments and table().get(door.name, {}).get("objects") == "own sites"
    ]


def gone(door, world):
    """The address of the same page with numbers that nobody has."""
    kwargs = {
        name: (10**9 if isinstance(world[word, name], int) else world[word, name])
        for word, name in door.arguments
    }
    return reverse(door.name, kwargs=kwargs)


@pytest.mark.parametrize("door", of_a_site(), ids=lambda door: door.name)
def test_an_object_of_another_site_is_as_if_it_did_not_exist(client, staff_of, world, door):
    elsewhere = SiteFactory(code="QY", name="Quay")
    strangers = {role: StaffFactory(home_site=elsewhere, role=role) for role in Role}
    here, nowhere = door.address(world), gone(door, world)
    assert here != nowhere
    before = stored()

    for role, stranger in strangers.items():
        if cell(door, role).words == "no":
            continue
        client.force_login(stranger)
        for method in (*READING, *CHANGING):
            there, none = (client.generic(method, it) for it in (here, nowhere))
            assert there.status_code == none.status_code, (role, method)
            assert there.status_code in {404, 405}, (role, method)
            assert ONCE.sub(b"", there.content) == ONCE.sub(b"", none.content)

    after = stored()
    assert {name for name in before if before[name] != after[name]} == set()
