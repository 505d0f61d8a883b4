"""What a programme may not hold, judged by the answers as they are now."""

from collections.abc import Iterable

from django.core.exceptions import ValidationError

from assessments.domain.assessment import Assessment as AssessmentValue
from exercises.domain.edition import Edition
from exercises.domain.proposals import withheld_among
from exercises.domain.sentences import stopped_by
from exercises.domain.suitability import ticks_among, zone_ceiling
from exercises.models import ProgrammeItem

NO_TICK = "An exercise needs your own tick before it is issued."


def refuse_withheld(codes: Iterable[str], value: AssessmentValue, edition: Edition) -> None:
    """Raise ValidationError with every reason that stops one of the exercises."""
    stopped = withheld_among(value, edition, list(codes))
    if stopped:
        raise ValidationError(
            [
                f"{edition.exercises[one.exercise].name} is withheld: "
                + " ".join(reason.text for reason in stopped_by(one, edition))
                for one in stopped
            ]
        )


def refuse_pain(item: ProgrammeItem, value: AssessmentValue, edition: Edition) -> None:
    """Raise ValidationError where the line allows more pain than the pain zones do."""
    top = zone_ceiling(value, edition)
    if item.pain_ceiling is not None and item.pain_ceiling > top:
        name = edition.exercises[item.exercise_id].name
        raise ValidationError({"pain_ceiling": f"{name}: the pain zones allow pain up to {top}."})


def refuse_unsafe(kept: list[ProgrammeItem], value: AssessmentValue, edition: Edition) -> None:
    """Raise ValidationError where the answers as they are now forbid what was decided."""
    codes = [item.exercise_id for item in kept]
    refuse_withheld(codes, value, edition)
    for item in kept:
        refuse_pain(item, value, edition)
    ticks = ticks_among(value, edition, codes)
    if any(item.exercise_id in ticks and item.ticked_by_id is None for item in kept):
        raise ValidationError(NO_TICK)
