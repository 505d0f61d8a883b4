"""A security key as the second factor, played by the browser's own virtual authenticator.

Source: W3C Web Authentication, level 2, section 11 (user agent automation).
"""

import pytest
from allauth.mfa.models import Authenticator
from django.core.cache import cache

from tests.browser.conftest import PASS_PHRASE

pytestmark = pytest.mark.browser
KEY = {
    "protocol": "ctap2",
    "transport": "usb",
    "hasResidentKey": False,
    "hasUserVerification": True,
    "isUserVerified": True,
    "automaticPresenceSimulation": True,
}


@pytest.fixture(autouse=True)
def asked(settings):
    settings.SECOND_FACTOR = True
    yield
    cache.clear()


@pytest.fixture
def key(page):
    """A key that is plugged in."""
    wire = page.context.new_cdp_session(page)
    wire.send("WebAuthn.enable")
    wire.send("WebAuthn.addVirtualAuthenticator", {"options": KEY})


def sign_in(hand):
    hand.go("/accounts/login/")
    hand.page.get_by_label("Name you sign in with").fill("ines")
    hand.page.get_by_label("Password", exact=True).fill(PASS_PHRASE)
    hand.page.keyboard.press("Enter")


def test_key_is_set_up_and_opens_the_account(hand, clinic_of_test, key):
    page = hand.page
    sign_in(hand)
    page.get_by_role("link", name="Add a key").click()
    page.get_by_role("heading", name="Add a key").wait_for()
    page.wait_for_load_state()  # its button works once the scripts have run
    hand.check("add a key")
    page.get_by_role("button", name="Add the key").press("Enter")
    page.get_by_text("They are shown this once.").wait_for()
    page.get_by_role("link", name="I have kept them").press("Enter")
    page.wait_for_url(hand.address + "/")
    assert [row.type for row in Authenticator.objects.exclude(type="recovery_codes")] == [
        "webauthn"
    ]

    hand.go("/accounts/2fa/webauthn/")
    hand.check("keys")
    page.get_by_role("button", name="Sign out").press("Enter")
    sign_in(hand)
    page.get_by_role("heading", name="Second step").wait_for()
    page.wait_for_load_state()
    page.get_by_role("button", name="Use a security key").press("Enter")

    page.wait_for_url(hand.address + "/")
    assert Authenticator.objects.get(type="webauthn").last_used_at


def test_key_that_does_not_answer_is_said(hand, clinic_of_test):
    page = hand.page
    sign_in(hand)
    page.get_by_role("link", name="Add a key").click()
    page.get_by_role("heading", name="Add a key").wait_for()
    page.wait_for_load_state()  # its button works once the scripts have run
    page.evaluate("""() => { navigator.credentials.create = async () => {
      throw new DOMException("nobody pressed", "NotAllowedError"); } }""")

    page.get_by_role("button", name="Add the key").press("Enter")

    page.get_by_text("The key did not answer.").wait_for()
    assert not Authenticator.objects.exists()
