"""Getting in and out: one answer for every wrong sign-in, and an end to guessing."""

import re

import pytest
from allauth.mfa.models import Authenticator
from django.core.cache import cache
from django.test import Client as Browser
from django.urls import reverse

from clinic.accounts import SealedFactors
from tests.factories import StaffFactory
from tests.factories.factors import code_of

PASSWORD = "kettle-orchard-window"


@pytest.fixture
def staff(db):
    person = StaffFactory(username="imarlow", email="ines@example.org")
    person.set_password(PASSWORD)
    person.save()
    yield person
    cache.clear()


def sign_in(browser, name, password):
    return browser.post(reverse("account_login"), {"login": name, "password": password})


def sign_in_twice(browser):
    """What changes the way of signing in asks for the password once more."""
    sign_in(browser, "imarlow", PASSWORD)
    browser.post(reverse("account_reauthenticate"), {"password": PASSWORD})


def answer(response):
    """The page without what differs on every request."""
    page = re.sub(r'value="[^"]*"', "", response.content.decode())
    return response.status_code, page


def test_right_password_opens_today(client, staff):
    response = sign_in(client, "imarlow", PASSWORD)

    assert (response.status_code, response.url) == (302, "/")
    assert client.session["_auth_user_id"] == str(staff.pk)


def test_sign_in_ends_with_the_browser(client, staff, settings):
    response = sign_in(client, "imarlow", PASSWORD)

    cookie = response.cookies[settings.SESSION_COOKIE_NAME]
    assert (cookie["max-age"], cookie["httponly"], cookie["samesite"]) == ("", True, "Lax")


def test_unknown_name_and_wrong_password_get_the_same_answer(client, staff):
    wrong = sign_in(client, "imarlow", "not-the-password")
    unknown = sign_in(client, "nobody", "not-the-password")

    assert answer(wrong) == answer(unknown)
    assert "Name and password do not belong together. Try again." in wrong.content.decode()
    assert "_auth_user_id" not in client.session


def test_typed_name_stays_after_a_wrong_password(client, staff):
    page = sign_in(client, "imarlow", "not-the-password").content.decode()

    assert 'value="imarlow"' in page
    assert "not-the-password" not in page
    assert "<title>Error: Sign in" in page


def test_after_five_wrong_passwords_the_right_one_is_refused(client, staff):
    for _ in range(5):
        sign_in(client, "imarlow", "not-the-password")

    response = sign_in(client, "imarlow", PASSWORD)

    assert response.status_code == 200
    assert "Too many wrong tries. Wait five minutes" in response.content.decode()
    assert "_auth_user_id" not in client.session


def test_after_four_wrong_passwords_the_right_one_opens(client, staff):
    for _ in range(4):
        sign_in(client, "imarlow", "not-the-password")

    assert sign_in(client, "imarlow", PASSWORD).status_code == 302


def test_nobody_signs_themselves_up(client, db):
    fields = {"username": "newcomer", "password1": PASSWORD, "password2": PASSWORD}

    response = client.post(reverse("account_signup"), fields)

    assert "Accounts are opened by the clinic" in response.content.decode()
    assert not StaffFactory._meta.model.objects.exists()


def test_sign_out_ends_the_session(client, staff):
    client.force_login(staff)

    response = client.post(reverse("account_logout"))

    assert (response.status_code, response.url) == (302, reverse("account_login"))
    assert "_auth_user_id" not in client.session


def test_closed_account_stays_out(client, staff):
    staff.is_active = False
    staff.save()

    sign_in(client, "imarlow", PASSWORD)

    assert "_auth_user_id" not in client.session


def test_next_page_of_another_host_is_not_followed(client, staff):
    fields = {"login": "imarlow", "password": PASSWORD, "next": "https://elsewhere.example/"}

    response = client.post(reverse("account_login"), fields)

    assert response.url == "/"


def test_answer_from_an_old_page_is_refused_calmly(staff):
    browser = Browser(enforce_csrf_checks=True)

    response = sign_in(browser, "imarlow", PASSWORD)

    assert response.status_code == 403
    assert "What you typed is still in it" in response.content.decode()


