"""The seal of a signed assessment, with the answers that it rests on."""

from assessments.models import (
    Addendum,
    Assessment,
    Finding,
    HistoryAnswer,
    Observation,
    Placement,
    RunningHistory,
    ScoreValue,
    Screening,
    ScreeningAnswer,
    TestResult,
    Trial,
)
from clinic.services.seals import seal_of

FIRST, NEWEST = "v1", "v2"
SAVED = ("version", "saved_at", "saved_by_id")
ASSESSMENT = (
    "id", "site_id", "client_id", "episode_id", "clinician_id", "kind", "assessed_on",
    "edition_id", "history_id", "history_confirmed_on", "screening_id", "words", "impression",
    "response", "version", "signed_at", "signed_by_id",
)  # fmt: skip
# version v1; what came later stands below and joins in v2
TRIAL_V1 = (
    "id", "site_id", "assessment_id", "position", "surface", "speed_m_s", "incline_percent",
    "frame_rate_hz", "steps_averaged", "shoes", "version",
)  # fmt: skip
OBSERVATION_V1 = (
    "id", "site_id", "assessment_id", "trial_id", "feature_id", "side", "not_seen", "grade",
    "value", "choice", "method", *SAVED,
)  # fmt: skip
TRIAL = (*TRIAL_V1, "camera")
OBSERVATION = (*OBSERVATION_V1, "sd", "steps")
PLACEMENT = (
    "id", "site_id", "assessment_id", "trial_id", "view", "content", "moments", "sha256", *SAVED,
)  # fmt: skip
TEST = ("id", "site_id", "assessment_id", "test_id", "side", "value", "choice", *SAVED)
SCORE = ("id", "site_id", "assessment_id", "score_id", "value", "choice", *SAVED)
ADDENDUM = (
    "id", "site_id", "assessment_id", "number", "kind", "about", "reason", "text", "acted_on",
    "entered_at", "author_id", "changes",
)  # fmt: skip
FINDING = ("id", "site_id", "assessment_id", "finding_id", "side", "severity", "because")
HISTORY = (
    "id", "site_id", "client_id", "taken_on", "taken_by_id", "injured_on", "gave_birth_on",
    "version",
)  # fmt: skip
FACT = ("id", "site_id", "history_id", "fact_id", "value", "choice", "items")
# a lift may be entered after the signing, so neither it nor the version of the round is frozen
SCREENING = ("id", "site_id", "client_id", "screened_on", "screened_by_id")
FLAG = ("id", "site_id", "screening_id", "flag_id", "answer")


def assessment_seal(assessment: Assessment, like: str = "") -> str:
    """Seal of an assessment as it is stored: its rows, its history and its screening.

    like: a seal whose version is wanted; a new seal has the newest. Columns that came after v1
    were empty in what v1 sealed, so what stands in them now was not signed.
    """
    version = FIRST if like.startswith(f"{FIRST}:") else NEWEST
    held = {"assessment": assessment.pk}
    trials, observations = Trial.objects.filter(**held), Observation.objects.filter(**held)
    old = version == FIRST
    if old and (trials.exclude(camera="").exists() or observations.exclude(sd=None).exists()):
        return f"{version}:holds what came later"
    placed = Placement.objects.filter(**held)
    # a table that came later joins where it has rows: without any the seal is what it was
    placements = [(placed, PLACEMENT)] if placed.exists() else []
    history, screening = assessment.history_id or 0, assessment.screening_id or 0
    return seal_of(
        version,
        [
            (Assessment.objects.filter(pk=assessment.pk), ASSESSMENT),
            (trials, TRIAL_V1 if old else TRIAL),
            (observations, OBSERVATION_V1 if old else OBSERVATION),
            (TestResult.objects.filter(**held), TEST),
            (ScoreValue.objects.filter(**held), SCORE),
            (Finding.objects.filter(**held), FINDING),
            (RunningHistory.objects.filter(pk=history), HISTORY),
            (HistoryAnswer.objects.filter(history=history), FACT),
            (Screening.objects.filter(pk=screening), SCREENING),
            (ScreeningAnswer.objects.filter(screening=screening), FLAG),
            *placements,
        ],
    )


def addendum_seal(addendum: Addendum) -> str:
    """Seal of an addendum as it is stored."""
    return seal_of("v1", [(Addendum.objects.filter(pk=addendum.pk), ADDENDUM)])
