"""The seal of an issued programme."""

from clinic.services.seals import seal_of
from exercises.models import Advice, Programme, ProgrammeItem

PROGRAMME = (
    "id", "site_id", "assessment_id", "proposal", "minutes_a_day", "review_on",
    "cadence_measured", "cadence_first_target", "cadence_second_target",
    "cadence_second_from_week", "agreed", "version", "issued_at", "issued_by_id",
)  # fmt: skip
ITEM = (
    "id", "site_id", "programme_id", "exercise_id", "position", "stage", "side", "priority",
    "sets", "reps", "hold_s", "duration_min", "per_side", "tempo_s_per_rep", "rest_s",
    "sessions_per_week", "weeks", "pain_ceiling", "order_note", "missing_kit", "because",
    "decision", "reason", "decided_by_id", "decided_at", "tick_needed", "ticked_by_id",
    "ticked_on", "shown_and_tried", "version",
)  # fmt: skip
ADVICE = ("id", "site_id", "programme_id", "text", "given_on", "understood")


def programme_seal(programme: Programme) -> str:
    """Seal of a programme as it is stored, with its lines and its advice."""
    return seal_of(
        "v1",
        [
            (Programme.objects.filter(pk=programme.pk), PROGRAMME),
            (ProgrammeItem.objects.filter(programme=programme.pk), ITEM),
            (Advice.objects.filter(programme=programme.pk), ADVICE),
        ],
    )
