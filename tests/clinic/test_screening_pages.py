"""The screening page: answers, what they stop, and how a hold is lifted."""

import json
from datetime import date, timedelta

import pytest
from django.urls import reverse

from assessments.models import Screening, ScreeningAnswer
from assessments.services.assessments import sign_assessment
from clinic.models import Hold, TrailEntry
from exercises.editions import edition_of
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.consult import answer, make_assessment, make_screening
from tests.vignettes.test_vignettes import CASES

HTMX = {"HTTP_HX_REQUEST": "true"}
TODAY = date(2026, 3, 12)


@pytest.fixture(autouse=True)
def midday(time_machine):
    time_machine.move_to("2026-03-12 12:00 +0000", tick=False)


@pytest.fixture
def clinician(db, client):
    staff = StaffFactory()
    client.force_login(staff)
    return staff


def page(runner):
    return reverse("screening-open", args=[runner.pk])


def test_every_question_is_asked_with_what_to_look_for(client, clinician, edition):
    response = client.get(page(ClientFactory()))

    shown = response.content.decode()
    assert shown.count("<fieldset") == 34  # rows of screening.csv
    assert "34 questions are not asked yet" in shown
    assert "Nothing is stopped" in shown


def test_one_answer_is_saved_and_says_what_it_stops(client, clinician, edition):
    runner = ClientFactory()

    response = client.post(page(runner), {"s20": "yes"}, **HTMX)

    assert response.status_code == 200
    shown = response.content.decode()
    flag = edition_of(edition.pk).tables.flags["s20"]
    assert "Stops running, hops and other impact" in shown
    assert flag.refer_to in shown
    assert flag.lifted_when.split(";")[0] in shown
    assert "1 hold stands" in shown
    assert 'hx-swap-oob="true"' in shown
    (hold,) = Hold.objects.open()
    assert (hold.code, hold.scope, hold.since, hold.client) == ("s20", "no_impact", TODAY, runner)


def test_answers_without_a_script_are_saved_together(client, clinician, edition):
    runner = ClientFactory()

    response = client.post(page(runner), {"s01": "no", "s35": "yes", "done": "yes"})

    assert response.url == reverse("client-open", args=[runner.pk])
    answers = dict(ScreeningAnswer.objects.values_list("flag_id", "answer"))
    assert answers == {"s01": "no", "s35": "yes"}


def test_all_others_no_leaves_what_was_answered(client, clinician, edition):
    runner = ClientFactory()
    client.post(page(runner), {"s35": "yes"}, **HTMX)

    client.post(page(runner), {"s36": "yes", "s37": "not_asked", "others": "no"})

    answers = dict(ScreeningAnswer.objects.values_list("flag_id", "answer"))
    assert len(answers) == 34
    assert [flag for flag, word in answers.items() if word == "yes"] == ["s35", "s36"]
    assert answers["s37"] == "no"


def test_unknown_word_is_not_kept(client, clinician, edition):
    runner = ClientFactory()

    response = client.post(page(runner), {"s01": "perhaps"}, **HTMX)

    assert response.status_code == 400
    assert "yes, no or not asked" in response.content.decode()
    assert ScreeningAnswer.objects.count() == 0


def test_another_day_asks_again_and_shows_the_former_answer(client, clinician, edition):
    runner = ClientFactory()
    make_screening(
        runner, clinician, TODAY - timedelta(days=40), yes=["s35"], flags=["s01", "s35"]
    )

    shown = client.get(page(runner)).content.decode()

    assert "last time: yes" in shown
    assert "34 questions are not asked yet" in shown
    assert Screening.objects.count() == 1


def test_hold_ends_when_the_answer_is_no(client, clinician, edition):
    runner = ClientFactory()
    client.post(page(runner), {"s20": "yes"}, **HTMX)

    client.post(page(runner), {"s20": "no"}, **HTMX)

    (hold,) = Hold.objects.all()
    assert (hold.ended_on, hold.end) == (TODAY, "no_longer_true")


def lift(client, runner, **fields):
    answer = ScreeningAnswer.objects.get(screening__client=runner, answer="yes")
    typed = {"lifted_on": "2026-03-12", "reason": "Doctor's letter", "keeps": "nothing"} | fields
    return client.post(reverse("screening-lift", args=[answer.pk]), typed)


def test_hold_is_lifted_with_who_and_why(client, clinician, edition):
    runner = ClientFactory()
    client.post(page(runner), {"s20": "yes"}, **HTMX)

    response = lift(client, runner)

    assert response.url == page(runner)
    (hold,) = Hold.objects.all()
    assert (hold.end, hold.lifted_by, hold.reason) == ("lifted", clinician, "Doctor's letter")
    line = TrailEntry.objects.get(action="lift")
    assert line.detail == {"flag": "s20", "keeps": "nothing"}


