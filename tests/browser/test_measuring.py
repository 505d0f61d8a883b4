"""A trial measured from its frames by keyboard alone, in a browser."""

import os

import pytest

from assessments.models import Observation
from tests.factories import ClientFactory
from tests.factories.consult import make_assessment

pytestmark = pytest.mark.browser
LISTS = ["0, 176, 352", "60, 236, 412", "88, 264, 440", "148, 324, 500"]


@pytest.fixture
def trial(clinic_of_test, edition):
    by = clinic_of_test["ines"]
    return make_assessment(
        edition=edition, by=by, client=ClientFactory(site=by.home_site)
    ).trials.get()


def picture(hand, name):
    """For the eye: full pages, where a folder is given."""
    folder = os.environ.get("CLINIC_PICTURES")
    for width in (1366, 820, 320) if folder else ():
        hand.page.set_viewport_size({"width": width, "height": 900})
        hand.page.screenshot(path=f"{folder}/{name}-{width}.png", full_page=True)
        wide = hand.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= width, (name, width, wide)


def test_events_are_entered_by_keyboard(hand, trial):
    hand.sign_in("ines")
    hand.go(f"/assessments/{trial.assessment_id}/")
    hand.page.get_by_role("link", name="Measure from frames").focus()
    hand.press("Enter")
    hand.page.get_by_label("Left foot, contacts").focus()
    for number, text in enumerate(LISTS):
        if number:
            hand.press("Tab")
        hand.write(text)
    hand.press("Enter")
    hand.page.get_by_text("Saved. What follows").wait_for()
    hand.check("measure with events")
    picture(hand, "measure")

    hand.page.get_by_role("button", name="Put these values").focus()
    hand.press("Enter")
    hand.page.get_by_text("9 values put into the assessment").wait_for()
    assert hand.count == 6  # presses beyond what was typed
    assert Observation.objects.filter(trial=trial).count() == 9

    hand.go(f"/assessments/{trial.assessment_id}/")
    hand.check("assessment with errors")
    picture(hand, "grid")


def test_refused_events_stay_where_they_were_typed(hand, trial):
    hand.sign_in("ines")
    hand.go(f"/trials/{trial.pk}/measure/")
    hand.page.get_by_label("Left foot, contacts").fill("28, 9x")
    hand.page.get_by_label("Left foot, contacts").press("Enter")

    hand.page.get_by_text("is no frame number").first.wait_for()
    assert hand.page.get_by_label("Left foot, contacts").input_value() == "28, 9x"
    for fold in hand.page.locator("details").all():
        fold.locator("summary").click()
    hand.check("measure with an error")
    picture(hand, "refused")
