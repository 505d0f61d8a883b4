"""Check SS-01: tokens and cookies of sign-ins; the list of one's own, and their end.

Source: OWASP ASVS 5.0.0, 3.3.1 to 3.3.4, 7.2.4, 7.4.1 to 7.4.3, 7.5.2.
"""

import json
import os
import re
import subprocess
import sys

import pytest
from django.core.cache import cache
from django.test import Client as Browser
from django.urls import reverse

from clinic.models import TrailEntry
from clinic.services.sign_ins import end_sign_ins, standing
from tests.factories import StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.factors import sign_in

FIREFOX = "Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0"
READ = """
import json
from clinic.web import settings as s
print(json.dumps([s.SESSION_COOKIE_NAME, s.SESSION_COOKIE_SECURE, s.SESSION_COOKIE_HTTPONLY,
                  s.CSRF_COOKIE_NAME, s.CSRF_COOKIE_SECURE, s.KNOWN_COOKIE_NAME]))
"""


@pytest.fixture
def ines(db):
    yield StaffFactory(username="imarlow")
    cache.clear()


def token(browser, settings):
    return browser.cookies[settings.SESSION_COOKIE_NAME].value


def with_token(value, settings):
    browser = Browser()
    browser.cookies[settings.SESSION_COOKIE_NAME] = value
    return browser


def is_in(browser):
    return browser.get("/clients/").status_code == 200


def signed_in(**extra):
    browser = Browser()
    assert sign_in(browser, "imarlow", PASSWORD, **extra).url == "/"
    return browser


def test_names_of_cookies_bind_them_to_the_host(tmp_path):
    environment = {**os.environ, "CLINIC_HTTPS": "yes", "CLINIC_DATA": str(tmp_path)}
    read = subprocess.run(
        [sys.executable, "-c", READ], env=environment, capture_output=True, check=True, text=True
    )

    assert json.loads(read.stdout) == [
        "__Host-sessionid",
        True,
        True,
        "__Host-csrftoken",
        True,
        "__Host-known",
    ]


def test_cookies_have_all_attributes(ines, settings):
    settings.SESSION_COOKIE_SECURE = settings.CSRF_COOKIE_SECURE = True
    settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME = "__Host-sessionid", "__Host-csrf"
    settings.KNOWN_COOKIE_NAME = "__Host-known"
    browser = Browser()
    browser.get("/accounts/login/", secure=True)

    cookies = sign_in(browser, "imarlow", PASSWORD, secure=True).cookies

    kept = {
        name: (one["secure"], one["httponly"], one["samesite"], one["path"], one["domain"])
        for name, one in cookies.items()
    }
    # the page's script reads no cookie, but Django's own defence sets its cookie readable
    assert kept == {
        "__Host-sessionid": (True, True, "Lax", "/", ""),
        "__Host-known": (True, True, "Lax", "/", ""),
        "__Host-csrf": (True, "", "Lax", "/", ""),
    }


def test_token_is_new_at_sign_in_and_long_enough(ines, settings):
    browser = Browser()
    browser.get("/accounts/login/")
    session = browser.session
    session["before"] = "something"
    session.save()
    browser.cookies[settings.SESSION_COOKIE_NAME] = session.session_key

    sign_in(browser, "imarlow", PASSWORD)

    assert token(browser, settings) != session.session_key
    assert not is_in(with_token(session.session_key, settings))
    # 32 signs of 36: 165 bits, of at least 128 (ASVS 7.2.3)
    assert re.fullmatch(r"[a-z0-9]{32}", token(browser, settings))


def test_old_token_is_refused_after_sign_out(ines, settings):
    browser = signed_in()
    old = token(browser, settings)
    assert is_in(with_token(old, settings))

    browser.post(reverse("account_logout"))

    assert not is_in(with_token(old, settings))


def test_old_tokens_are_refused_after_a_password_change_elsewhere(ines, settings):
    here, there = signed_in(), signed_in()
    before = token(here, settings)
    new = "seven herons at low tide"

    here.post(
        reverse("account_change_password"),
        {"oldpassword": PASSWORD, "password1": new, "password2": new},
    )

    assert is_in(here)
    assert not is_in(there)
    assert not is_in(with_token(before, settings))


def test_disabled_account_is_out_at_once(ines):
    browser = signed_in()
    ines.is_active = False
    ines.save()

    assert not is_in(browser)


def test_list_shows_where_one_is_signed_in(ines):
    signed_in(HTTP_USER_AGENT=FIREFOX, REMOTE_ADDR="10.0.0.7")
    here = signed_in()
    StaffFactory(username="rose")
    sign_in(Browser(), "rose", PASSWORD, REMOTE_ADDR="10.9.9.9")

    page = here.get(reverse("sign-in-list")).content.decode()

    assert page.count("<tr>") == 3
    assert page.count("this one") == 1
    assert "Firefox on Linux" in page
    assert "10.0.0.7" in page
    assert "10.9.9.9" not in page


def test_one_other_is_ended_and_this_one_never(ines):
    other, third, here = signed_in(), signed_in(), signed_in()
    newest, _, oldest = standing(ines)

    for one in (oldest, newest):
        here.post(reverse("sign-in-end"), {"number": one.pk})

    assert [is_in(browser) for browser in (other, third, here)] == [False, True, True]
    line = TrailEntry.objects.get(action="sign_out")
    assert (line.actor, line.detail) == (ines, {"why": "ended", "number": 1})


def test_all_others_are_ended(ines):
    others, here = [signed_in(), signed_in()], signed_in()

    page = here.post(reverse("sign-in-end"), follow=True).content.decode()

    assert "2 sign-ins ended." in page
    assert [is_in(browser) for browser in [*others, here]] == [False, False, True]


@pytest.mark.parametrize("number", ["-1", "x", "²", "999999999999"])
def test_sign_in_of_somebody_else_is_not_ended(ines, number):
    StaffFactory(username="rose")
    rose = Browser()
    sign_in(rose, "rose", PASSWORD)
    theirs = standing(type(ines).objects.get(username="rose"))[0].pk
    here = signed_in()

    here.post(reverse("sign-in-end"), {"number": theirs})
    here.post(reverse("sign-in-end"), {"number": number})

    assert is_in(rose)
    assert is_in(here)


def test_ended_by_time_or_password_is_not_listed(ines, settings):
    signed_in()
    assert len(standing(ines)) == 1

    ines.set_password("seven herons at low tide")
    assert standing(ines) == []


def test_ending_none_leaves_no_line(ines):
    assert end_sign_ins(staff=ines, by=ines) == 0
    assert not TrailEntry.objects.exists()


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_of_the_list_do_not_grow(ines, rows, django_assert_num_queries):
    for n in range(rows):
        signed_in(REMOTE_ADDR=f"10.0.0.{n}")
    here = signed_in(REMOTE_ADDR="10.0.1.1")

    # session, person, roles; rows and their sessions; site
    with django_assert_num_queries(6):
        page = here.get(reverse("sign-in-list")).content.decode()
    assert page.count("<tr>") == rows + 2
