"""Addenda and versions as pages: who gets in, what is marked late, what a version prints."""

import re
from datetime import UTC, datetime
from decimal import Decimal

import pytest
import time_machine
from django.core.cache import cache
from django.urls import reverse

from assessments.models import Addendum, Assessment
from assessments.services.assessments import sign_assessment
from assessments.services.seals import assessment_seal
from clinic.domain.vocabulary import Role
from clinic.models import Hold, TrailEntry
from tests.factories import SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.consult import answer, make_assessment, observe

pytestmark = pytest.mark.django_db
CADENCE = "o.cadence.none"
WORDS = {
    "kind": "addition",
    "about": "",
    "text": "The client ran in new shoes.",
    "reason": "It was left out.",
    "acted_on": "12.3.2026",
    "signature": PASSWORD,
}
RIGHT = {"answer": CADENCE, "trial": "1", "kind": "correction", "value": "171"}


@pytest.fixture(autouse=True)
def today():
    with time_machine.travel(datetime(2026, 3, 12, 9, tzinfo=UTC), tick=False):
        yield
    cache.clear()


@pytest.fixture
def draft(edition):
    assessment = make_assessment(edition=edition)
    observe(assessment, "cadence", value=Decimal(150), method="counted")
    return assessment


@pytest.fixture
def signed(draft):
    return sign_assessment(assessment=draft, findings=[], by=draft.clinician)


@pytest.fixture
def browser(client, draft):
    client.force_login(draft.clinician)
    return client


def address(assessment, name="addendum-new", *more):
    return reverse(name, args=[assessment.pk, *more])


def add(browser, assessment, **fields):
    return browser.post(address(assessment), WORDS | fields)


def version(browser, assessment, number):
    page = browser.get(address(assessment, "addendum-version", number)).content.decode()
    return page, re.search(r"<code>([0-9a-f]{64})</code>", page)[1]


def shown(browser, assessment):
    return browser.get(address(assessment, "assessment-open")).content.decode()


def test_every_version_is_printed_and_the_first_stays_the_same(browser, signed):
    """AU-02: three addenda, each version retrievable, version 1 identical before and after."""
    first, seal = version(browser, signed, 1)[1], assessment_seal(signed)

    for more in ({}, RIGHT, {"kind": "statement", "about": "ground_contact"}):
        assert add(browser, signed, **more).status_code == 302

    pages = [version(browser, signed, number) for number in (1, 2, 3, 4)]
    assert pages[0][1] == first
    assert len({sha256 for _, sha256 in pages}) == 4
    assert ["150 steps/min" in page for page, _ in pages] == [True, True, True, True]
    assert ["<td>171 steps/min" in re.sub(r"\s+", " ", page).replace("<td> ", "<td>")
            for page, _ in pages] == [False, False, True, True]  # fmt: skip
    assert ["Their statement" in page for page, _ in pages] == [False, False, False, True]
    assert assessment_seal(Assessment.objects.get(pk=signed.pk)) == seal
    assert browser.get(address(signed, "addendum-version", 5)).status_code == 404
    assert browser.get(address(signed, "addendum-version", 0)).status_code == 404


def test_signed_assessment_is_not_edited_by_its_old_address(browser, signed):
    data = {"trial": "1"} | answer("cadence", seen="1;;150;;counted", value="171")

    answered = browser.post(address(signed, "assessment-answers"), data, HTTP_HX_REQUEST="true")

    assert answered.status_code in {409, 422}
    assert signed.observations.get().value == Decimal(150)


def test_version_names_client_version_and_signer_at_the_head_of_each_page(browser, signed):
    page = version(browser, signed, 1)[0]

    head = re.search(r"<thead>(.*?)</thead>", page, re.DOTALL)[1]
    for part in (signed.client.full_name, signed.client.number, "version 1", "as signed by"):
        assert part in head


def test_correction_is_shown_with_both_values(browser, signed):
    add(browser, signed, **RIGHT)

    page = shown(browser, signed)
    assert "Cadence, trial 1: was 150 steps/min, is 171 steps/min" in page
    assert "Reads as amended by 1 addendum" in page
    assert "Version 2" in page


