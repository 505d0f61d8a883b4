"""The warning before a sign-in ends: heard, answered by one key, and nothing typed is lost."""

import re

import pytest
from django.contrib.sessions.backends.db import SessionStore
from django.contrib.sessions.models import Session

from clinic.models import Client
from clinic.time_limits import ACTIVE, BEGAN
from tests.browser.conftest import PASS_PHRASE

pytestmark = pytest.mark.browser

PAGE = "/clients/new/"
MINUTES = 60_000


def pass_time(page, minutes):
    """Time goes by, for the page and for the server."""
    for row in Session.objects.all():
        store = SessionStore(row.session_key)
        store[ACTIVE] = store[ACTIVE] - minutes * 60
        store[BEGAN] = store[BEGAN] - minutes * 60
        store.save()
    page.clock.fast_forward(minutes * MINUTES)
    page.clock.run_for(1100)


@pytest.fixture
def page_at_work(hand, clinic_of_test):
    hand.page.clock.install()
    hand.sign_in("ines")
    hand.go(PAGE)
    hand.page.get_by_label("Family name").fill("Fenwick")
    return hand.page


def warning(page):
    return page.get_by_role("alertdialog")


def last_use():
    (row,) = Session.objects.all()
    return SessionStore(row.session_key)[ACTIVE]


@pytest.mark.parametrize("key", ["Enter", "Space", "Escape"])
def test_one_key_extends(hand, page_at_work, key):
    page = page_at_work
    pass_time(page, 26)
    assert warning(page).count() == 0
    pass_time(page, 1)
    warning(page).wait_for()
    hand.check("warning before the end")
    before = last_use()

    page.keyboard.press(key)
    warning(page).wait_for(state="detached")

    assert last_use() - before >= 26 * 60
    assert page.get_by_label("Family name").input_value() == "Fenwick"
    assert page.title().startswith("Register a client")


def test_warning_takes_the_focus_and_says_what_is_left(page_at_work):
    page = page_at_work
    pass_time(page, 27)
    warning(page).wait_for()

    described = page.evaluate(
        """() => document.querySelector('dialog').getAttribute('aria-describedby').split(' ')
          .map((id) => document.getElementById(id).textContent).join(' ')"""
    )

    assert page.evaluate("document.activeElement.textContent") == "Stay signed in"
    assert "Nothing was done here for a while" in described
    minutes, seconds = (int(word) for word in described.split() if word.isdigit())
    assert minutes * 60 + seconds >= 120
    assert page.title().startswith("Sign-in ends in")


def test_page_is_covered_at_the_end_and_goes_on_where_it_was(hand, page_at_work):
    page = page_at_work
    page.get_by_label("Given names").fill("Orla")
    page.locator("#id_birth_date").fill("12.4.1990")
    page.locator("#id_sex_for_norms").select_option("f")
    pass_time(page, 31)
    dialog = page.get_by_role("dialog", name="Sign in again")
    dialog.wait_for()
    assert not page.get_by_label("Family name").is_visible()
    hand.check("ended")

    dialog.get_by_label("Name you sign in with").fill("ines")
    dialog.get_by_label("Password", exact=True).fill(PASS_PHRASE)
    page.keyboard.press("Enter")
    dialog.wait_for(state="detached")
    page.get_by_label("Family name").wait_for()
    page.get_by_role("button", name="Register", exact=True).click()

    page.wait_for_url(re.compile(r"/clients/\d+/$"))
    assert Client.objects.get().family_name == "Fenwick"


def test_somebody_else_does_not_see_the_page(page_at_work, live_server):
    page = page_at_work
    pass_time(page, 31)
    dialog = page.get_by_role("dialog", name="Sign in again")
    dialog.get_by_label("Name you sign in with").fill("rose")
    dialog.get_by_label("Password", exact=True).fill(PASS_PHRASE)
    page.keyboard.press("Enter")

    page.wait_for_url(live_server.url + "/")


def test_typing_in_one_field_counts_as_use(page_at_work):
    page = page_at_work
    pass_time(page, 20)
    before = last_use()

    page.get_by_label("Family name").press("s")
    with page.expect_response("**/sign-in/extend/"):
        page.clock.run_for(1100)

    assert last_use() > before
    pass_time(page, 25)
    assert warning(page).count() == 0


def test_twelve_hours_are_told_and_not_extended(page_at_work):
    page = page_at_work
    for row in Session.objects.all():
        store = SessionStore(row.session_key)
        store[BEGAN] = store[BEGAN] - (12 * 60 - 3) * 60
        store.save()
    page.reload()
    page.clock.run_for(1100)
    warning(page).wait_for()

    assert "cannot be made longer" in warning(page).inner_text()
    page.keyboard.press("Enter")
    warning(page).wait_for(state="detached")
    page.clock.run_for(5000)
    assert warning(page).count() == 0


def test_page_goes_on_when_its_reader_signs_in_elsewhere(hand, page_at_work, live_server):
    page = page_at_work
    pass_time(page, 31)
    dialog = page.get_by_role("dialog", name="Sign in again")
    dialog.wait_for()

    other = page.context.new_page()
    other.goto(live_server.url + "/accounts/login/")
    other.get_by_label("Name you sign in with").fill("ines")
    other.get_by_label("Password", exact=True).fill(PASS_PHRASE)
    other.keyboard.press("Enter")
    other.wait_for_url(live_server.url + "/")
    page.clock.run_for(4100)

    dialog.wait_for(state="detached")
    page.get_by_label("Family name").wait_for()
    assert page.get_by_label("Family name").input_value() == "Fenwick"
