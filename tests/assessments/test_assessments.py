"""Opening and signing an assessment."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, connection
from django.utils import timezone

from assessments.domain.findings import judge
from assessments.editions import tables_of
from assessments.facts import assessment_value
from assessments.forms.assessments import TrialForm
from assessments.models import Assessment, Finding
from assessments.services import assessments as services
from clinic.models import TrailEntry
from tests.factories import ClientFactory, StaffFactory
from tests.factories.consult import (
    SETTINGS,
    make_assessment,
    make_episode,
    make_history,
    make_screening,
    observe,
)

pytestmark = pytest.mark.django_db
TODAY = date(2026, 3, 12)


@pytest.fixture
def episode(edition):
    by = StaffFactory()
    return make_episode(ClientFactory(), by)


def opened(episode, **fields):
    fields = {"kind": "baseline", "assessed_on": TODAY, "history_unchanged": False} | fields
    return services.open_assessment(
        client=episode.client, episode=episode, by=episode.clinician, trial=SETTINGS, **fields
    )


def test_draft_rests_on_the_newest_history_and_screening(episode):
    client, by = episode.client, episode.clinician
    make_screening(client, by, TODAY - timedelta(40))
    screening = make_screening(client, by, TODAY - timedelta(3))
    make_screening(client, by, TODAY + timedelta(1))
    history = make_history(client, by, TODAY - timedelta(3))

    assessment = opened(episode, history_unchanged=True)

    assert (assessment.screening, assessment.history) == (screening, history)
    assert assessment.history_confirmed_on == TODAY
    assert assessment.trials.get().speed_m_s == Decimal("3.20")


def test_history_is_confirmed_only_when_said_or_taken_that_day(episode):
    make_history(episode.client, episode.clinician, TODAY - timedelta(3))
    before = opened(episode)
    make_history(episode.client, episode.clinician, TODAY)
    same_day = opened(episode)

    assert before.history_confirmed_on is None
    assert same_day.history_confirmed_on == TODAY


@pytest.mark.parametrize(
    ("day", "text"),
    [
        (timezone.localdate() + timedelta(1), "The assessment lies in the future."),
        (date(1980, 1, 1), "The assessment lies before the client was born."),
        (date(2026, 1, 9), "The episode was opened on 10 Jan 2026, after that day."),
    ],
)
def test_impossible_days_are_refused_next_to_the_field(episode, day, text):
    with pytest.raises(ValidationError) as caught:
        opened(episode, assessed_on=day)

    assert caught.value.message_dict == {"assessed_on": [text]}
    assert not Assessment.objects.exists()


def test_first_is_a_baseline_and_the_next_a_reassessment(episode):
    assert services.usual_kind(services.latest_assessment(episode.client)) == "baseline"
    opened(episode)
    assert services.usual_kind(services.latest_assessment(episode.client)) == "reassessment"


def test_trial_starts_from_the_last_settings(episode):
    opened(episode)

    latest = services.latest_assessment(episode.client)
    assert services.trial_settings(latest) == SETTINGS | {"camera": ""}


# 1000 m in 5 min 12 s = 312 s: 3.205 m/s, by definition
@pytest.mark.parametrize(("typed", "speed"), [("5:12", "3.21"), ("3,2", "3.2"), ("3.2", "3.2")])
def test_speed_is_taken_as_metres_a_second_or_as_pace(typed, speed):
    form = TrialForm({"speed_m_s": typed})

    assert form.is_valid()
    assert form.cleaned_data["speed_m_s"] == Decimal(speed)


@pytest.mark.parametrize("typed", ["0:00", "quick", "9"])
def test_impossible_speed_is_refused(typed):
    assert list(TrialForm({"speed_m_s": typed}).errors) in (["speed_m_s"], ["__all__"])


def test_stale_trial_is_refused(edition):
    assessment = make_assessment(edition=edition)
    trial = assessment.trials.get()
    by = assessment.clinician
    services.edit_trial(trial=trial, by=by, seen=1, **SETTINGS | {"speed_m_s": Decimal(3)})

    with pytest.raises(ValidationError):
        services.edit_trial(trial=trial, by=by, seen=1, **SETTINGS)

    trial.refresh_from_db()
    assert trial.speed_m_s == 3


def judged_findings(assessment):
    return judge(assessment_value(assessment), tables_of(assessment.edition_id)).findings


def test_signing_keeps_the_findings_with_their_reasons(edition):
    assessment = make_assessment(edition=edition)
    # limit of R46: below 163 steps a minute, B
    observe(assessment, "cadence", value=Decimal(150), method="counted")

    services.sign_assessment(
        assessment=assessment, findings=judged_findings(assessment), by=assessment.clinician
    )

    assessment.refresh_from_db()
    assert assessment.signed_by == assessment.clinician
    row = Finding.objects.get(finding="low_cadence")
    reason = row.because[0]
    assert (reason["rule"], reason["value"], reason["threshold"]) == ("R46", "150.000", "163")
    assert TrailEntry.objects.latest("pk").action == "sign"


def test_only_the_clinician_in_charge_signs(edition):
    assessment = make_assessment(edition=edition)

    with pytest.raises(PermissionDenied):
        services.sign_assessment(assessment=assessment, findings=[], by=StaffFactory())


def test_nothing_is_changed_after_signing(edition):
    assessment = make_assessment(edition=edition)
    by = assessment.clinician
    services.sign_assessment(assessment=assessment, findings=[], by=by)

    with pytest.raises(ValidationError):
        services.sign_assessment(assessment=assessment, findings=[], by=by)
    with pytest.raises(ValidationError):
        services.add_trial(assessment=assessment, by=by, **SETTINGS)
    with pytest.raises(ValidationError):
        services.take_newest_basis(assessment=assessment, by=by)
    with pytest.raises(IntegrityError), connection.cursor() as cursor:
        cursor.execute(
            "UPDATE assessments_assessment SET signed_at = NULL, signed_by_id = NULL "
            "WHERE id = %s",
            [assessment.pk],
        )
