"""What the record says on a day: whole months and weeks, nothing that was not said.

Expected counts are taken from the calendar; that a month is complete on its day of the month,
and not before, is a rule of this clinic.
"""

from datetime import date
from decimal import Decimal

import pytest

from assessments.domain.vocabulary import Answer, Keeps, Side
from assessments.facts import assessment_value, intake_value
from assessments.models import HistoryAnswer
from assessments.services.assessments import for_consult
from tests.factories import ClientFactory, StaffFactory
from tests.factories.consult import (
    make_assessment,
    make_episode,
    make_history,
    make_screening,
    observe,
)

DAY = date(2026, 3, 12)


def facts_on(day, *, injured=None, birth=None):
    runner = ClientFactory()
    history = make_history(runner, StaffFactory(), day)
    history.injured_on, history.gave_birth_on = injured, birth
    return intake_value(runner, on=day, episode=None, history=history, screening=None).facts


@pytest.mark.parametrize(
    ("injured", "day", "months"),
    [
        (date(2026, 2, 12), DAY, 1),
        (date(2026, 2, 13), DAY, 0),
        (DAY, DAY, 0),
        (date(2026, 1, 31), date(2026, 2, 28), 0),
        (date(2026, 1, 31), date(2026, 3, 1), 1),
        (date(2025, 12, 31), date(2026, 1, 1), 0),
        (date(2024, 2, 29), date(2026, 2, 28), 23),
        (date(2024, 2, 29), date(2026, 3, 1), 24),
    ],
)
def test_months_are_whole_across_month_ends(edition, injured, day, months):
    assert facts_on(day, injured=injured)["previous_injury_months"] == months


@pytest.mark.parametrize(
    ("birth", "weeks"),
    [
        (DAY, 0),
        (date(2026, 3, 6), 0),
        (date(2026, 3, 5), 1),
        (date(2026, 1, 16), 7),
        (date(2026, 1, 15), 8),
        (date(2025, 3, 13), 52),
    ],
)
def test_weeks_are_whole_across_month_ends(edition, birth, weeks):
    assert facts_on(DAY, birth=birth)["weeks_postnatal"] == weeks


def test_counts_run_to_the_day_of_the_assessment(edition):
    assessment = make_assessment(edition=edition, on=DAY)
    history = make_history(assessment.client, assessment.clinician, date(2026, 1, 5))
    history.injured_on, history.gave_birth_on = date(2025, 12, 12), date(2026, 1, 1)
    assessment.history = history

    facts = assessment_value(assessment).facts

    # 12 Dec to 12 Mar; 70 days from 1 Jan to 12 Mar
    assert (facts["previous_injury_months"], facts["weeks_postnatal"]) == (3, 10)


def test_what_was_not_said_is_left_out(edition):
    runner = ClientFactory(birth_date=date(1990, 3, 13), sex_for_norms="")
    by = StaffFactory()
    history = make_history(runner, by, DAY, height_m=None, runs_per_week=0)

    value = intake_value(
        runner, on=DAY, episode=make_episode(runner, by), history=history, screening=None
    )

    # 35 until the birthday on the next day; nought is an answer
    assert value.facts == {"age_years": 35, "runs_per_week": 0}


def test_every_kind_of_answer_is_told(edition):
    runner = ClientFactory(birth_date=date(1990, 3, 12), sex_for_norms="f")
    by = StaffFactory()
    history = make_history(runner, by, DAY, height_m=Decimal("1.72"))
    typed = {"equipment": {"items": ["mat", "band"]}, "orthoses": {"choice": "no"}}
    for code, found in typed.items():
        HistoryAnswer.objects.create(site=runner.site, history=history, fact_id=code, **found)
    episode = make_episode(
        runner, by, complaint_present="yes", complaint_region="calf", complaint_side="left"
    )

    value = intake_value(runner, on=DAY, episode=episode, history=history, screening=None)

    assert value.facts == {
        "age_years": 36,
        "sex": "f",
        "complaint_present": "yes",
        "complaint_region": "calf",
        "complaint_side": "left",
        "height_m": Decimal("1.72"),
        "equipment": ("mat", "band"),
        "orthoses": "no",
    }


@pytest.mark.parametrize(
    ("lifted_on", "answer"),
    [
        (None, Answer.YES),
        (date(2026, 3, 11), Answer.YES_LIFTED),
        (DAY, Answer.YES_LIFTED),
        (date(2026, 3, 13), Answer.YES),
    ],
)
def test_lift_counts_from_its_day_on(edition, lifted_on, answer):
    runner, by = ClientFactory(), StaffFactory()
    screening = make_screening(runner, by, date(2026, 3, 1), yes=["s04"], flags=["s04", "s05"])
    if lifted_on:
        row = screening.answers.get(flag_id="s04")
        row.lifted_on, row.lifted_by, row.reason = lifted_on, by, "Seen and cleared"
        row.keeps = "no_impact"
        row.save()

    value = intake_value(runner, on=DAY, episode=None, history=None, screening=screening)

    assert value.screened_on == date(2026, 3, 1)
    assert value.answers == {"s04": answer, "s05": Answer.NO}
    assert set(value.lifts) == ({"s04"} if answer is Answer.YES_LIFTED else set())
    for lift in value.lifts.values():
        assert (lift.lifted_on, lift.lifted_by, lift.keeps) == (
            lifted_on,
            str(by),
            Keeps.NO_IMPACT,
        )


def test_without_a_screening_nothing_is_answered(edition):
    value = intake_value(ClientFactory(), on=DAY, episode=None, history=None, screening=None)

    assert (value.screened_on, value.answers, value.lifts) == (None, {}, {})


def test_error_and_camera_side_are_carried(edition):
    assessment = make_assessment(edition=edition)
    assessment.trials.update(camera="left")
    observe(assessment, "cadence", value=Decimal("170.5"), sd=Decimal("0.8132"))

    value = assessment_value(for_consult(assessment.clinician).get(pk=assessment.pk))

    assert value.trials[0].camera is Side.LEFT
    assert value.observations[0].sd == Decimal("0.8132")
