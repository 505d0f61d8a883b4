"""Policy points: what is open, who confirms, and the line that stands until all are."""

import csv
import io
from html import unescape

import pytest
from django.core.exceptions import ValidationError
from django.db import transaction
from django.urls import reverse

from clinic.domain.paper import STARTING_EDITION_LINE
from clinic.domain.vocabulary import Role
from clinic.models import PolicyConfirmation, TrailEntry
from exercises import editions, policies
from exercises.services.editions import load_tables
from tests.factories import StaffFactory

pytestmark = pytest.mark.django_db
ADDRESS = reverse("policy-open")


@pytest.fixture
def codes(reference_texts):
    table = csv.DictReader(io.StringIO(reference_texts["policy.csv"]))
    return [row["code"] for row in table]


@pytest.fixture
def clinician():
    return StaffFactory()


@pytest.fixture
def browser(client, clinician):
    client.force_login(clinician)
    return client


def confirm_all(edition, codes, by):
    for code in codes:
        policies.confirm_point(edition=edition, code=code, by=by)
    editions.forget()
    policies.forget()


def text(response):
    return unescape(response.content.decode())


def confirm(browser, code, number=1):
    address = reverse("policy-confirm", args=[code])
    return browser.post(address, {"edition": number}, follow=True)


def another_edition(texts):
    changed = texts | {"policy.csv": texts["policy.csv"].replace("step width", "width of steps")}
    return load_tables(texts=changed, author="a clinician", reason="Another wording.")[0]


# reading


def test_every_point_is_open_at_first(edition, codes):
    assert [point.code for point in policies.open_points(edition.pk)] == codes
    assert policies.edition_line(edition.pk) == STARTING_EDITION_LINE


def test_line_goes_with_the_last_point(edition, codes, clinician):
    confirm_all(edition, codes[:-1], clinician)
    assert policies.edition_line(edition.pk) == STARTING_EDITION_LINE

    confirm_all(edition, codes[-1:], clinician)

    assert policies.open_points(edition.pk) == ()
    assert policies.edition_line(edition.pk) == ""


def test_line_asks_once(edition, django_assert_num_queries):
    editions.edition_of(edition.pk)

    with django_assert_num_queries(1):
        policies.edition_line(edition.pk)


def test_a_new_edition_is_open_again(edition, codes, clinician, reference_texts):
    confirm_all(edition, codes, clinician)

    following = another_edition(reference_texts)

    assert [point.code for point in policies.open_points(following.pk)] == codes
    assert policies.edition_line(edition.pk) == ""
    assert policies.line_in_force() == STARTING_EDITION_LINE


def test_line_in_force_is_asked_for_once_a_minute(
    edition, codes, clinician, django_assert_num_queries, monkeypatch
):
    editions.edition_of(edition.pk)
    moment = [600.0]
    monkeypatch.setattr(policies, "monotonic", lambda: moment[0])
    with django_assert_num_queries(2):
        assert policies.line_in_force() == STARTING_EDITION_LINE
    for code in codes:  # as another process does
        PolicyConfirmation.objects.create(
            edition=edition, code=code, confirmed_by=clinician, confirmed_at="2026-06-01T10:00Z"
        )

    moment[0] = 659.0
    with django_assert_num_queries(0):
        assert policies.line_in_force() == STARTING_EDITION_LINE
    moment[0] = 660.0
    with django_assert_num_queries(2):
        assert policies.line_in_force() == ""


def test_no_line_before_any_edition(db):
    assert policies.line_in_force() == ""


# confirming


def test_confirmation_names_person_and_time_and_leaves_a_line(edition, clinician):
    done = policies.confirm_point(edition=edition, code="screening_age", by=clinician)

    assert PolicyConfirmation.objects.get() == done
    assert (done.edition, done.code, done.confirmed_by) == (edition, "screening_age", clinician)
    entry = TrailEntry.objects.get(object_kind="policyconfirmation")
    assert (entry.action, entry.actor) == ("create", clinician)
    assert entry.detail == {"edition": 1, "point": "screening_age"}


@pytest.mark.parametrize(
    "fields",
    [{"registration_number": " "}, {"role": Role.MANAGER}, {"role": Role.RECEPTION}],
    ids=["no number", "manager", "reception"],
)
def test_only_a_licensed_clinician_confirms(edition, fields):
    with pytest.raises(ValidationError, match="registration number"):
        policies.confirm_point(edition=edition, code="screening_age", by=StaffFactory(**fields))

    assert not PolicyConfirmation.objects.exists()


def test_unknown_point_is_refused(edition, clinician):
    with pytest.raises(ValidationError, match="no such point"):
        policies.confirm_point(edition=edition, code="screening", by=clinician)


def test_point_is_confirmed_once(edition, clinician):
    policies.confirm_point(edition=edition, code="screening_age", by=clinician)

    with pytest.raises(ValidationError, match="already"):
        policies.confirm_point(edition=edition, code="screening_age", by=StaffFactory())

    assert PolicyConfirmation.objects.get().confirmed_by == clinician


def test_confirming_drops_the_line_kept_in_the_process(
    edition, codes, clinician, django_capture_on_commit_callbacks
):
    confirm_all(edition, codes[:-1], clinician)
    assert policies.line_in_force() == STARTING_EDITION_LINE

    with django_capture_on_commit_callbacks(execute=True), transaction.atomic():
        policies.confirm_point(edition=edition, code=codes[-1], by=clinician)

    assert policies.line_in_force() == ""


