"""The first start of a clinic on the command line, and help where no manager can give it."""

import io
import re

import pytest
from django.core.cache import cache
from django.core.management import CommandError, call_command
from django.urls import reverse

from clinic.domain.vocabulary import Role
from clinic.management.commands import open_clinic
from clinic.models import AppointmentKind, Invitation, Room, Site, Staff, TrailEntry
from tests.factories import StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.factors import code_of, give_app, sign_in

NEW = "seven herons at low tide"
ANSWERS = {
    "clinic": "Brook Gait Clinic",
    "site": "Brook Street",
    "code": "BS",
    "street": "9 Brook Street; Harbourgate",
    "telephone": "01632 960300",
    "zone": "Europe/Dublin",
    "given": "Ada",
    "family": "Holm",
    "name": "Ada",
    "email": "-",
}


def opened(**changes):
    said = io.StringIO()
    call_command("open_clinic", **(ANSWERS | changes), stdout=said)
    return said.getvalue()


def link_in(said):
    return re.findall(r"https?://[^/\s]+(/invitations/\S+)", said)[0]


def test_clinic_opens_with_a_site_a_room_and_a_manager(db):
    said = opened()

    ada, site = Staff.objects.get(), Site.objects.get()
    assert (ada.username, str(ada), ada.roles) == ("ada", "Ada Holm", {Role.MANAGER})
    assert (site.address, site.time_zone) == ("9 Brook Street\nHarbourgate", "Europe/Dublin")
    assert list(ada.sites.all()) == [site] == [ada.home_site]
    assert Room.objects.get().has_treadmill
    assert AppointmentKind.objects.count() == 4
    assert "Ada Holm is the manager and signs in as ada." in said
    lines = TrailEntry.objects.order_by("pk").values_list("action", "actor", "origin")
    assert list(lines) == [
        (action, None, "command line") for action in ("create", "create", "role", "invite")
    ]


def test_link_leads_to_the_pages(db, client, settings):
    settings.SECOND_FACTOR = True
    cache.clear()
    link = link_in(opened())

    client.post(link, {"password1": NEW, "password2": NEW})
    assert sign_in(client, "ada", NEW).url == "/"
    assert client.get("/staff/").url == reverse("mfa_index")
    secret = client.get(reverse("mfa_activate_totp")).context["form"].secret
    client.post(reverse("mfa_activate_totp"), {"code": code_of(secret)})

    assert client.get("/staff/").status_code == 200
    cache.clear()


@pytest.mark.parametrize(
    ("address", "start"),
    [
        ("", "https://localhost/invitations/"),
        ("https://clinic.example.org/", "https://clinic.example.org/invitations/"),
    ],
)
def test_link_names_the_address(db, settings, address, start):
    settings.ALLOWED_HOSTS, settings.HTTPS = ["localhost"], True

    assert start in opened(address=address)


def test_second_clinic_is_refused(db):
    opened()

    with pytest.raises(CommandError, match="The clinic has a manager"):
        opened(site="Other", code="OT", name="bo")
    assert Site.objects.count() == 1


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"zone": "Europe/Atlantis"}, "--zone: There is no such time zone"),
        ({"code": "brook"}, "--code: One to four capital letters"),
        ({"name": "two words"}, "--name: Use letters, digits"),
        ({"email": "nowhere"}, "--email: Write an address such as"),
        ({"family": None}, "--family is missing: Family name"),
        ({"family": " "}, "a given and a family name"),
    ],
)
def test_bad_answer_is_named_and_nothing_saved(db, changes, said):
    with pytest.raises(CommandError, match=said):
        opened(**changes)

    assert not Site.objects.exists()
    assert not Staff.objects.exists()
    assert not TrailEntry.objects.exists()


def test_what_no_option_says_is_asked(db, monkeypatch):
    answers = {"Name of the clinic: ": "Brook", "Its time zone [Europe/London]: ": ""}
    monkeypatch.setattr(open_clinic.sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", answers.__getitem__)

    opened(clinic=None, zone=None)

    site = Site.objects.get()
    assert (site.clinic_name, site.time_zone) == ("Brook", "Europe/London")


def helped(name, **options):
    said = io.StringIO()
    call_command("help_account", name, **options, stdout=said)
    return said.getvalue()


def test_manager_without_a_password_gets_a_link(db, client):
    ada = StaffFactory(username="ada", role=Role.MANAGER)
    give_app(ada)

    client.post(link_in(helped("Ada", link=True)), {"password1": NEW, "password2": NEW})

    assert sign_in(client, "ada", NEW).url == reverse("mfa_authenticate")
    assert Invitation.objects.get().used_at
    cache.clear()


def test_lost_factor_is_taken_away_but_not_the_password(db, client):
    ada = StaffFactory(username="ada", role=Role.MANAGER)
    give_app(ada)

    assert "Taken away" in helped("ada", lost_factor=True)

    assert sign_in(client, "ada", NEW).status_code == 200
    assert sign_in(client, "ada", PASSWORD).url == "/"
    with pytest.raises(CommandError, match="no second factor"):
        helped("ada", lost_factor=True)
    cache.clear()


def test_help_needs_a_name_that_is_there(db):
    StaffFactory(username="ada", is_active=False)

    with pytest.raises(CommandError, match="No open account has the name ada"):
        helped("ada", link=True)
