"""Every column of a sealed table is in its seal or left out with a reason."""

from decimal import Decimal

import pytest

from assessments import models as seen
from assessments.services import seals as of_assessments
from clinic.models import Paper
from clinic.services import seals as of_papers
from clinic.services.seals import seal_of
from exercises import models as decided
from exercises.services import seals as of_programmes
from tests.factories.consult import make_assessment, observe

# a lift may still be entered after the signing
LIFT = {"lifted_on", "lifted_by_id", "reason", "keeps"}


@pytest.mark.parametrize(
    ("model", "columns", "left_out"),
    [
        (seen.Assessment, of_assessments.ASSESSMENT, set()),
        (seen.Trial, of_assessments.TRIAL, set()),
        (seen.Observation, of_assessments.OBSERVATION, set()),
        (seen.TestResult, of_assessments.TEST, set()),
        (seen.ScoreValue, of_assessments.SCORE, set()),
        (seen.Finding, of_assessments.FINDING, set()),
        (seen.RunningHistory, of_assessments.HISTORY, set()),
        (seen.HistoryAnswer, of_assessments.FACT, set()),
        (seen.Screening, of_assessments.SCREENING, {"version"}),
        (seen.ScreeningAnswer, of_assessments.FLAG, LIFT),
        (decided.Programme, of_programmes.PROGRAMME, set()),
        (decided.ProgrammeItem, of_programmes.ITEM, set()),
        (decided.Advice, of_programmes.ADVICE, set()),
        # the bytes have a checksum of their own
        (Paper, of_papers.PAPER, {"pdf"}),
    ],
)
def test_every_column_is_sealed(model, columns, left_out):
    assert {field.attname for field in model._meta.concrete_fields} - set(columns) == left_out


@pytest.mark.django_db
def test_seal_of_the_first_version_is_what_it_was(edition):
    # written out as version 1 had them, before errors and camera sides were kept
    trial = [
        "id", "site_id", "assessment_id", "position", "surface", "speed_m_s", "incline_percent",
        "frame_rate_hz", "steps_averaged", "shoes", "version",
    ]  # fmt: skip
    observation = [
        "id", "site_id", "assessment_id", "trial_id", "feature_id", "side", "not_seen", "grade",
        "value", "choice", "method", "version", "saved_at", "saved_by_id",
    ]  # fmt: skip
    assessment = make_assessment(edition=edition)
    observe(assessment, "cadence", value=Decimal(170), method="counted")
    rows = {"assessment": assessment.pk}
    by_hand = seal_of(
        "v1",
        [
            (seen.Assessment.objects.filter(pk=assessment.pk), of_assessments.ASSESSMENT),
            (seen.Trial.objects.filter(**rows), trial),
            (seen.Observation.objects.filter(**rows), observation),
            (seen.TestResult.objects.none(), of_assessments.TEST),
            (seen.ScoreValue.objects.none(), of_assessments.SCORE),
            (seen.Finding.objects.none(), of_assessments.FINDING),
            (seen.RunningHistory.objects.none(), of_assessments.HISTORY),
            (seen.HistoryAnswer.objects.none(), of_assessments.FACT),
            (seen.Screening.objects.none(), of_assessments.SCREENING),
            (seen.ScreeningAnswer.objects.none(), of_assessments.FLAG),
        ],
    )

    assert of_assessments.assessment_seal(assessment, like=by_hand) == by_hand
    assert of_assessments.assessment_seal(assessment).startswith("v2:")