def test_hold_that_is_lifted_in_part_still_stops_impact(client, clinician, edition):
    runner = ClientFactory()
    client.post(page(runner), {"s44": "yes"}, **HTMX)

    lift(client, runner, keeps="no_impact")

    (hold,) = Hold.objects.open()
    assert (hold.code, hold.scope) == ("s44", "no_impact")


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("lifted_on", "2026-03-13", "future"),
        ("lifted_on", "2026-03-11", "before the screening"),
        ("lifted_on", "soon", "Write a day"),
        ("reason", "", "Fill this in"),
    ],
)
def test_bad_lift_is_refused_next_to_its_field(client, clinician, edition, field, value, words):
    runner = ClientFactory()
    client.post(page(runner), {"s20": "yes"}, **HTMX)

    response = lift(client, runner, **{field: value})

    assert response.status_code == 422
    assert words in str(response.context["form"].errors[field])
    assert Hold.objects.open().count() == 1


def test_changed_answer_loses_its_lift(client, clinician, edition):
    runner = ClientFactory()
    client.post(page(runner), {"s20": "yes"}, **HTMX)
    lift(client, runner)

    client.post(page(runner), {"s20": "no"}, **HTMX)
    client.post(page(runner), {"s20": "yes"}, **HTMX)

    assert ScreeningAnswer.objects.get().lifted_on is None
    assert [hold.code for hold in Hold.objects.open()] == ["s20"]


def test_round_under_a_signed_assessment_stays_and_a_new_one_begins(client, clinician, edition):
    runner = ClientFactory()
    flags = ["s01", "s20"]
    former = make_screening(runner, clinician, TODAY, flags=flags)
    assessment = make_assessment(
        edition=edition, client=runner, by=clinician, on=TODAY, screening=former
    )
    sign_assessment(assessment=assessment, findings=(), by=clinician)

    client.post(page(runner), {"s20": "yes"}, **HTMX)

    assert former.answers.get(flag_id="s20").answer == "no"
    newer = Screening.objects.newest_first().first()
    assert dict(newer.answers.values_list("flag_id", "answer")) == {"s01": "no", "s20": "yes"}


@pytest.mark.parametrize("name", ["03-cardiac-red-flag", "04-eight-weeks-postnatal"])
def test_holds_are_those_of_the_expected_proposal(client, clinician, edition, name):
    data = json.loads((CASES / f"{name}.json").read_text())
    wanted = json.loads((CASES / f"{name}.expected.json").read_text())["holds"]
    runner = ClientFactory()
    answers = data["screening"]["answers"]

    client.post(page(runner), answers | {"save": "yes"})

    known = {hold["code"]: hold for hold in wanted if hold["code"] in answers}
    found = {hold.code: hold for hold in Hold.objects.open()}
    assert set(found) == set(known)
    for code, hold in found.items():
        assert (hold.refer_to, hold.urgency) == (known[code]["to"], known[code]["urgency"])
        assert hold.sentence


def test_every_flag_that_stops_something_opens_a_hold(client, clinician, edition):
    flags = edition_of(edition.pk).tables.flags.values()
    for flag in flags:
        runner = ClientFactory()
        client.post(page(runner), {flag.code: "yes"}, **HTMX)
        codes = {hold.code for hold in Hold.objects.open().filter(client=runner)}
        assert codes == ({flag.code} if flag.stops_something else set()), flag.code


@pytest.mark.parametrize("others", [1, 40])
def test_queries_do_not_grow(client, clinician, edition, django_assert_num_queries, others):
    runner = ClientFactory()
    for _ in range(others):
        make_screening(ClientFactory(), clinician, TODAY, yes=["s20"], flags=["s20", "s35"])
    make_screening(runner, clinician, TODAY, yes=["s20"], flags=["s01", "s20"])
    client.get(page(runner))  # the edition is built once a process

    with django_assert_num_queries(18):
        client.get(page(runner))
    with django_assert_num_queries(40):
        client.post(page(runner), {"s35": "no"}, **HTMX)


def test_page_is_for_clinicians_of_the_site(client, clinician, edition):
    elsewhere = ClientFactory(site=SiteFactory(code="QY", name="Quayside"))
    assert client.get(page(elsewhere)).status_code == 404
    runner = ClientFactory()
    client.force_login(StaffFactory(role="reception"))
    assert client.get(page(runner)).status_code == 403


def test_sentence_of_a_hold_is_that_of_the_tables(client, clinician, edition):
    runner = ClientFactory()

    client.post(page(runner), {"s20": "yes"}, **HTMX)

    (hold,) = Hold.objects.open()
    assert hold.sentence in {
        sentence.page for sentence in edition_of(edition.pk).sentences.values()
    }


def test_signing_opens_the_hold_that_pain_makes(client, clinician, edition):
    assessment = make_assessment(edition=edition, by=clinician, on=TODAY)
    client.post(
        reverse("assessment-answers", args=[assessment.pk]),
        answer("pain_now", kind="s", seen="0;;;;", value="7"),
    )
    sign = reverse("assessment-sign", args=[assessment.pk])
    stamp = client.get(sign).context["stamp"]

    client.post(sign, {"stamp": stamp, "signature": PASSWORD})

    # R04: pain over 5 is outside what the pain-monitoring model accepts (rules.csv)
    (hold,) = Hold.objects.open()
    assert (hold.code, hold.scope) == ("R04", "rule")
