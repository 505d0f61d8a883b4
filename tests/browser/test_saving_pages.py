"""Screening, history, letter and programme, saved as typed; what others overtook asks."""

import json
from decimal import Decimal

import pytest
from django.utils import timezone

from assessments.models import ScreeningAnswer
from assessments.services.histories import keep_answer, newest_history, told_in
from assessments.services.screenings import answer_flags
from clinic.models import Paper
from clinic.web.letter_saving import save_parts
from exercises.models import Programme, ProgrammeItem
from tests.browser.test_consult import known_client
from tests.browser.test_saving import ready
from tests.factories import ClientFactory
from tests.factories.consult import make_assessment
from tests.factories.intake import record_from_file
from tests.vignettes.test_vignettes import CASES

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


def test_history_is_saved_as_typed_refused_and_overtaken(hand, runner, clinic_of_test):
    hand.sign_in("ines")
    hand.go(f"/clients/{runner.pk}/history/")
    page = hand.page
    ready(page)
    hand.check("history")
    height = page.locator("#part-height_m")
    height.get_by_role("textbox").fill("1,72")
    height.locator(".saying.kept").wait_for()
    for thing in page.locator("#part-equipment").get_by_role("checkbox").all()[1:]:
        thing.uncheck()
    page.locator("#part-equipment .saved").wait_for()
    page.locator("#part-mass_kg").get_by_role("textbox").fill("999")
    page.keyboard.press("Tab")
    page.locator("#part-mass_kg .invalid-feedback").wait_for()
    asked = page.locator("#part-runs_per_week")
    seen = asked.locator("[name='runs_per_week.seen']").input_value()
    keep_answer(
        client=runner,
        on=timezone.localdate(),
        name="runs_per_week",
        found=Decimal(6),
        seen=Decimal(seen) if seen else None,
        asked=["height_m", "equipment", "runs_per_week"],
        by=clinic_of_test["jonas"],
    )

    asked.get_by_role("textbox").fill("5")
    page.keyboard.press("Tab")

    keep = asked.get_by_role("button", name="Keep mine")
    keep.wait_for()
    assert "saved this meanwhile: “6”" in asked.inner_text()
    hand.check("history, refused and overtaken")
    keep.click()
    keep.wait_for(state="detached")
    told = told_in(newest_history(runner))
    assert [told.of(name) for name in ("height_m", "equipment", "runs_per_week")] == [
        Decimal("1.72"),
        ["mat"],
        5,
    ]


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


@pytest.fixture
def programme(hand, clinic_of_test, edition):
    data = json.loads((CASES / "06-arm-reach-with-overstride.json").read_text())
    today = timezone.localdate().isoformat()
    data["assessed_on"] = data["screening"]["screened_on"] = today
    ines = clinic_of_test["ines"]
    runner = ClientFactory(site=ines.home_site)
    draft = record_from_file(data, edition=edition, client=runner, by=ines)
    hand.sign_in("ines")
    hand.go(f"/assessments/{draft.pk}/programme/")
    hand.page.get_by_role("button", name="Take over the proposal").click()
    ready(hand.page)
    return Programme.objects.get()


def test_unsaved_line_survives_when_another_is_decided(hand, programme):
    first, second = programme.items.all()[:2]
    page = hand.page
    page.locator(f"#fields-{first.pk} [name=sets]").fill("5")
    page.locator(f"#fields-{first.pk} .saying.kept").wait_for()
    page.locator(f"#fields-{second.pk} [name=reason]").fill("Too early")
    page.locator(f"#fields-{second.pk} .saying.kept").wait_for()

    with page.expect_navigation():
        page.locator(f"#fields-{second.pk}").get_by_role("button", name="Decline").click()
    ready(page)

    assert page.locator(f"#fields-{first.pk} [name=sets]").input_value() == "5"
    first.refresh_from_db()
    second.refresh_from_db()
    assert (first.sets, first.decision) == (5, "proposed")
    assert (second.decision, second.reason) == ("declined", "Too early")


def test_press_right_after_the_last_key_takes_it_along(hand, programme):
    item = programme.items.first()
    page = hand.page
    asked = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    fields = page.locator(f"#fields-{item.pk}")
    fields.locator("[name=reason]").press_sequentially("No room")

    with page.expect_navigation():  # once the answer on its way is stored
        fields.get_by_role("button", name="Decline").click()
    ready(page)

    item.refresh_from_db()
    assert (item.decision, item.reason, asked) == ("declined", "No room", [])


def test_leaving_warns_of_a_text_that_its_own_button_sends(hand, programme):
    page = hand.page
    asked = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    advice = page.locator(
        "form:not(:has([data-unit])) textarea, form:not(:has([data-unit])) input[type=text]"
    ).first
    advice.fill("Keep the easy days easy")

    page.get_by_role("link", name="Today").click()
    page.wait_for_timeout(300)

    assert asked == ["beforeunload"]
    assert advice.input_value() == "Keep the easy days easy"


def test_line_is_refused_beside_its_number_and_asks_when_overtaken(hand, programme):
    item = programme.items.first()
    page = hand.page
    fields = page.locator(f"#fields-{item.pk}")
    fields.locator("[name=sets]").fill("0")
    page.locator("#exercise").focus()
    fields.get_by_text("Between 1 and 20").wait_for()
    hand.check("programme, refused")
    ProgrammeItem.objects.filter(pk=item.pk).update(sets=4, version=item.version + 1)

    fields.locator("[name=sets]").fill("6")
    page.locator("#exercise").focus()

    keep = fields.get_by_role("button", name="Keep mine")
    keep.wait_for()
    assert "it now says proposed, 4" in fields.inner_text()
    hand.check("programme, overtaken")
    keep.click()
    keep.wait_for(state="detached")
    item.refresh_from_db()
    assert item.sets == 6
    page.locator("[name=review_on]").fill("2032-01-05")
    page.get_by_label("yes", exact=True).check()
    page.locator("#agreement .saved").wait_for()
    page.get_by_role("button", name="Accept all that is proposed").click()
    # the page was not told of the other change before: it is looked at once more
    page.get_by_text("was changed after you opened the page").wait_for()
    page.get_by_role("button", name="Accept all that is proposed").click()
    page.get_by_text("Say why the dose is changed").wait_for()
    programme.refresh_from_db()
    assert (str(programme.review_on), programme.agreed) == ("2032-01-05", "yes")
