"""The second factor by keyboard alone: from the first sign-in to today's page, and later."""

import re

import pytest
from django.contrib.sessions.models import Session
from django.core.cache import cache

from tests.browser.conftest import PASS_PHRASE
from tests.factories.factors import SECRET, code_of, give_app

pytestmark = pytest.mark.browser


@pytest.fixture(autouse=True)
def asked(settings):
    settings.SECOND_FACTOR = True
    yield
    cache.clear()


def tab_to(page, name):
    """Walk with Tab until the focus is on the link, button or field of this name."""
    for _ in range(40):
        page.keyboard.press("Tab")
        focused = page.evaluate(
            "() => (document.activeElement.labels?.[0] ?? document.activeElement).innerText.trim()"
        )
        if focused.startswith(name):
            return
    pytest.fail(f"Tab does not reach {name!r}")


def sign_in_by_keys(page, address, name):
    page.goto(address + "/accounts/login/")
    page.keyboard.type(name)  # the field has the focus
    page.keyboard.press("Tab")
    page.keyboard.type(PASS_PHRASE)
    page.keyboard.press("Enter")


def test_app_is_set_up_by_keyboard(hand, clinic_of_test):
    page = hand.page
    sign_in_by_keys(page, hand.address, "ines")
    page.get_by_role("heading", name="Set up the second step").wait_for()
    hand.check("set up the second step")

    tab_to(page, "Set up the app")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Set up the authenticator app").wait_for()
    hand.check("set up the app")
    secret = page.locator("code").inner_text()
    tab_to(page, "Authenticator code")
    page.keyboard.type(code_of(secret))
    page.keyboard.press("Enter")

    page.get_by_text("They are shown this once.").wait_for()
    hand.check("recovery codes")
    codes = page.locator(".recovery-codes code").all_inner_texts()
    assert len(codes) == 10
    assert all(re.fullmatch(r"\d{4} \d{4} \d{4}", code) for code in codes)
    tab_to(page, "Print")
    tab_to(page, "I have kept them")
    page.keyboard.press("Enter")
    page.wait_for_url(hand.address + "/")


def test_ended_sign_in_is_renewed_with_the_code(hand, clinic_of_test):
    page = hand.page
    give_app(clinic_of_test["ines"])
    sign_in_by_keys(page, hand.address, "ines")
    page.get_by_role("heading", name="Second step").wait_for()
    hand.check("second step")
    tab_to(page, "Code")
    page.keyboard.type(code_of(SECRET))
    page.keyboard.press("Enter")
    page.wait_for_url(hand.address + "/")
    page.clock.install()
    hand.go("/clients/new/")
    page.get_by_label("Family name").fill("Fenwick")
    Session.objects.all().delete()
    cache.clear()  # the code of this half minute was used

    page.clock.fast_forward(31 * 60_000)
    page.clock.run_for(1100)
    dialog = page.get_by_role("dialog", name="Sign in again")
    dialog.get_by_label("Name you sign in with").fill("ines")
    dialog.get_by_label("Password", exact=True).fill(PASS_PHRASE)
    page.keyboard.press("Enter")
    dialog.get_by_label("Code").fill(code_of(SECRET))
    page.keyboard.press("Enter")
    dialog.wait_for(state="detached")

    page.get_by_label("Family name").wait_for()  # the page is uncovered
    assert page.get_by_label("Family name").input_value() == "Fenwick"
