"""The assessment page: who gets in, what it shows, and that it asks the same at every size."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.urls import reverse

from assessments.models import Assessment, Flag, Observation
from clinic.domain.vocabulary import Role
from clinic.models import TrailEntry
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.consult import (
    DAY,
    answer,
    make_assessment,
    make_episode,
    make_history,
    make_screening,
    observe,
)

pytestmark = pytest.mark.django_db
HTMX = {"HX-Request": "true"}


@pytest.fixture
def assessment(edition):
    return make_assessment(edition=edition)


@pytest.fixture
def browser(client, assessment):
    client.force_login(assessment.clinician)
    return client


def address(assessment, name="assessment-open"):
    return reverse(name, args=[assessment.pk])


def post(browser, assessment, data, headers=HTMX):
    url = address(assessment, "assessment-answers")
    return browser.post(url, {"trial": "1"} | data, headers=headers)


PAGES = [
    ("assessment-open", "get"),
    ("assessment-answers", "post"),
    ("assessment-sign", "get"),
    ("assessment-basis", "post"),
    ("trial-new", "get"),
]


@pytest.mark.parametrize(("name", "verb"), PAGES)
def test_colleague_of_another_site_finds_nothing(client, assessment, name, verb):
    client.force_login(StaffFactory(home_site=SiteFactory(code="HB", name="Harbour")))

    assert getattr(client, verb)(address(assessment, name)).status_code == 404


@pytest.mark.parametrize(("name", "verb"), PAGES)
@pytest.mark.parametrize("role", [Role.RECEPTION, Role.MANAGER])
def test_only_clinicians_get_in(client, assessment, name, verb, role):
    client.force_login(StaffFactory(role=role))

    assert getattr(client, verb)(address(assessment, name)).status_code == 403


@pytest.mark.parametrize(("name", "verb"), PAGES)
def test_sign_in_comes_first(client, assessment, name, verb):
    response = getattr(client, verb)(address(assessment, name))

    assert response.status_code == 302
    assert response["Location"].startswith(reverse("account_login"))


def test_page_shows_every_feature_test_and_score(browser, assessment, reference_texts):
    page = browser.get(address(assessment)).content.decode()

    rows = {"o": "features.csv", "t": "tests.csv", "s": "scores.csv"}
    for kind, table in rows.items():
        codes = [line.split(",")[0] for line in reference_texts[table].splitlines()[1:]]
        assert codes
        assert [code for code in codes if f'id="{kind}-{code}"' not in page] == []


def test_opening_is_in_the_trail(browser, assessment):
    browser.get(address(assessment))

    entry = TrailEntry.objects.latest("pk")
    assert (entry.action, entry.object_kind) == ("view", "assessment")


def fill(assessment, count):
    """Other clients with assessments, and earlier ones of this client."""
    by = assessment.clinician
    for number in range(count):
        other = make_assessment(edition=assessment.edition, by=by, client=ClientFactory())
        observe(other, "cadence", value=Decimal(170))
        earlier = make_assessment(
            edition=assessment.edition,
            client=assessment.client,
            by=by,
            on=DAY - timedelta(number + 1),
        )
        observe(earlier, "cadence", value=Decimal(165))
    flags = Flag.objects.values_list("pk", flat=True)
    assessment.screening = make_screening(assessment.client, by, flags=flags)
    assessment.history = make_history(assessment.client, by, height_m=Decimal("1.7"))
    assessment.save()


@pytest.mark.parametrize("count", [1, 40])
def test_page_asks_the_same_number_of_questions(
    browser, assessment, count, django_assert_num_queries
):
    fill(assessment, count)
    browser.get(address(assessment))  # the edition is read once a process

    with django_assert_num_queries(15):
        response = browser.get(address(assessment))

    assert b"11 Mar 2026: 165 steps/min" in response.content


@pytest.mark.parametrize("count", [1, 40])
def test_answer_asks_the_same_number_of_questions(
    browser, assessment, count, django_assert_num_queries
):
    fill(assessment, count)
    browser.get(address(assessment))

    with django_assert_num_queries(15):
        response = post(browser, assessment, answer("cadence", value="160"))

    assert response.status_code == 200
    assert Observation.objects.get(assessment=assessment).value == 160


def test_answer_returns_its_cell_and_what_it_adds_up_to(browser, assessment):
    response = post(browser, assessment, answer("cadence", value="150"))

    page = response.content.decode()
    assert 'name="o.cadence.none.value" value="150"' in page
    assert "Low cadence" in page
    assert "saved at" in page
    assert 'id="judgement"' in page
    assert "hip_adduction" not in page
    assert "HX-Request" in response["Vary"]


def test_bad_value_stays_with_what_is_allowed(browser, assessment):
    page = post(browser, assessment, answer("cadence", value="1700")).content.decode()

    assert 'value="1700"' in page
    assert "1700 lies outside what is possible: 120 to 240 steps/min." in page
    assert 'aria-invalid="true"' in page
    assert not Observation.objects.exists()


def test_whole_area_is_saved_without_a_script(browser, assessment):
    data = answer("cadence", value="170") | answer("foot_strike", "left", choice="midfoot")

    response = post(browser, assessment, data | {"area": "ground_contact"}, headers={})

    assert response["Location"] == f"{address(assessment)}?trial=1#ground_contact"
    assert Observation.objects.count() == 2


def test_refused_answer_without_a_script_draws_the_page_again(browser, assessment):
    response = post(browser, assessment, answer("cadence", value="x"), headers={})

    assert response.status_code == 422
    assert b"Write a number, 120 to 240 steps/min." in response.content


def test_last_time_and_its_change_are_shown(browser, assessment):
    earlier = make_assessment(
        edition=assessment.edition,
        client=assessment.client,
        by=assessment.clinician,
        on=DAY - timedelta(42),
    )
    observe(earlier, "pelvic_drop", "left", value=Decimal("6.5"), method="video_2d")
    observe(assessment, "pelvic_drop", "left", value=Decimal("2.5"), method="video_2d")

    page = browser.get(address(assessment)).content.decode()

    # detectable difference 2.8 deg, lower is better: features.csv
    assert "−4 deg, better (beyond the error of 2.8)" in page
    assert "29 Jan 2026: 6.5 deg" in page


def test_stop_all_gives_no_programme_and_says_why(browser, assessment):
    flags = Flag.objects.values_list("pk", flat=True)
    by = assessment.clinician
    assessment.screening = make_screening(assessment.client, by, flags=flags, yes=["s01"])
    assessment.save()

    page = browser.get(address(assessment)).content.decode()

    # sentence of notes.csv, state stop_all
    assert "Stopped: no assessment and no exercise until the flag is answered by a doctor" in page
    assert "No programme is proposed." in page
    assert "Proposed exercises" not in page
    assert "A hold stands against this test" in page


def test_words_are_saved_by_themselves(browser, assessment):
    post(browser, assessment, {"w.words": "It aches.", "w.words.seen": ""})

    assessment.refresh_from_db()
    assert assessment.words == "It aches."


def test_signing_shows_what_is_missing_and_then_fixes_the_page(browser, assessment):
    observe(assessment, "cadence", value=Decimal(150), method="counted")
    url = address(assessment, "assessment-sign")
    shown = browser.get(url)

    assert "Low cadence" in shown.content.decode()
    assert "No screening." in shown.content.decode()
    response = browser.post(url, {"stamp": shown.context["stamp"], "signature": PASSWORD})
    assert response.status_code == 302
    page = browser.get(address(assessment)).content.decode()
    assert "signed by" in page
    assert "hx-post" not in page
    assert 'type="radio"' not in page


def test_page_read_before_a_change_does_not_sign(browser, assessment):
    url = address(assessment, "assessment-sign")
    stamp = browser.get(url).context["stamp"]
    observe(assessment, "cadence", value=Decimal(150), method="counted")

    response = browser.post(url, {"stamp": stamp, "signature": PASSWORD})

    assert response.status_code == 409
    assessment.refresh_from_db()
    assert not assessment.is_signed


def test_colleague_cannot_sign(client, assessment):
    client.force_login(StaffFactory())
    url = address(assessment, "assessment-sign")
    shown = client.get(url)

    assert b"the clinician in charge, can sign it" in shown.content
    assert client.post(url, {"stamp": shown.context["stamp"]}).status_code == 403


def test_trial_is_added_and_edited(browser, assessment):
    settings = {"surface": "road", "speed_m_s": "5:00", "shoes": "other"}
    browser.post(address(assessment, "trial-new"), settings)
    second = assessment.trials.get(position=2)
    changed = {"seen": 1, "shoes": "usual", "camera": "right"}
    browser.post(reverse("trial-edit", args=[second.pk]), settings | changed)

    second.refresh_from_db()
    assert second.camera == "right"
    assert (second.surface, second.shoes, second.version) == ("road", "usual", 2)
    assert second.speed_m_s == Decimal("3.33")  # 1000 m in 300 s


def test_trial_of_another_site_is_not_found(client, assessment):
    client.force_login(StaffFactory(home_site=SiteFactory(code="HB", name="Harbour")))

    url = reverse("trial-edit", args=[assessment.trials.get().pk])
    assert client.get(url).status_code == 404


def test_single_keys_are_turned_off_for_the_session(browser, assessment):
    assert b'data-keys="on"' in browser.get(address(assessment)).content
    assert browser.post(reverse("keys-set")).status_code == 204
    assert b'data-keys="off"' in browser.get(address(assessment)).content


class TestOpening:
    @pytest.fixture
    def runner(self, edition):
        return ClientFactory()

    @pytest.fixture
    def by(self, client):
        staff = StaffFactory()
        client.force_login(staff)
        return staff

    def url(self, runner):
        return reverse("assessment-open-new", args=[runner.pk])

    def test_without_an_episode_one_is_opened_first(self, client, runner, by):
        page = client.get(self.url(runner)).content.decode()

        assert "Open an episode first" in page

    def test_missing_screening_is_said_and_does_not_block(self, client, runner, by):
        episode = make_episode(runner, by, opened_on=date(2026, 1, 10))
        page = client.get(self.url(runner)).content.decode()
        data = {"kind": "baseline", "assessed_on": "12.3.2026", "episode": episode.pk}

        response = client.post(self.url(runner), data | {"trial-speed_m_s": "3,1"})

        assert "No screening yet." in page
        made = Assessment.objects.get()
        assert response["Location"] == address(made)
        assert made.trials.get().speed_m_s == Decimal("3.1")

    def test_impossible_day_is_refused_and_what_was_typed_stays(self, client, runner, by):
        episode = make_episode(runner, by)
        data = {"kind": "baseline", "assessed_on": "1.1.2026", "episode": episode.pk}

        page = client.post(self.url(runner), data | {"trial-speed_m_s": "3.1"}).content.decode()

        assert "The episode was opened on 10 Jan 2026, after that day." in page
        assert 'value="1.1.2026"' in page
        assert 'value="3.1"' in page
