"""A whole record in the database from one assessment file (assessment.schema.json)."""

from datetime import date, timedelta
from decimal import Decimal

from django.utils import timezone

from assessments.models import (
    Assessment,
    Episode,
    HistoryAnswer,
    Observation,
    RunningHistory,
    ScoreValue,
    Screening,
    ScreeningAnswer,
    TestResult,
    Trial,
)
from tests.factories import ClientFactory, StaffFactory

TRIAL = (
    "surface",
    "speed_m_s",
    "incline_percent",
    "frame_rate_hz",
    "steps_averaged",
    "shoes",
)


def months_before(day, months):
    """The first day of the month that lies whole months back."""
    count = day.year * 12 + day.month - 1 - months
    return date(count // 12, count % 12 + 1, 1)


def record_from_file(data, *, edition, client=None, by=None):
    """Rows of everything the file says; ages, months and weeks become dates."""
    day = date.fromisoformat(data["assessed_on"])
    by = by or StaffFactory()
    client = client or client_from(data["client"], day)
    body = {
        code: data["client"][code] for code in ("height_m", "mass_kg") if code in data["client"]
    }
    assessment = Assessment.objects.create(
        site=client.site,
        client=client,
        episode=Episode.objects.create(
            site=client.site,
            client=client,
            clinician=by,
            reason="Runs with an ache",
            opened_on=day - timedelta(days=7),
            **data["episode"],
        ),
        clinician=by,
        kind=data["kind"],
        assessed_on=day,
        edition=edition,
        history=history_from(data["history"] | body, client, day, by),
        screening=screening_from(data["screening"], client, by),
    )
    add_answers(assessment, data, by)
    return assessment


def client_from(facts, day):
    """An age that the file does not give stays unknown to nobody: a client has a birth date."""
    age = facts.get("age_years", 34)
    return ClientFactory(birth_date=date(day.year - age, 1, 2), sex_for_norms=facts.get("sex", ""))


def history_from(facts, client, day, by):
    facts = dict(facts)
    months, weeks = facts.pop("previous_injury_months", None), facts.pop("weeks_postnatal", None)
    history = RunningHistory.objects.create(
        site=client.site,
        client=client,
        taken_on=day,
        taken_by=by,
        injured_on=None if months is None else months_before(day, months),
        gave_birth_on=None if weeks is None else day - timedelta(weeks=weeks),
    )
    for code, found in facts.items():
        fields = {"choice": found} if isinstance(found, str) else {"value": found}
        if isinstance(found, list):
            fields = {"items": found}
        HistoryAnswer.objects.create(site=client.site, history=history, fact_id=code, **fields)
    return history


def screening_from(given, client, by):
    if "screened_on" not in given and not given["answers"]:
        return None
    screening = Screening.objects.create(
        site=client.site, client=client, screened_on=given["screened_on"], screened_by=by
    )
    for flag, found in given["answers"].items():
        lift = {}
        if isinstance(found, dict):
            lift = {
                "lifted_on": found["lifted_on"],
                "lifted_by": by,
                "reason": found["reason"],
                "keeps": found.get("keeps", "nothing"),
            }
        ScreeningAnswer.objects.create(
            site=client.site,
            screening=screening,
            flag_id=flag,
            answer="yes" if lift else found,
            **lift,
        )
    return screening


def add_answers(assessment, data, by):
    saved = {
        "site": assessment.site,
        "assessment": assessment,
        "saved_at": timezone.now(),
        "saved_by": by,
    }
    trials = {
        one["id"]: Trial.objects.create(
            site=assessment.site,
            assessment=assessment,
            position=place,
            **{name: one[name] for name in TRIAL if name in one},
        )
        for place, one in enumerate(data["trials"], start=1)
    }
    for one in data["observations"]:
        Observation.objects.create(
            **saved,
            trial=trials[one["trial"]],
            feature_id=one["feature"],
            side=one["side"],
            grade=one.get("grade"),
            method=one.get("method", ""),
            **of_kind(one.get("value")),
        )
    for one in data["tests"]:
        TestResult.objects.create(
            **saved, test_id=one["test"], side=one["side"], **of_kind(one["value"])
        )
    for one in data["scores"]:
        ScoreValue.objects.create(**saved, score_id=one["score"], **of_kind(one["value"]))


def of_kind(found):
    """A word is a choice, a number a value."""
    if found is None:
        return {}
    if isinstance(found, str):
        return {"choice": found}
    return {"value": Decimal(str(found))}
