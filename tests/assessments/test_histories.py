"""Snapshots of the running history: when one is changed, made or copied, and what it then says."""

from datetime import date
from decimal import Decimal

import pytest
from django.urls import reverse

from assessments.facts import intake_value
from assessments.models import Fact, RunningHistory
from assessments.services.assessments import sign_assessment
from assessments.services.histories import Told, confirm_unchanged, keep_history, told_in
from clinic.models import TrailEntry
from tests.factories import ClientFactory, StaffFactory
from tests.factories.consult import make_assessment, make_history

TODAY, EARLIER = date(2026, 3, 12), date(2026, 1, 5)
WHOLE = Told(
    injured_on=date(2025, 11, 1),
    gave_birth_on=date(2025, 1, 1),
    answers={"height_m": Decimal("1.72"), "orthoses": "no", "equipment": ["mat", "band"]},
)


@pytest.fixture
def by(db, client):
    staff = StaffFactory()
    client.force_login(staff)
    return staff


@pytest.fixture
def runner(db):
    return ClientFactory(sex_for_norms="f")


def keep(runner, by, told, on=TODAY):
    return keep_history(client=runner, on=on, told=told, by=by)


def test_copy_says_all_that_the_last_one_says(runner, by, edition):
    former = keep(runner, by, WHOLE, EARLIER)

    copy = confirm_unchanged(client=runner, on=TODAY, by=by)

    assert (copy.taken_on, told_in(copy)) == (TODAY, WHOLE)
    assert (former.taken_on, told_in(former)) == (EARLIER, WHOLE)
    lines = TrailEntry.objects.filter(object_kind="runninghistory")
    assert [line.action for line in lines] == ["create", "create"]


def test_copy_on_the_same_day_adds_nothing(runner, by, edition):
    former = keep(runner, by, WHOLE)

    assert confirm_unchanged(client=runner, on=TODAY, by=by).pk == former.pk
    assert RunningHistory.objects.count() == 1


def test_nothing_to_confirm_is_said(client, runner, by, edition):
    page = reverse("history-open", args=[runner.pk])

    shown = client.post(page, {"unchanged": "yes"}, follow=True)

    assert "There is no earlier history to confirm." in shown.content.decode()
    assert not RunningHistory.objects.exists()


def test_facts_that_were_not_asked_this_time_stay(runner, by, edition):
    keep(runner, by, Told(answers={"height_m": Decimal("1.72"), "mass_kg": Decimal(70)}))

    changed = keep(runner, by, Told(answers={"mass_kg": Decimal(71)}))

    assert told_in(changed).answers == {"height_m": Decimal("1.72"), "mass_kg": 71}


def test_snapshot_under_a_signed_assessment_is_followed_by_one_of_the_day(runner, by, edition):
    signed = keep(runner, by, WHOLE)
    assessment = make_assessment(edition=edition, client=runner, by=by, on=TODAY, history=signed)
    sign_assessment(assessment=assessment, findings=(), by=by)

    second = keep(runner, by, Told(answers={"height_m": Decimal("1.70")}))
    third = keep(runner, by, Told(answers={"height_m": Decimal("1.71")}))

    signed.refresh_from_db()
    assert (signed.version, told_in(signed)) == (1, WHOLE)
    assert third.pk == second.pk != signed.pk
    assert told_in(third).answers == {"height_m": Decimal("1.71")}


def test_snapshot_under_a_draft_is_changed(runner, by, edition):
    former = keep(runner, by, WHOLE)
    make_assessment(edition=edition, client=runner, by=by, on=TODAY, history=former)

    assert keep(runner, by, Told()).pk == former.pk


def test_another_clients_history_is_left_alone(runner, by, edition):
    other = make_history(ClientFactory(), by, TODAY, runs_per_week=3)

    keep(runner, by, Told(answers={"runs_per_week": Decimal(5)}))

    assert other.answers.get().value == 3


def test_cleared_answers_count_as_not_asked(runner, by, edition):
    keep(runner, by, WHOLE)

    cleared = {"equipment": [], "orthoses": "", "height_m": None, "runs_per_week": Decimal(0)}
    history = keep(runner, by, Told(answers=cleared))

    value = intake_value(runner, on=TODAY, episode=None, history=history, screening=None)
    # an empty list would say that there is no kit at all, and take exercises away
    assert set(value.facts) == {"age_years", "sex", "runs_per_week"}
    assert keep(runner, by, Told(answers=cleared)).version == 3
    assert TrailEntry.objects.filter(object_kind="runninghistory").latest("pk").detail == {
        "facts": {}
    }


def test_fact_that_the_edition_no_longer_asks_opens(client, runner, by, edition):
    Fact.objects.create(code="former_fact", name="Asked in an older edition")
    make_history(runner, by, EARLIER, former_fact=2, runs_per_week=3)

    shown = client.get(reverse("history-open", args=[runner.pk]))

    assert 'value="3"' in shown.content.decode()


def test_men_see_no_heading_of_birth_but_are_asked_about_leaking(client, by, edition):
    shown = client.get(reverse("history-open", args=[ClientFactory(sex_for_norms="m").pk]))

    assert "Pregnancy and birth" not in shown.content.decode()
    assert "Do you leak" in shown.content.decode()


def test_speed_is_shown_back_both_ways(client, runner, by, edition):
    make_history(runner, by, EARLIER, usual_speed_m_s=Decimal("3.2"))

    shown = client.get(reverse("history-open", args=[runner.pk])).content.decode()

    # by definition: 1000 m at 3.2 m/s take 312.5 s, rounded to the even second
    assert 'value="3.20"' in shown
    assert "Last time: 3.2 m/s, 5:12 for a kilometre." in shown
