"""The running history: one snapshot a day, limits from the tables, dates instead of counts."""

from datetime import date
from decimal import Decimal
from uuid import uuid4

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
        ("minutes_a_day", "ten", "Write a number"),
        ("injured_on", "next week", "Write a day"),
        ("injured_on", "13.3.2026", "after the day of the history"),
    ],
)
def test_bad_answer_is_refused_next_to_its_field(client, clinician, edition, fact, typed, words):
    runner = ClientFactory()

    response = client.post(page(runner), {fact: typed, "runs_per_week": "3"})

    assert response.status_code == 422
    assert words in str(response.context["form"].errors[fact])
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

    # two of them are the line that says who looked
    with django_assert_num_queries(13):
        client.get(page(runner))


def test_page_is_for_clinicians_of_the_site(client, clinician, edition):
    elsewhere = ClientFactory(site=SiteFactory(code="QY", name="Quayside"))
    assert client.get(page(elsewhere)).status_code == 404
    client.force_login(StaffFactory(role="reception"))
    assert client.get(page(ClientFactory())).status_code == 403


# saved as it is given


@pytest.fixture
def runner(clinician, edition):
    return ClientFactory()


def sent(client, runner, act=None, **fields):
    """One question as the page sends it: what was typed, and what it had shown."""
    typed = {name.replace("__", "."): value for name, value in fields.items()}
    return client.post(page(runner), typed, headers={"X-Act": act or str(uuid4())})


@pytest.mark.parametrize(
    ("name", "typed", "stored", "seen"),
    [
        ("height_m", "1,72", Decimal("1.72"), "1.72"),
        ("usual_speed_m_s", "5:40", Decimal("2.94"), "2.94"),
        ("previous_injury_region", "calf", "calf", "calf"),
        ("equipment", ["mat", "band"], ["mat", "band"], "mat,band"),
    ],
)
def test_answer_is_saved_by_itself(client, runner, name, typed, stored, seen):
    told = sent(client, runner, **{name: typed, f"{name}__seen": ""})

    assert told.status_code == 200
    text = told.content.decode()
    assert "saved at 12:00:00" in text
    assert f'name="{name}.seen" value="{seen}"' in text
    assert answers(runner) == {name: stored}


def test_date_is_saved_by_itself(client, runner):
    told = sent(client, runner, injured_on="1.11.2025", injured_on__seen="")

    assert 'name="injured_on.seen" value="2025-11-01"' in told.content.decode()
    assert RunningHistory.objects.get().injured_on == date(2025, 11, 1)
    assert TrailEntry.objects.get(action="create").detail == {
        "facts": {"injured_on": ["", "2025-11-01"]}
    }


def test_emptied_list_and_number_are_saved_as_not_asked(client, clinician, runner):
    history = make_history(runner, clinician, TODAY, runs_per_week=3)
    HistoryAnswer.objects.create(
        site=history.site, history=history, fact_id="equipment", items=["mat"]
    )

    one = sent(client, runner, equipment__seen="mat")
    other = sent(client, runner, runs_per_week="", runs_per_week__seen="3")

    assert (one.status_code, other.status_code) == (200, 200)
    assert RunningHistory.objects.get() == history
    assert answers(runner) == {}


def test_first_answer_of_a_day_begins_from_the_last_snapshot(client, clinician, runner):
    make_history(runner, clinician, date(2026, 1, 5), weekly_distance_km=20, runs_per_week=3)

    told = sent(client, runner, runs_per_week="4", runs_per_week__seen="3")

    assert 'id="unchanged"' in told.content.decode()  # nothing is left to confirm
    newest = RunningHistory.objects.latest("taken_on")
    assert newest.taken_on == TODAY
    kept = dict(newest.answers.values_list("fact_id", "value"))
    assert kept == {"weekly_distance_km": 20, "runs_per_week": 4}


def test_answer_that_is_there_already_begins_no_snapshot(client, clinician, runner):
    former = make_history(runner, clinician, date(2026, 1, 5), runs_per_week=3)

    told = sent(client, runner, runs_per_week="3", runs_per_week__seen="")

    assert told.status_code == 200
    assert 'id="unchanged"' not in told.content.decode()
    assert RunningHistory.objects.get() == former


