"""The screening and a draft letter, saved as they are typed; what somebody else overtook asks."""

import pytest
from django.utils import timezone

from assessments.models import ScreeningAnswer
from assessments.services.screenings import answer_flags
from clinic.models import Paper
from clinic.web.letter_saving import save_parts
from tests.browser.test_consult import known_client
from tests.browser.test_saving import ready
from tests.factories.consult import make_assessment

pytestmark = pytest.mark.browser


@pytest.fixture
def runner(clinic_of_test, edition):
    return known_client(clinic_of_test, edition)


def test_screening_is_saved_as_answered_and_asks_when_overtaken(hand, runner, clinic_of_test):
    hand.sign_in("ines")
    hand.go(f"/clients/{runner.pk}/screening/")
    page = hand.page
    ready(page)
    row = page.locator("#row-s01")
    row.get_by_label("no", exact=True).check()
    row.get_by_text("saved at").wait_for()
    today = timezone.localdate()
    answer_flags(
        client=runner, on=today, answers={"s02": "yes"}, by=clinic_of_test["jonas"], seen={}
    )

    late = page.locator("#row-s02")
    late.get_by_label("no", exact=True).check()

    take = late.get_by_role("button", name="Take what is saved")
    take.wait_for()
    assert "answered “yes” meanwhile, and that is saved; you gave “no”" in late.inner_text()
    hand.check("screening, overtaken")
    take.click()
    take.wait_for(state="detached")
    assert late.get_by_label("yes", exact=True).is_checked()
    answers = dict(
        ScreeningAnswer.objects.filter(screening__screened_on=today).values_list("flag", "answer")
    )
    assert answers == {"s01": "no", "s02": "yes"}


@pytest.fixture
def letter(hand, runner, clinic_of_test, edition):
    make_assessment(edition=edition, client=runner, by=clinic_of_test["ines"])
    hand.sign_in("ines")
    hand.go(f"/clients/{runner.pk}/letters/new/")
    hand.page.get_by_role("button", name="Draft the letter").click()
    ready(hand.page)
    return Paper.objects.get()


def stored(letter, name):
    letter.refresh_from_db()
    return letter.content[name]


def test_letter_is_saved_as_typed_and_read_beside(hand, letter):
    page = hand.page
    page.get_by_label("What is asked of the reader").fill("Please advise")

    page.locator("#part-asked .saying.kept").wait_for()

    assert "saved at" in page.locator("#part-asked .saying").inner_text()
    assert stored(letter, "asked") == "Please advise"
    assert "Please advise" in page.locator("#paper-twin").inner_text()
    assert page.locator("#letter-edits").input_value() == str(letter.edits)


def test_letter_merges_other_parts_and_asks_about_the_same(hand, letter, clinic_of_test):
    page = hand.page
    theirs = {"asked": "Theirs", "asked.seen": "", "next_contact": "May"}
    theirs |= {"next_contact.seen": stored(letter, "next_contact")}
    save_parts(paper=letter, post=theirs, by=clinic_of_test["jonas"])

    page.get_by_label("If it gets worse").fill("Rest and ring us")
    page.locator("#part-if_worse .saying.kept").wait_for()
    page.get_by_label("What is asked of the reader").fill("Mine")
    page.keyboard.press("Tab")

    part = page.locator("#part-asked")
    keep = part.get_by_role("button", name="Keep mine")
    keep.wait_for()
    assert "“Theirs”" in part.inner_text()
    assert part.locator("textarea").input_value() == "Mine"
    hand.check("letter, overtaken")
    keep.click()
    keep.wait_for(state="detached")
    kept = [stored(letter, name) for name in ("asked", "if_worse", "next_contact")]
    assert kept == ["Mine", "Rest and ring us", "May"]
