"""What an assessment allows an exercise that no rule proposed."""

from collections.abc import Collection
from decimal import Decimal, localcontext

from assessments.domain.assessment import Assessment
from assessments.domain.findings import judge
from assessments.domain.record import record_of
from assessments.domain.rounding import EXACT
from exercises.domain.edition import Edition
from exercises.domain.library import Effect, Exercise
from exercises.domain.notes import NEEDS_TICK
from exercises.domain.situation import after_judging, pain_ceiling


def zone_ceiling(assessment: Assessment, edition: Edition) -> Decimal:
    """The highest pain, 0 to 10, that any exercise may allow. Source: EVALUATION.md, 11."""
    return pain_ceiling(record_of(assessment), edition.tables)


def ticks_among(
    assessment: Assessment, edition: Edition, codes: Collection[str]
) -> frozenset[str]:
    """Exercises that need the clinician's own tick, asked for by a rule or not.

    codes: exercise codes of the edition. Source: EVALUATION.md, 9.
    """
    rows = [
        rule
        for rule in edition.by_effect[Effect.NOTE]
        if rule.note_code == NEEDS_TICK and rule.exercise in codes
    ]
    if not rows:
        return frozenset()
    with localcontext(EXACT):
        situation = after_judging(judge(assessment, edition.tables), edition.tables)
        return frozenset(str(rule.exercise) for rule in rows if situation.fires(rule))


def kit_missing(assessment: Assessment, exercise: Exercise) -> tuple[str, ...]:
    """Things that the exercise needs and the client lacks; nothing without a list of equipment.

    Source: EVALUATION.md, 12.
    """
    at_hand = assessment.facts.get("equipment")
    if not isinstance(at_hand, tuple):
        return ()
    return tuple(thing for thing in exercise.kit if thing not in at_hand)