def test_answers_of_two_people_are_merged(client, runner):
    sent(client, runner, runs_per_week="4", runs_per_week__seen="")
    client.force_login(StaffFactory())

    told = sent(client, runner, height_m="1.72", height_m__seen="")

    assert told.status_code == 200
    assert answers(runner) == {"runs_per_week": 4, "height_m": Decimal("1.72")}


def test_same_answer_of_two_people_asks_which_one_stands(client, runner):
    sent(client, runner, runs_per_week="4", runs_per_week__seen="")
    client.force_login(StaffFactory())

    told = sent(client, runner, runs_per_week="5", runs_per_week__seen="")

    text = told.content.decode()
    assert told.status_code == 409
    assert "saved this meanwhile: “4”" in text
    assert 'value="5"' in text
    assert answers(runner) == {"runs_per_week": 4}
    kept = sent(client, runner, runs_per_week="5", runs_per_week__seen="4")
    assert kept.status_code == 200
    assert answers(runner) == {"runs_per_week": 5}


def test_taking_what_is_saved_draws_it(client, runner):
    sent(client, runner, runs_per_week="4", runs_per_week__seen="")

    fields = {"runs_per_week": "5", "runs_per_week__seen": "", "runs_per_week__take": "yes"}
    told = sent(client, runner, **fields)

    assert told.status_code == 200
    assert 'value="4"' in told.content.decode()
    assert answers(runner) == {"runs_per_week": 4}


def test_answer_sent_again_changes_nothing(client, runner):
    act = str(uuid4())
    sent(client, runner, act, runs_per_week="4", runs_per_week__seen="")
    sent(client, runner, runs_per_week="5", runs_per_week__seen="4")

    again = sent(client, runner, act, runs_per_week="4", runs_per_week__seen="")

    assert again.status_code == 200
    assert answers(runner) == {"runs_per_week": 5}


@pytest.mark.parametrize(
    ("name", "typed", "words"),
    [
        ("height_m", "172", "Between 0.9 and 2.4 m"),
        ("injured_on", "13.3.2026", "after the day of the history"),
        ("gave_birth_on", "13.3.2026", "after the day of the history"),
    ],
)
def test_bad_answer_comes_back_with_its_reason(client, runner, name, typed, words):
    told = sent(client, runner, **{name: typed, f"{name}__seen": ""})

    text = told.content.decode()
    assert told.status_code == 422
    assert words in text
    assert f'value="{typed}"' in text
    assert not RunningHistory.objects.exists()


def test_stored_answer_that_would_be_refused_today_holds_nothing_back(client, clinician, runner):
    make_history(runner, clinician, TODAY, weekly_distance_km=Decimal("31.5"))  # whole ones only

    other = sent(client, runner, runs_per_week="4", runs_per_week__seen="")
    same = sent(client, runner, weekly_distance_km="32", weekly_distance_km__seen="31.5")

    assert (other.status_code, same.status_code) == (200, 200)
    assert answers(runner) == {"weekly_distance_km": 32, "runs_per_week": 4}


def test_what_is_no_question_is_refused(client, runner):
    assert sent(client, runner, shoe_size="42", shoe_size__seen="").status_code == 400
    assert not RunningHistory.objects.exists()


def test_snapshot_under_a_signed_assessment_stays_when_one_answer_moves(
    client, clinician, runner, edition
):
    former = make_history(runner, clinician, TODAY, runs_per_week=3)
    assessment = make_assessment(
        edition=edition, client=runner, by=clinician, on=TODAY, history=former
    )
    sign_assessment(assessment=assessment, findings=(), by=clinician)

    told = sent(client, runner, runs_per_week="4", runs_per_week__seen="3")

    assert told.status_code == 200
    assert former.answers.get().value == 3
    assert RunningHistory.objects.latest("pk").answers.get().value == 4


def test_unchanged_is_not_confirmed_over_what_somebody_saved(client, clinician, runner):
    former = make_history(runner, clinician, date(2026, 1, 5), runs_per_week=3)
    seen = stamp(former)
    sent(client, runner, runs_per_week="4", runs_per_week__seen="3")

    told = client.post(page(runner), {"unchanged": "yes", "seen": seen}, follow=True)

    assert "Look at it again" in told.content.decode()
    assert answers(runner) == {"runs_per_week": 4}


def test_looking_is_in_the_trail(client, clinician, runner):
    client.get(page(runner))

    line = TrailEntry.objects.get(action="view")
    assert (line.actor, line.client, line.object_kind) == (clinician, runner, "runninghistory")
