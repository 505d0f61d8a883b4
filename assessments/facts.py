"""From stored rows to the value that is judged."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

from assessments.amended import as_amended
from assessments.domain import assessment as values
from assessments.domain.assessment import FactValue
from assessments.domain.vocabulary import (
    Answer,
    AssessmentKind,
    Keeps,
    Method,
    Side,
)
from assessments.models import Assessment, Episode, RunningHistory, Screening
from assessments.stored_answers import trial_value
from clinic.models import Client

DAYS_A_WEEK = 7
EPISODE_FACTS = ("complaint_present", "complaint_region", "complaint_side", "goal")


def assessment_value(assessment: Assessment) -> values.Assessment:
    """The assessment as the domain judges it, as amended; what was not seen is left out."""
    as_amended(assessment)
    answers, lifts = _answers(assessment.screening, assessment.assessed_on)
    return replace(
        numbers_value(assessment),
        facts=facts_of(assessment),
        screened_on=assessment.screening.screened_on if assessment.screening else None,
        answers=answers,
        lifts=lifts,
    )


def numbers_value(assessment: Assessment) -> values.Assessment:
    """What was seen, tested and scored, without history and screening; rows as they were read."""
    trials = list(assessment.trials.all())
    codes = {trial.pk: trial.code for trial in trials}
    return values.Assessment(
        kind=AssessmentKind(assessment.kind),
        assessed_on=assessment.assessed_on,
        facts={},
        screened_on=None,
        answers={},
        lifts={},
        trials=tuple(trial_value(one) for one in trials),
        observations=tuple(
            values.Observation(
                feature=one.feature_id,
                side=Side(one.side),
                trial=codes[one.trial_id],
                value=one.value,
                grade=one.grade,
                choice=one.choice or None,
                method=Method(one.method) if one.method else None,
                sd=one.sd,
            )
            for one in assessment.observations.all()
            if one.value is not None or one.grade is not None or one.choice
        ),
        tests=tuple(
            values.StrengthTest(one.test_id, Side(one.side), one.value, one.choice or None)
            for one in assessment.tests.all()
            if one.value is not None or one.choice
        ),
        scores={
            one.score_id: one.choice if one.value is None else one.value
            for one in assessment.scores.all()
            if one.value is not None or one.choice
        },
    )


def intake_value(
    client: Client,
    *,
    on: date,
    episode: Episode | None,
    history: RunningHistory | None,
    screening: Screening | None,
) -> values.Assessment:
    """What is known before anything was seen: enough for the holds that follow from it."""
    answers, lifts = _answers(screening, on)
    return values.Assessment(
        kind=AssessmentKind.BASELINE,
        assessed_on=on,
        facts=_facts(client, episode, history, on),
        screened_on=screening.screened_on if screening else None,
        answers=answers,
        lifts=lifts,
        trials=(),
        observations=(),
        tests=(),
        scores={},
    )


def facts_of(assessment: Assessment) -> dict[str, FactValue]:
    """Facts of client, episode and history; weeks and months are counted to the assessment."""
    return _facts(
        assessment.client, assessment.episode, assessment.history, assessment.assessed_on
    )


def _facts(
    client: Client, episode: Episode | None, history: RunningHistory | None, day: date
) -> dict[str, FactValue]:
    facts: dict[str, FactValue] = {"age_years": Decimal(client.age_on(day))}
    if client.sex_for_norms:
        facts["sex"] = client.sex_for_norms
    facts |= {name: word for name in EPISODE_FACTS if episode and (word := getattr(episode, name))}
    if history is not None:
        facts |= _history_facts(history, day)
    return facts


def _history_facts(history: RunningHistory, day: date) -> dict[str, FactValue]:
    facts: dict[str, FactValue] = {}
    for one in history.answers.all():
        if one.value is not None:
            facts[one.fact_id] = one.value
        elif one.items is not None:
            facts[one.fact_id] = tuple(one.items)
        elif one.choice:
            facts[one.fact_id] = one.choice
    if history.injured_on:
        since = history.injured_on
        months = (day.year - since.year) * 12 + day.month - since.month - (day.day < since.day)
        facts["previous_injury_months"] = Decimal(months)
    if history.gave_birth_on:
        weeks = (day - history.gave_birth_on).days // DAYS_A_WEEK
        facts["weeks_postnatal"] = Decimal(weeks)
    return facts


def _answers(
    screening: Screening | None, day: date
) -> tuple[dict[str, Answer], dict[str, values.Lift]]:
    answers: dict[str, Answer] = {}
    lifts: dict[str, values.Lift] = {}
    if screening is None:
        return answers, lifts
    for one in screening.answers.select_related("lifted_by"):
        answers[one.flag_id] = Answer(one.answer)
        if one.lifted_on and one.lifted_on <= day:
            answers[one.flag_id] = Answer.YES_LIFTED
            lifts[one.flag_id] = values.Lift(
                one.lifted_on, str(one.lifted_by), one.reason, Keeps(one.keeps)
            )
    return answers, lifts
