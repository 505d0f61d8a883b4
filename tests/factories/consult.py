"""Assessments in the middle of the work, for tests, benchmarks and pictures."""

from datetime import date
from decimal import Decimal

from django.utils import timezone

from assessments.models import (
    Assessment,
    Episode,
    Feature,
    HistoryAnswer,
    Observation,
    RunningHistory,
    Screening,
    ScreeningAnswer,
    Trial,
)
from tests.factories import ClientFactory, StaffFactory

DAY = date(2026, 3, 12)
SETTINGS = {
    "surface": "treadmill",
    "speed_m_s": Decimal("3.20"),
    "incline_percent": Decimal("1.0"),
    "frame_rate_hz": Decimal("240.00"),
    "steps_averaged": 10,
    "shoes": "usual",
}


def make_episode(client, by, **fields):
    fields = {"opened_on": date(2026, 1, 10), "reason": "Knee aches after 5 km"} | fields
    return Episode.objects.create(site=client.site, client=client, clinician=by, **fields)


def make_assessment(*, edition, client=None, by=None, episode=None, on=DAY, **fields):
    """A draft with one trial of known settings."""
    by = by or StaffFactory()
    client = client or ClientFactory()
    episode = episode or Episode.objects.filter(client=client).first() or make_episode(client, by)
    assessment = Assessment.objects.create(
        site=client.site,
        client=client,
        episode=episode,
        clinician=by,
        assessed_on=on,
        edition=edition,
        **{"kind": "baseline"} | fields,
    )
    make_trial(assessment)
    return assessment


def make_trial(assessment, position=1, **settings):
    return Trial.objects.create(
        site=assessment.site, assessment=assessment, position=position, **SETTINGS | settings
    )


def observe(assessment, feature, side="none", *, trial=None, by=None, **answer):
    """One stored observation."""
    return Observation.objects.create(
        site=assessment.site,
        assessment=assessment,
        trial=trial or assessment.trials.first(),
        feature=Feature.objects.get(pk=feature),
        side=side,
        saved_at=timezone.now(),
        saved_by=by or assessment.clinician,
        **answer,
    )


def make_screening(client, by, on=DAY, *, yes=(), flags=()):
    """A screening in which every one of `flags` is no, but those of `yes`."""
    screening = Screening.objects.create(
        site=client.site, client=client, screened_on=on, screened_by=by
    )
    ScreeningAnswer.objects.bulk_create(
        ScreeningAnswer(
            site=client.site,
            screening=screening,
            flag_id=code,
            answer="yes" if code in yes else "no",
        )
        for code in flags
    )
    return screening


def make_history(client, by, on=DAY, **values):
    """A running history with numbers by fact code."""
    history = RunningHistory.objects.create(
        site=client.site, client=client, taken_on=on, taken_by=by
    )
    for code, value in values.items():
        HistoryAnswer.objects.create(site=client.site, history=history, fact_id=code, value=value)
    return history


def answer(code, side="none", *, kind="o", seen="0;;;;", **fields):
    """What the page posts for one cell; `seen` is version;grade;value;choice;method."""
    key = f"{kind}.{code}.{side}"
    return {f"{key}.seen": seen, **{f"{key}.{name}": text for name, text in fields.items()}}
