"""A second factor is asked of everybody, guessed by nobody, and lost without a way around it.

Source: OWASP ASVS 5.0.0, 6.3.3, 6.4.3, 6.5.1 to 6.5.5.
"""

import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from django.core.cache import cache
from django.test import Client as Browser
from django.urls import reverse

from clinic.domain.vocabulary import Role
from clinic.models import TrailEntry
from tests.factories import StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.factors import code_of, give_app, sign_in

START = datetime(2027, 3, 15, 9, tzinfo=UTC)


@pytest.fixture
def clock(settings, transactional_db):
    settings.SECOND_FACTOR = True
    cache.clear()
    with time_machine.travel(START, tick=False) as clock:
        yield clock
    cache.clear()


@pytest.fixture
def ines(clock):
    return StaffFactory(username="imarlow", email="ines@example.org")


@pytest.mark.parametrize("role", list(Role))
def test_everybody_is_led_to_set_it_up(client, clock, role):
    staff = StaffFactory(role=role)
    client.force_login(staff)

    for address in ("/", "/clients/", "/library/", "/accounts/password/change/"):
        assert client.get(address).url == "/accounts/2fa/"
    assert client.post("/clients/new/", {"family_name": "Fen"}).url == "/accounts/2fa/"
    page = client.get("/accounts/2fa/").content.decode()
    assert "Nothing else opens before it is set up." in page
    assert "Change the password" not in page


def test_script_without_one_is_refused(client, ines):
    client.force_login(ines)

    answer = client.post("/pages/opened/", {"address": "/"}, headers={"X-Act": "open"})

    assert answer.status_code == 403


def test_demo_asks_none_and_says_so(client, ines, settings):
    settings.SECOND_FACTOR = False

    said = client.get("/accounts/login/").content.decode()
    client.force_login(ines)

    assert "no second step is asked for" in said
    assert client.get("/clients/").status_code == 200
    assert "A second step is not asked for here" in client.get("/accounts/2fa/").content.decode()


def set_up(browser, clock):
    """From the first sign-in to the codes, without typing the password a second time."""
    assert sign_in(browser, "imarlow", PASSWORD).url == "/"
    assert browser.get("/").url == "/accounts/2fa/"
    page = browser.get(reverse("mfa_activate_totp"))
    assert page.status_code == 200
    secret = page.context["form"].secret
    answer = browser.post(reverse("mfa_activate_totp"), {"code": code_of(secret)})
    assert answer.url == reverse("mfa_view_recovery_codes")
    codes = re.findall(r"<code>([\d ]+)</code>", browser.get(answer.url).content.decode())
    return secret, [code.replace(" ", "") for code in codes]


def test_first_sign_in_sets_it_up_and_shows_codes_once(client, ines, clock):
    _, codes = set_up(client, clock)

    assert (len(set(codes)), {len(code) for code in codes}) == (10, {12})
    assert client.get("/").status_code == 200
    again = client.get(reverse("mfa_view_recovery_codes"))
    assert again.status_code == 302  # from now on the password is asked first
    client.post(reverse("account_reauthenticate"), {"password": PASSWORD})
    page = client.get(reverse("mfa_view_recovery_codes")).content.decode()
    assert "not shown again" in page
    assert not any(code[:4] in page for code in codes)
    assert client.get(reverse("mfa_download_recovery_codes")).status_code == 403
    fields = [line.detail["fields"] for line in TrailEntry.objects.filter(action="change")]
    assert sorted(fields) == [["recovery codes"], ["second factor"]]


def test_codes_are_stored_sealed(client, ines, clock):
    _, codes = set_up(client, clock)

    stored = str([row.data for row in Authenticator.objects.all()])

    assert not any(code in stored for code in codes)


def test_recovery_code_opens_once(client, ines, clock):
    _, codes = set_up(client, clock)
    client.post(reverse("account_logout"))

    first = client.post(sign_in(client, "imarlow", PASSWORD).url, {"code": codes[0]})
    client.post(reverse("account_logout"))
    again = client.post(sign_in(client, "imarlow", PASSWORD).url, {"code": codes[0]})
    another = client.post(reverse("mfa_authenticate"), {"code": codes[1]})

    assert (first.url, again.status_code, another.url) == ("/", 200, "/")
    used = TrailEntry.objects.filter(detail__used=1, actor=ines)
    assert [line.detail["fields"] for line in used] == [["recovery codes"]] * 2
    assert client.get("/").status_code == 200


def test_setting_up_later_asks_for_the_password_again(client, ines, clock):
    sign_in(client, "imarlow", PASSWORD)
    client.get("/")
    clock.shift(timedelta(minutes=11))

    answer = client.get(reverse("mfa_activate_totp"))

    assert answer.url.startswith(reverse("account_reauthenticate"))