# pages


@pytest.mark.parametrize(
    ("role", "status"), [(Role.CLINICIAN, 200), (Role.MANAGER, 200), (Role.RECEPTION, 403)]
)
def test_clinicians_and_managers_read_the_points(client, edition, role, status):
    client.force_login(StaffFactory(role=role))

    assert client.get(ADDRESS).status_code == status


@pytest.mark.parametrize("role", [Role.MANAGER, Role.RECEPTION])
def test_others_do_not_confirm(client, edition, role):
    client.force_login(StaffFactory(role=role))

    assert confirm(client, "screening_age").status_code == 403
    assert not PolicyConfirmation.objects.exists()


def test_stranger_is_asked_to_sign_in(client, edition):
    for response in (client.get(ADDRESS), client.post(reverse("policy-confirm", args=["grades"]))):
        assert response.status_code == 302
        assert response.url.startswith(reverse("account_login"))


def test_confirming_is_not_done_by_a_link(browser, edition):
    assert browser.get(reverse("policy-confirm", args=["grades"])).status_code == 405


def test_page_shows_each_point_with_its_answer_and_source(browser, edition, reference_texts):
    shown = text(browser.get(ADDRESS))

    assert "46 of 46 points of edition 1 are open" in shown
    for row in csv.DictReader(io.StringIO(reference_texts["policy.csv"])):
        assert row["question"] in shown
        assert row["default"].replace("shin_bone", "shin bone")[1:] in shown
        assert row["source"] in shown
    assert "Affects rule R15; setting screening age days." in shown
    assert "a new edition of the tables" in shown


def test_clinician_confirms_a_point(browser, clinician, edition):
    shown = text(confirm(browser, "screening_age"))

    assert "45 of 46 points of edition 1 are open" in shown
    assert f"by {clinician}, {clinician.registration_number}, on" in " ".join(shown.split())
    assert reverse("policy-confirm", args=["screening_age"]) not in shown
    assert reverse("policy-confirm", args=["grades"]) in shown


def test_open_points_stand_before_confirmed_ones(browser, edition):
    shown = text(confirm(browser, "bone_pain_edges"))

    confirmed = shown.index("Which pain may be allowed in a complaint that may come from bone?")
    assert shown.index("Where do the general pain zones begin and end?") < confirmed


def test_a_topic_with_nothing_open_comes_last(browser, edition):
    before = text(browser.get(ADDRESS))
    shown = text(confirm(browser, "stable_disease_running"))

    health, law = "<h2>General health</h2>", "<h2>Law</h2>"
    assert before.index(health) < before.index(law)
    assert shown.index(health) > shown.index(law)


def test_page_says_when_all_are_confirmed(browser, edition, codes, clinician):
    confirm_all(edition, codes, clinician)

    shown = text(browser.get(ADDRESS))

    assert "All 46 points of edition 1 are confirmed" in shown
    assert STARTING_EDITION_LINE not in shown


def test_second_confirmation_is_told(browser, edition):
    confirm(browser, "screening_age")

    assert "This point was confirmed already." in text(confirm(browser, "screening_age"))


def test_point_of_an_older_edition_is_read_again(browser, edition, reference_texts):
    another_edition(reference_texts)

    assert "read the point again" in text(confirm(browser, "screening_age", number=1))
    assert not PolicyConfirmation.objects.exists()


def test_unknown_point_is_not_found(browser, edition):
    assert confirm(browser, "no_such_point").status_code == 404


@pytest.mark.parametrize(
    "fields", [{"registration_number": ""}, {"role": Role.MANAGER}], ids=["no number", "manager"]
)
def test_who_may_not_confirm_sees_no_button(client, edition, fields):
    client.force_login(StaffFactory(**fields))

    shown = text(client.get(ADDRESS))

    assert "A clinician with a registration number" in shown
    assert reverse("policy-confirm", args=["screening_age"]) not in shown


def test_page_without_tables_says_so(browser):
    assert "not loaded yet" in text(browser.get(ADDRESS))


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_do_not_grow(browser, edition, codes, rows, django_assert_num_queries):
    for code in codes[:rows]:
        policies.confirm_point(edition=edition, code=code, by=StaffFactory())
    browser.get(ADDRESS)  # the edition is read once a process

    with django_assert_num_queries(6):
        response = browser.get(ADDRESS)

    assert response.content.count(b">Confirmed<") == rows


# the line on pages


@pytest.mark.parametrize(("role", "lines"), [(Role.CLINICIAN, 1), (Role.MANAGER, 1)])
def test_line_stands_on_pages_until_all_is_confirmed(client, edition, codes, role, lines):
    client.force_login(StaffFactory(role=role))

    assert text(client.get(reverse("library-open"))).count(STARTING_EDITION_LINE) == lines

    confirm_all(edition, codes, StaffFactory())
    assert STARTING_EDITION_LINE not in text(client.get(reverse("library-open")))


def test_line_stays_off_pages_without_clinical_content(browser, edition):
    assert STARTING_EDITION_LINE in text(browser.get(reverse("library-open")))
    assert STARTING_EDITION_LINE not in text(browser.get(reverse("client-list")))