@pytest.mark.parametrize(
    "name",
    [
        "account_login",
        "account_signup",
        "account_inactive",
        "account_reset_password",
        "account_reset_password_done",
        "account_reset_password_from_key_done",
    ],
)
def test_page_before_sign_in_is_drawn_in_our_shell(client, db, name):
    page = client.get(reverse(name)).content.decode()

    assert page.count("<h1>") == 1
    assert 'href="#main"' in page
    assert "Sign out" not in page


@pytest.mark.parametrize(
    "name",
    [
        "account_logout",
        "account_change_password",
        "account_reauthenticate",
        "mfa_index",
        "mfa_activate_totp",
        "mfa_list_webauthn",
    ],
)
def test_page_about_ones_own_account_is_drawn_in_our_shell(client, staff, name):
    sign_in_twice(client)

    page = client.get(reverse(name)).content.decode()

    assert page.count("<h1>") == 1
    assert "Larkfield Running Clinic, Mill Lane" in page
    assert "Sign out" in page


def test_nobody_changes_their_own_address(client, staff):
    sign_in_twice(client)
    address = reverse("account_email")

    page = client.get(address, follow=True).content.decode()
    changed = client.post(address, {"action_add": "", "email": "other@example.org"})

    assert "changed by the clinic’s manager" in page
    assert changed.status_code == 405


@pytest.fixture
def app_secret(client, staff, settings):
    """Secret of an authenticator app that was set up through the pages."""
    settings.MFA_ADAPTER = "clinic.accounts.SealedFactors"
    sign_in_twice(client)
    secret = client.get(reverse("mfa_activate_totp")).context["form"].secret
    response = client.post(reverse("mfa_activate_totp"), {"code": code_of(secret)})
    assert response.status_code == 302
    return secret


def test_changing_the_second_step_asks_for_the_password_again(client, staff):
    sign_in(client, "imarlow", PASSWORD)

    response = client.get(reverse("mfa_activate_totp"))

    assert response.url.startswith(reverse("account_reauthenticate"))


def test_app_code_is_asked_after_the_password(client, app_secret):
    client.logout()

    asked = sign_in(client, "imarlow", PASSWORD)
    before = "_auth_user_id" in client.session
    page = client.get(asked.url).content.decode()
    wrong = client.post(asked.url, {"code": "000000"}).content.decode()

    assert asked.url == reverse("mfa_authenticate")
    assert not before
    assert page.count("<h1>") == 1
    assert "This code is not right" in wrong
    assert client.post(asked.url, {"code": code_of(app_secret)}).url == "/"


def test_code_opens_only_once(client, app_secret):
    code = code_of(app_secret)
    client.logout()
    first = client.post(sign_in(client, "imarlow", PASSWORD).url, {"code": code})
    client.logout()

    page = client.post(sign_in(client, "imarlow", PASSWORD).url, {"code": code}).content.decode()

    assert first.url == "/"
    assert "This code is not right" in page
    assert "_auth_user_id" not in client.session


def test_secret_of_an_app_is_stored_sealed(app_secret):
    stored = Authenticator.objects.get(type=Authenticator.Type.TOTP).data["secret"]

    assert app_secret not in stored
    assert SealedFactors().decrypt(stored) == app_secret


@pytest.mark.parametrize(
    "name",
    [
        "mfa_index",
        "mfa_deactivate_totp",
        "mfa_view_recovery_codes",
        "mfa_generate_recovery_codes",
        "mfa_reauthenticate",
        "mfa_add_webauthn",
    ],
)
def test_page_about_the_second_step_is_drawn_in_our_shell(client, app_secret, name):
    page = client.get(reverse(name)).content.decode()

    assert page.count("<h1>") == 1
    assert "Sign out" in page


def test_seal_opens_after_the_key_was_changed(settings):
    settings.SECRET_KEY = "the first key"
    sealed = SealedFactors().encrypt("JBSWY3DPEHPK3PXP")

    settings.SECRET_KEY, settings.SECRET_KEY_FALLBACKS = "the second key", ["the first key"]

    assert SealedFactors().decrypt(sealed) == "JBSWY3DPEHPK3PXP"


def test_password_reset_tells_nothing_about_the_address(client, staff):
    address = reverse("account_reset_password")

    known = client.post(address, {"email": "ines@example.org"})
    unknown = client.post(address, {"email": "nobody@example.org"})

    assert (known.status_code, known.url) == (unknown.status_code, unknown.url)