def test_correction_asks_as_the_measure_is_answered(browser, signed):
    form = browser.get(address(signed), {"answer": CADENCE}).context["form"]

    assert form["value"].value() == "150"
    assert form["kind"].value() == "correction"
    assert not {"grade", "choice", "about"} & set(form.fields)


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"signature": "not-the-password"}, "signature"),
        ({"signature": ""}, "signature"),
        ({"reason": ""}, "reason"),
        ({"text": " "}, "text"),
        ({"acted_on": "13.3.2026"}, "acted_on"),
        ({"acted_on": "11.3.2026"}, "acted_on"),
        (RIGHT | {"value": "9000"}, "value"),
        (RIGHT | {"value": "150"}, "value"),
    ],
)
def test_refused_addendum_keeps_what_was_typed(browser, signed, fields, place):
    response = add(browser, signed, **{"text": "A long sentence."} | fields)

    assert response.status_code == 422
    assert place in response.context["form"].errors
    assert place == "text" or "A long sentence." in response.content.decode()
    assert not Addendum.objects.exists()


def test_entry_of_a_later_day_is_marked_late(browser, signed):
    """CSP Quality Assurance Standards 2012, 6.1.1: written on the day."""
    add(browser, signed)
    on_time = shown(browser, signed)
    with time_machine.travel(datetime(2026, 3, 15, 0, 30, tzinfo=UTC), tick=False):
        browser.force_login(signed.clinician)  # a sign-in ends after twelve hours
        add(browser, signed)
        late = shown(browser, signed)

    assert ("late entry" in on_time, "late entry: entered 3 days after" in late) == (False, True)


def test_answers_given_after_the_day_are_marked_late(browser, edition, draft):
    slow = make_assessment(edition=edition, client=draft.client, by=draft.clinician)
    with time_machine.travel(datetime(2026, 3, 13, 9, tzinfo=UTC), tick=False):
        observe(slow, "cadence", value=Decimal(171), method="counted")
        sign_assessment(assessment=slow, findings=[], by=draft.clinician)
        browser.force_login(draft.clinician)

        page = shown(browser, slow)

    assert "late entry: the last answer was entered 1 day after" in page


def test_draft_says_so_and_takes_no_addendum(browser, draft):
    assert "Draft, not signed" in shown(browser, draft)
    assert browser.get(address(draft)).status_code == 302
    assert add(browser, draft).status_code == 302
    assert not Addendum.objects.exists()
    assert browser.get(address(draft, "addendum-version", 1)).status_code == 404


def test_signed_assessment_is_no_draft(browser, signed):
    page = shown(browser, signed)

    assert "Draft, not signed" not in page
    assert "Write an addendum" in page


def test_correction_of_pain_opens_its_hold(browser, signed):
    add(browser, signed, answer="s.pain_now.none", kind="correction", value="7")

    # R04: pain over 5 is outside what the pain-monitoring model accepts (rules.csv)
    assert Hold.objects.open().get().code == "R04"


PAGES = [("addendum-new",), ("addendum-version", 1)]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page[0])
@pytest.mark.parametrize("role", [Role.RECEPTION, Role.MANAGER])
def test_only_clinicians_get_in(client, signed, page, role):
    client.force_login(StaffFactory(role=role))

    assert client.get(address(signed, *page)).status_code == 403


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page[0])
def test_colleague_of_another_site_finds_nothing(client, signed, page):
    client.force_login(StaffFactory(home_site=SiteFactory(code="HB", name="Harbour")))

    assert client.get(address(signed, *page)).status_code == 404


def test_colleague_of_the_site_signs_with_their_own_password(client, signed):
    colleague = StaffFactory()
    client.force_login(colleague)

    assert add(client, signed).status_code == 302
    assert Addendum.objects.get().author == colleague


def test_opened_version_stands_in_the_trail(browser, signed):
    version(browser, signed, 1)

    assert TrailEntry.objects.get(action="view").detail == {"assessment_version": 1}


@pytest.mark.parametrize("rows", [1, 40])
def test_pages_ask_the_same_number_of_questions(browser, signed, rows, django_assert_num_queries):
    for number in range(1, rows + 1):
        Addendum.objects.create(
            site=signed.site, assessment=signed, number=number, kind="addition", reason="Why.",
            text="New shoes.", acted_on=signed.assessed_on, entered_at=datetime.now(UTC),
            author=signed.clinician,
        )  # fmt: skip
    shown(browser, signed)

    with django_assert_num_queries(14):
        shown(browser, signed)
    with django_assert_num_queries(15):
        browser.get(address(signed, "addendum-version", 1))
