"""The manager's pages and the pages of an account: WCAG 2.2 A/AA by axe, and a narrow window."""

import pytest

from tests.factories.factors import give_app

pytestmark = pytest.mark.browser

PAGES = {
    "staff": "/staff/",
    "invite": "/staff/new/",
    "person": "/staff/{ines}/",
    "own account": "/staff/{max}/",
    "sites": "/sites/",
    "site new": "/sites/new/",
    "site": "/sites/{site}/",
    "room": "/sites/{site}/rooms/new/",
    "account": "/accounts/2fa/",
    "sign-ins": "/accounts/sessions/",
    "password": "/accounts/password/change/",
}
NARROW = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


def test_pages_of_accounts_and_sites(hand, clinic_of_test):
    give_app(clinic_of_test["ines"])
    places = {name: person.pk for name, person in clinic_of_test.items()}
    places["site"] = clinic_of_test["max"].home_site_id
    hand.sign_in("max")

    for name, address in PAGES.items():
        hand.go(address.format(**places))
        hand.check(name)
        hand.page.set_viewport_size({"width": 320, "height": 700})
        assert (name, hand.page.evaluate(NARROW)) == (name, 0)
        hand.page.set_viewport_size({"width": 1366, "height": 768})


def test_somebody_is_invited_and_opens_the_link(hand, clinic_of_test):
    hand.sign_in("max")
    hand.go("/staff/new/")
    page = hand.page
    for field, value in (("username", "oona"), ("first_name", "Oona"), ("last_name", "Bright")):
        page.locator(f"#id_{field}").fill(value)
    page.get_by_role("button", name="Open the account").click()
    page.locator("#error-summary").wait_for()
    hand.check("invite with errors")
    assert page.locator("#id_username").input_value() == "oona"

    page.get_by_label("reception:").check()
    page.get_by_label("Mill Lane", exact=True).first.check()
    page.get_by_role("button", name="Open the account").click()
    page.get_by_text("It is shown this once").wait_for()
    hand.check("invited")
    page.goto(page.locator("code.reference").inner_text())
    hand.check("choose a password")
    page.locator("#id_password1").fill("seven herons at low tide")
    page.locator("#id_password2").fill("seven herons at low tide")
    page.keyboard.press("Enter")

    page.get_by_text("Your password is kept.").wait_for()
    hand.check("sign in after the invitation")
