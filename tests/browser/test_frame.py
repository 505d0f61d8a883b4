"""Sign-in and the frame that every page stands in."""

import pytest

pytestmark = pytest.mark.browser


def test_sign_in_shows_today_and_its_places(hand, clinic_of_test):
    hand.go("/accounts/login/")
    hand.check("sign in")

    hand.sign_in("ines")

    hand.check("today")
    places = hand.page.get_by_role("navigation").first.get_by_role("link").all_inner_texts()
    assert places[:5] == ["Today", "Clients", "Diary", "Due", "Library"]
