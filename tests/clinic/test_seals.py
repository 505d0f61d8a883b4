"""Every column of a sealed table is in its seal or left out with a reason."""

import pytest

from assessments import models as seen
from assessments.services import seals as of_assessments
from clinic.models import Paper
from clinic.services import seals as of_papers
from exercises import models as decided
from exercises.services import seals as of_programmes

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
