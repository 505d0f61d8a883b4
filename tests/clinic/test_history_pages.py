"""The running history: one snapshot a day, limits from the tables, dates instead of counts."""

from datetime import date
from decimal import Decimal

import pytest
from django.urls import reverse

from assessments.facts import assessment_value, intake_value
from assessments.models import HistoryAnswer, RunningHistory
from assessments.services.assessments import sign_assessment
from assessments.services.histories import stamp
from clinic.models import TrailEntry
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.consult import make_assessment, make_history

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
    return reverse("history-open", args=[runner.pk])


def answers(runner):
    rows = HistoryAnswer.objects.filter(history__client=runner)
    return {
        row.fact_id: row.items if row.items is not None else (row.value or row.choice)
        for row in rows
        if row.items or row.value is not None or row.choice
    }


def test_answers_are_kept_with_their_kind(client, clinician, edition):
    runner = ClientFactory()

    response = client.post(
        page(runner),
        {
            "height_m": "1,72",
            "weekly_distance_km": "32",
            "equipment": ["mat", "band"],
            "orthoses": "no",
            "injured_on": "1.11.2025",
            "previous_injury_region": "calf",
        },
    )

    assert response.url == reverse("client-open", args=[runner.pk])
    assert answers(runner) == {
        "height_m": Decimal("1.72"),
        "weekly_distance_km": 32,
        "equipment": ["mat", "band"],
        "orthoses": "no",
        "previous_injury_region": "calf",
    }
    assert RunningHistory.objects.get().injured_on == date(2025, 11, 1)
    assert TrailEntry.objects.filter(object_kind="runninghistory").count() == 1


def test_pace_is_taken_as_a_speed(client, clinician, edition):
    runner = ClientFactory()

    client.post(page(runner), {"usual_speed_m_s": "5:40"})

    # by definition: 1000 m in 340 s
    assert answers(runner) == {"usual_speed_m_s": Decimal("2.94")}


@pytest.mark.parametrize(
    ("fact", "typed", "words"),
    [
        ("height_m", "172", "Between 0.9 and 2.4 m"),
        ("height_m", "0.89", "Between 0.9 and 2.4 m"),
        ("mass_kg", "250.1", "Between 20 and 250 kg"),
        ("weekly_distance_km", "31.5", "Write a whole number"),
        ("minutes_a_day", "ten", "Enter a number"),
        ("injured_on", "next week", "Write a day"),
        ("injured_on", "13.3.2026", "after the day of the history"),
    ],
)
def test_bad_answer_is_refused_next_to_its_field(client, clinician, edition, fact, typed, words):
    runner = ClientFactory()

    response = client.post(page(runner), {fact: typed, "runs_per_week": "3"})

    assert response.status_code == 422
    assert words in str(response.context["form"].errors)
    assert f'value="{typed}"' in response.content.decode()
    assert not RunningHistory.objects.exists()


def test_limits_themselves_are_allowed(client, clinician, edition):
    runner = ClientFactory()

    client.post(page(runner), {"height_m": "0.9", "mass_kg": "250"})

    assert answers(runner) == {"height_m": Decimal("0.9"), "mass_kg": 250}


def test_another_day_makes_a_new_snapshot(client, clinician, edition):
    runner = ClientFactory()
    make_history(runner, clinician, date(2026, 1, 5), weekly_distance_km=20, runs_per_week=3)
    assert 'value="20"' in client.get(page(runner)).content.decode()

    client.post(page(runner), {"weekly_distance_km": "25", "runs_per_week": "3"})

    snapshots = RunningHistory.objects.order_by("taken_on")
    assert [h.taken_on for h in snapshots] == [date(2026, 1, 5), TODAY]
    assert snapshots[0].answers.get(fact_id="weekly_distance_km").value == 20
    assert snapshots[1].answers.get(fact_id="weekly_distance_km").value == 25


