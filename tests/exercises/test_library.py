"""The library: who gets in, what is found, and that every exercise has its page."""

import csv
import io
from html import unescape

import pytest
from django.urls import reverse

from clinic.domain.vocabulary import Role
from exercises import editions
from exercises.domain.dose_words import dose_words, printed_dose
from tests.factories import StaffFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def browser(client):
    client.force_login(StaffFactory())
    return client


@pytest.fixture
def rows(reference_texts):
    """The library file read as a plain table."""
    return list(csv.DictReader(io.StringIO(reference_texts["exercises.csv"])))


def text(response):
    return unescape(response.content.decode())


def page(browser, code):
    return text(browser.get(reverse("exercise-open", args=[code])))


PAGES = [reverse("library-open"), reverse("exercise-open", args=["hip_thrust"])]


@pytest.mark.parametrize("address", PAGES)
@pytest.mark.parametrize(
    ("role", "status"), [(Role.CLINICIAN, 200), (Role.MANAGER, 200), (Role.RECEPTION, 403)]
)
def test_clinicians_and_managers_read_the_library(client, edition, address, role, status):
    client.force_login(StaffFactory(role=role))

    assert client.get(address).status_code == status


@pytest.mark.parametrize("address", PAGES)
def test_stranger_is_asked_to_sign_in(client, edition, address):
    response = client.get(address)

    assert response.status_code == 302
    assert response.url.startswith(reverse("account_login"))


@pytest.mark.parametrize("address", PAGES)
def test_library_is_only_read(browser, edition, address):
    assert browser.post(address).status_code == 405


def test_library_lists_all_fifty_with_their_purpose(browser, edition, rows):
    shown = text(browser.get(reverse("library-open")))

    assert len(rows) == 50
    for row in rows:
        assert reverse("exercise-open", args=[row["code"]]) in shown
        assert row["purpose"] in shown


def test_library_goes_by_area(browser, edition):
    shown = text(browser.get(reverse("library-open")))

    names = ["Upper body", "Trunk", "Hip", "Ground contact", "Foot"]
    places = [shown.index(f"<h2>{name}</h2>") for name in names]
    assert places == sorted(places)


@pytest.mark.parametrize(
    ("sought", "codes"),
    [
        ("HIP thrust", {"hip_thrust"}),  # name
        ("soft hands", {"relaxed_grip"}),  # purpose
        ("no such words", set()),
    ],
)
def test_search_asks_for_every_word(browser, edition, rows, sought, codes):
    shown = text(browser.get(reverse("library-open"), {"q": sought}))

    found = {row["code"] for row in rows if f'href="/library/{row["code"]}/"' in shown}
    assert found == codes
    assert ("No exercise has all these words" in shown) == (not codes)


def test_search_for_a_finding_finds_what_serves_it(browser, edition, rows):
    findings = editions.edition_of(edition.pk).tables.findings
    serving = {row["code"] for row in rows if "arm_crossover" in row["targets"].split("|")}

    shown = text(browser.get(reverse("library-open"), {"q": findings["arm_crossover"].name}))

    assert serving
    for code in serving:
        assert reverse("exercise-open", args=[code]) in shown


def test_search_words_are_shown_as_text(browser, edition):
    response = browser.get(reverse("library-open"), {"q": "<script>x"})

    assert b"<script>x" not in response.content
    assert b"&lt;script&gt;x" in response.content


def test_library_without_tables_says_so(browser):
    assert "not loaded yet" in text(browser.get(reverse("library-open")))
    assert browser.get(reverse("exercise-open", args=["hip_thrust"])).status_code == 404


def test_unknown_exercise_is_not_found(browser, edition):
    assert browser.get(reverse("exercise-open", args=["no_such_exercise"])).status_code == 404


def test_every_exercise_has_its_page(browser, edition, rows):
    for row in rows:
        shown = page(browser, row["code"])

        assert row["name"] in shown
        assert f'id="figure-{row["code"]}-title"' in shown
        for column in ("purpose", "start_position", "feel", "intensity", "dose_source"):
            assert row[column] in shown, column
        for sentence in [*row["cues"].split("|"), *row["cautions"].split("|")]:
            assert sentence in shown
        for step in row["movement"].split("|"):
            assert step.split(". ", 1)[1] in shown


def test_exercise_names_what_it_serves_and_the_rules_with_their_reason(
    browser, edition, rows, reference_texts
):
    names = editions.edition_of(edition.pk).tables.findings
    rules = list(csv.DictReader(io.StringIO(reference_texts["rules.csv"])))
    row = next(row for row in rows if row["code"] == "hip_thrust")
    naming = [
        rule
        for rule in rules
        if rule["exercise"] == "hip_thrust"
        or "exercise:hip_thrust" in rule["withholds"].split(";")
    ]

    shown = page(browser, "hip_thrust")

    assert {rule["effect"] for rule in naming} == {"prescribe", "withhold"}
    assert shown.count('<th scope="row">R') == len(naming)
    assert "Rules that withhold this exercise by name" in shown
    for rule in naming:
        assert rule["rationale"] in shown
    for code in row["targets"].split("|"):
        assert names[code].name in shown


def test_exercise_says_in_words_what_withholds_it(browser, edition):
    tables = editions.edition_of(edition.pk).tables

    shown = page(browser, "relaxed_grip")

    assert "pelvic_floor_signs" not in shown
    assert tables.facts["pelvic_floor_signs"].question in shown
    assert tables.flags["s20"].clinician_sign in shown


def test_easier_and_harder_lead_to_other_exercises(browser, edition, rows):
    codes = {row["code"] for row in rows}
    linked = [row for row in rows if row["easier"] in codes or row["harder"] in codes]

    assert linked
    for row in linked:
        shown = page(browser, row["code"])
        for other in {row["easier"], row["harder"]} & codes:
            assert f'<a href="{reverse("exercise-open", args=[other])}">' in shown


# the columns of exercises.csv in words, put together by hand from the file's own row
@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("arm_drive_back_drill", "3 bouts of 30 seconds, 30 seconds rest, every day, for 2 weeks"),
        ("relaxed_grip", "5 runs of 60 seconds, 60 seconds rest, 3 days a week, for 2 weeks"),
    ],
)
def test_dose_stands_in_words(browser, edition, code, words):
    exercise = editions.edition_of(edition.pk).exercises[code]

    assert dose_words(printed_dose(exercise.dose, exercise)) == words
    assert words in page(browser, code)


@pytest.mark.parametrize(
    ("address", "queries"), [(PAGES[0], 5), (PAGES[1], 5)], ids=["library", "exercise"]
)
def test_pages_ask_little(browser, edition, address, queries, django_assert_num_queries):
    browser.get(address)  # the edition is read once a process

    with django_assert_num_queries(queries):
        browser.get(address)
