"""Sign-in, sign-out, failures and refusals each leave one line, and nothing of what was typed."""

import json

import pytest
from allauth.mfa.models import Authenticator
from django.core.cache import cache
from django.urls import reverse

from clinic.accounts import SealedFactors
from clinic.domain.vocabulary import Role
from clinic.models import TrailEntry
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD

SECRET = "JBSWY3DPEHPK3PXP"
WRONG = "not-the-password"


@pytest.fixture
def staff(db):
    yield StaffFactory(username="imarlow", role=Role.RECEPTION)
    cache.clear()


def sign_in(browser, name, password, **headers):
    fields = {"login": name, "password": password}
    return browser.post(reverse("account_login"), fields, headers=headers)


def only_line():
    line = TrailEntry.objects.get()
    return line.action, line.actor, line.role, line.object_kind, line.object_key, line.detail


def everything_kept():
    return json.dumps(list(TrailEntry.objects.values()), default=str)


def test_sign_in_stands_in_the_trail(client, staff):
    sign_in(client, "imarlow", PASSWORD)

    assert only_line() == ("sign_in", staff, "reception", "staff", str(staff.pk), {})
    line = TrailEntry.objects.get()
    assert (line.origin, line.site) == ("127.0.0.1", staff.home_site)


def test_sign_out_stands_in_the_trail(client, staff):
    client.force_login(staff)

    client.post(reverse("account_logout"))

    assert only_line() == ("sign_out", staff, "reception", "staff", str(staff.pk), {})


@pytest.mark.parametrize("name", ["imarlow", "IMarlow"])
def test_wrong_password_stands_under_the_account(client, staff, name):
    sign_in(client, name, WRONG)

    why = {"why": "password"}
    assert only_line() == ("sign_fail", staff, "reception", "staff", str(staff.pk), why)
    assert WRONG not in everything_kept()


def test_name_that_nobody_has_is_not_kept(client, staff):
    sign_in(client, "kettle-typed-in-the-wrong-field", WRONG)

    assert only_line() == ("sign_fail", None, "", "staff", "", {"why": "password"})
    assert "kettle" not in everything_kept()


def test_try_after_too_many_stands_in_the_trail(client, staff):
    for _ in range(5):
        sign_in(client, "imarlow", WRONG)
    sign_in(client, "imarlow", PASSWORD)

    lines = TrailEntry.objects.order_by("pk").values_list("action", "detail__why")
    assert list(lines) == [("sign_fail", "password")] * 5 + [("sign_fail", "too many")]


def test_wrong_code_stands_under_the_account(client, staff):
    sealed = SealedFactors().encrypt(SECRET)
    Authenticator.objects.create(user=staff, type="totp", data={"secret": sealed})
    sign_in(client, "imarlow", PASSWORD)
    assert not TrailEntry.objects.exists()  # not in yet

    client.post(reverse("mfa_authenticate"), {"code": "000001"})

    why = {"why": "second factor"}
    assert only_line() == ("sign_fail", staff, "reception", "staff", str(staff.pk), why)
    assert "000001" not in everything_kept()


def test_failure_does_not_use_up_the_act_of_its_request(client, staff):
    act = "0b3f1c1e-54a2-4a43-9d7e-55b0a1d8c3aa"
    for _ in range(2):
        sign_in(client, "imarlow", WRONG, X_Act=act)

    assert list(TrailEntry.objects.values_list("action", "act")) == [("sign_fail", None)] * 2


def test_page_of_another_role_is_a_refusal(client, staff):
    runner = ClientFactory(site=staff.home_site)
    client.force_login(staff)

    response = client.get(reverse("history-open", args=[runner.pk]))

    assert response.status_code == 403
    detail = {"page": "history-open", "pk": runner.pk}
    assert only_line() == ("refuse", staff, "reception", "page", "", detail)


def test_guessing_shows(client, staff):
    elsewhere = ClientFactory(site=SiteFactory(code="QY", name="Quayside"))
    client.force_login(staff)

    for pk in (elsewhere.pk, 999999):
        assert client.get(reverse("client-open", args=[pk])).status_code == 404

    lines = TrailEntry.objects.order_by("pk").values_list("action", "object_kind", "client")
    assert list(lines) == [("refuse", "not found", None)] * 2
    assert [line.detail["pk"] for line in TrailEntry.objects.order_by("pk")] == [
        elsewhere.pk,
        999999,
    ]


def test_words_of_an_address_are_not_kept(client, staff):
    client.force_login(StaffFactory())

    assert client.get(reverse("exercise-open", args=["orla_fenwick"])).status_code == 404

    assert TrailEntry.objects.get().detail == {"page": "exercise-open"}


def test_address_that_leads_nowhere_is_no_line(client, staff):
    client.force_login(staff)

    assert client.get("/nothing/orla-fenwick/").status_code == 404

    assert not TrailEntry.objects.exists()


def test_page_that_opens_is_no_refusal(client, staff):
    client.force_login(staff)

    assert client.get(reverse("client-list")).status_code == 200

    assert not TrailEntry.objects.filter(action="refuse").exists()