def test_nothing_has_changed_copies_in_one_press(client, clinician, edition):
    runner = ClientFactory()
    make_history(runner, clinician, date(2026, 1, 5), weekly_distance_km=20)

    client.post(page(runner), {"unchanged": "yes"})

    newest = RunningHistory.objects.latest("taken_on")
    assert newest.taken_on == TODAY
    assert dict(newest.answers.values_list("fact_id", "value")) == {"weekly_distance_km": 20}


def test_todays_snapshot_is_changed_and_an_old_page_is_refused(client, clinician, edition):
    runner = ClientFactory()
    client.post(page(runner), {"runs_per_week": "3"})
    seen = stamp(RunningHistory.objects.get())

    client.post(page(runner), {"runs_per_week": "4", "seen": seen})
    late = client.post(page(runner), {"runs_per_week": "5", "seen": seen})

    assert late.status_code == 409
    assert "Somebody else saved" in late.content.decode()
    assert answers(runner) == {"runs_per_week": 4}


def test_snapshot_under_a_signed_assessment_stays(client, clinician, edition):
    runner = ClientFactory()
    former = make_history(runner, clinician, TODAY, runs_per_week=3)
    assessment = make_assessment(
        edition=edition, client=runner, by=clinician, on=TODAY, history=former
    )
    sign_assessment(assessment=assessment, findings=(), by=clinician)

    client.post(page(runner), {"runs_per_week": "4"})

    assert former.answers.get().value == 3
    assert RunningHistory.objects.latest("pk").answers.get().value == 4


def test_men_are_not_asked_about_birth(client, clinician, edition):
    shown = client.get(page(ClientFactory(sex_for_norms="m"))).content.decode()
    assert "given birth" not in shown
    shown = client.get(page(ClientFactory(sex_for_norms="x"))).content.decode()
    assert "given birth" in shown


def test_next_leads_back_to_a_page_of_ours_only(client, clinician, edition):
    runner = ClientFactory()

    ours = client.post(page(runner) + "?next=/assessments/7/", {"runs_per_week": "3"})
    other = client.post(page(runner) + "?next=https://elsewhere.example/", {"runs_per_week": "3"})

    assert ours.url == "/assessments/7/"
    assert other.url == reverse("client-open", args=[runner.pk])


@pytest.mark.parametrize(
    ("injured", "months"),
    [("2026-02-12", 1), ("2026-02-13", 0), ("2025-03-12", 12), ("2025-03-31", 11)],
)
def test_months_since_the_injury_are_whole(clinician, edition, injured, months):
    runner = ClientFactory()
    history = make_history(runner, clinician, TODAY)
    history.injured_on = date.fromisoformat(injured)

    value = intake_value(runner, on=TODAY, episode=None, history=history, screening=None)

    assert value.facts["previous_injury_months"] == months


def test_weeks_since_birth_are_whole_and_missing_facts_stay_out(clinician, edition):
    assessment = make_assessment(edition=edition, on=TODAY)
    history = make_history(assessment.client, clinician, TODAY)
    history.gave_birth_on = date(2026, 1, 16)  # 55 days before
    assessment.history = history

    facts = assessment_value(assessment).facts

    assert facts["weeks_postnatal"] == 7
    assert "height_m" not in facts


@pytest.mark.parametrize("others", [1, 40])
def test_queries_do_not_grow(client, clinician, edition, django_assert_num_queries, others):
    runner = ClientFactory()
    for _ in range(others):
        make_history(ClientFactory(), clinician, TODAY, runs_per_week=3)
    make_history(runner, clinician, date(2026, 1, 5), runs_per_week=3)
    client.get(page(runner))

    with django_assert_num_queries(10):
        client.get(page(runner))


def test_page_is_for_clinicians_of_the_site(client, clinician, edition):
    elsewhere = ClientFactory(site=SiteFactory(code="QY", name="Quayside"))
    assert client.get(page(elsewhere)).status_code == 404
    client.force_login(StaffFactory(role="reception"))
    assert client.get(page(ClientFactory())).status_code == 403