def codes_looked_at(clock, every):
    """How many of 150 wrong codes are compared; the password is known to who tries."""
    browser, count, address = Browser(), 0, reverse("mfa_authenticate")
    for n in range(150):
        if every or not n:
            assert sign_in(browser, "imarlow", PASSWORD).url == address
        page = browser.post(address, {"code": f"{n:06d}"}).content.decode()
        count += "This code is not right" in page
        clock.shift(every)
    return count


@pytest.mark.parametrize(("seconds", "looked_at"), [(0, 5), (61, 60), (570, 60)])
def test_guesses_at_codes_are_stopped(ines, clock, seconds, looked_at):
    give_app(ines)

    assert codes_looked_at(clock, timedelta(seconds=seconds)) == looked_at


def test_owner_gets_in_after_guesses_at_codes(ines, clock):
    secret = give_app(ines)
    codes_looked_at(clock, timedelta(seconds=0))
    clock.shift(timedelta(minutes=5, seconds=1))
    browser = Browser()

    answer = browser.post(sign_in(browser, "imarlow", PASSWORD).url, {"code": code_of(secret)})

    assert answer.url == "/"


@pytest.mark.parametrize("name", ["account_reauthenticate", "mfa_reauthenticate"])
def test_guesses_at_saying_again_who_one_is_are_stopped(client, ines, clock, name):
    secret = give_app(ines)
    client.post(sign_in(client, "imarlow", PASSWORD).url, {"code": code_of(secret)})
    field = "code" if name.startswith("mfa") else "password"

    count = 0
    for n in range(150):
        page = client.post(reverse(name), {field: f"{n:06d}"}).content.decode()
        count += ("This code is not right" in page) or ("This is not your password" in page)

    assert count == (5 if field == "code" else 10)


@pytest.mark.parametrize("offset", [-31, 31, 61])
def test_code_of_another_half_minute_is_refused(client, ines, clock, offset):
    secret = give_app(ines)
    address = sign_in(client, "imarlow", PASSWORD).url

    page = client.post(address, {"code": code_of(secret, START.timestamp() + offset)})

    assert "This code is not right" in page.content.decode()


def test_reset_by_mail_does_not_go_around_it(client, ines, clock, mailoutbox):
    give_app(ines)
    client.post(reverse("account_reset_password"), {"email": "ines@example.org"})
    (link,) = re.findall(r"https?://testserver(/\S+)", mailoutbox[0].body)
    new = "seven herons at low tide"
    address = client.get(link).url

    client.post(address, {"password1": new, "password2": new})

    assert client.get("/").url.startswith("/accounts/login/")
    assert sign_in(client, "imarlow", new).url == reverse("mfa_authenticate")
    assert client.get("/").status_code == 302
    assert Authenticator.objects.filter(user=ines, type="totp").exists()


def test_last_factor_goes_only_from_the_hand_that_holds_it(client, ines, clock):
    secret = give_app(ines)
    client.post(sign_in(client, "imarlow", PASSWORD).url, {"code": code_of(secret)})
    clock.shift(timedelta(minutes=11))
    client.post(reverse("account_reauthenticate"), {"password": PASSWORD})

    refused = client.post(reverse("mfa_deactivate_totp")).content.decode()

    assert "For another telephone sign out" in refused
    client.post(reverse("mfa_reauthenticate"), {"code": code_of(secret)})
    assert client.post(reverse("mfa_deactivate_totp")).url == reverse("mfa_index")
    assert client.get("/clients/").url == "/accounts/2fa/"


def test_new_factor_ends_the_sign_ins_without_it(ines, clock):
    old, new = Browser(), Browser()
    sign_in(old, "imarlow", PASSWORD)

    set_up(new, clock)

    assert old.get("/clients/").url.startswith("/accounts/login/")
    assert new.get("/clients/").status_code == 200


def test_last_key_goes_only_from_the_hand_that_holds_it(client, ines, clock):
    secret = give_app(ines)
    client.post(sign_in(client, "imarlow", PASSWORD).url, {"code": code_of(secret)})
    clock.shift(timedelta(minutes=11))
    client.post(reverse("account_reauthenticate"), {"password": PASSWORD})
    Authenticator.objects.filter(user=ines).delete()
    key = Authenticator.objects.create(user=ines, type="webauthn", data={"name": "Blue key"})
    address = reverse("mfa_remove_webauthn", args=[key.pk])

    page = client.post(address, follow=True).content.decode()

    assert "For another telephone sign out" in page
    assert Authenticator.objects.filter(pk=key.pk).exists()
    give_app(ines)
    assert client.post(address).url == reverse("mfa_list_webauthn")
    assert not Authenticator.objects.filter(pk=key.pk).exists()
