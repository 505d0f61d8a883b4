"""The checksum of one version of a signed assessment, so that two prints can be compared."""

from typing import Any

from assessments.answer_states import FIELDS, state_of
from assessments.grid import NARRATIVE
from assessments.stored_answers import Stored
from clinic.domain.chain import checksum

SIGNED = ("kind", "assessed_on", "edition_id", "history_id", "screening_id", "signed_at")
SETTINGS = (
    "position",
    "surface",
    "speed_m_s",
    "incline_percent",
    "frame_rate_hz",
    "steps_averaged",
    "shoes",
)
ADDED = ("number", "kind", "about", "reason", "text", "acted_on", "entered_at", "changes")


def version_hash(held: Stored) -> str:
    """SHA-256 of what a version says: its texts, settings, answers as amended and addenda."""
    assessment = held.assessment
    trials = {one.pk: one.position for one in held.trials}
    answers = [
        [
            *(kind, trials.get(trial, 0), code, side),
            *(getattr(state_of(row), one) for one in FIELDS),
            *_given(row, "sd"),
            *_given(row, "steps"),
        ]
        for (kind, trial, code, side), row in held.rows.items()
    ]
    return checksum(
        {
            "client": assessment.client.number,
            "signed_by": str(assessment.signed_by),
            "signed": [getattr(assessment, name) for name in (*SIGNED, *NARRATIVE)],
            "trials": [
                [*(getattr(one, name) for name in SETTINGS), *_given(one, "camera")]
                for one in held.trials
            ],
            "answers": sorted(answers),
            "addenda": [
                [*(getattr(one, name) for name in ADDED), str(one.author)]
                for one in assessment.addenda.all()
            ],
        }
    )


def _given(row: Any, name: str) -> list[Any]:
    """What stands in a column that came later: nothing keeps the checksums of older versions."""
    value = getattr(row, name, None)
    return [value] if value not in (None, "") else []
