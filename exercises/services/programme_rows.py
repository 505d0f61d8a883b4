"""Rows of a programme: locked while it is open, their doses, minutes and lines in the trail."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError

from assessments.domain.vocabulary import Stage
from assessments.services.assessments import RETRACTED
from clinic.domain.vocabulary import TrailAction
from clinic.models import Staff
from clinic.services import trail
from exercises.domain.decisions import Decision
from exercises.domain.dose import DOSE, Dose, total_daily_minutes
from exercises.domain.edition import Edition
from exercises.models import Programme, ProgrammeItem

KEPT = (Decision.ACCEPTED.value, Decision.ADJUSTED.value, Decision.ADDED.value)

OUT = (Decision.DECLINED.value, Decision.WITHDRAWN.value)

PLAN = (
    "cadence_measured",
    "cadence_first_target",
    "cadence_second_target",
    "cadence_second_from_week",
)

PROPOSED = (*DOSE, "pain_ceiling")

ISSUED = "This programme is issued: a reassessment makes the next one."


def dose_of(item: ProgrammeItem) -> Dose:
    """The dose of a stored line."""
    return Dose(**{name: _number(getattr(item, name)) for name in DOSE})


def _number(value: Any) -> Any:
    return Decimal(value) if isinstance(value, int) and not isinstance(value, bool) else value


class _Line:
    """A stored line as the domain counts its minutes."""

    def __init__(self, item: ProgrammeItem, edition: Edition) -> None:
        self.dose = dose_of(item)
        self.running_cue = edition.exercises[item.exercise_id].running_cue


def minutes_of(items: Iterable[ProgrammeItem], edition: Edition) -> Decimal:
    """Minutes a day of the lines of stage now that are not declined or withdrawn."""
    return total_daily_minutes(
        _Line(item, edition)
        for item in items
        if item.stage == Stage.NOW.value and item.decision not in OUT
    )


def settle(programme: Programme, edition: Edition) -> None:
    """Minutes a day, and the cadence plan as long as a line to a click stands in stage now."""
    items = list(programme.items.all())
    live = [it for it in items if it.stage == Stage.NOW.value and it.decision not in OUT]
    paced = any(edition.exercises[item.exercise_id].paced for item in live)
    plan = (programme.proposal.get("cadence_plan") if paced else None) or {}
    measured = plan.get("measured")
    programme.minutes_a_day = minutes_of(items, edition)
    programme.cadence_measured = None if measured is None else Decimal(str(measured))
    programme.cadence_first_target = plan.get("first_target")
    programme.cadence_second_target = plan.get("second_target")
    programme.cadence_second_from_week = plan.get("second_from_week")
    programme.save(update_fields=["minutes_a_day", *PLAN])


def open_programme(programme: Programme) -> Programme:
    """The programme, locked for this transaction. Raises ValidationError once it is issued."""
    found = (
        Programme.objects.select_for_update(of=("self",))
        .select_related("assessment__client", "assessment__clinician", "assessment__retraction")
        .get(pk=programme.pk)
    )
    if found.is_issued:
        raise ValidationError(ISSUED)
    if found.assessment.is_retracted:
        raise ValidationError(RETRACTED)
    return found


def open_line(item: ProgrammeItem) -> Programme:
    """The programme of a line, locked, the line as it is stored now. Raises ValidationError."""
    programme = open_programme(item.programme)
    item.refresh_from_db()
    item.programme = programme
    return programme


def fields_of(item: ProgrammeItem, names: Iterable[str]) -> dict[str, Any]:
    """These fields of a line as they stand, by name."""
    return {name: getattr(item, name) for name in names}


def record_line(item: ProgrammeItem, programme: Programme, by: Staff, **detail: Any) -> None:
    """The line of one changed line of a programme; its reason is free text and stays out."""
    trail.record(
        TrailAction.CHANGE,
        by=by,
        row=item,
        client=programme.assessment.client,
        exercise=item.exercise_id,
        **detail,
    )


def decision_of(item: ProgrammeItem, programme: Programme) -> Decision:
    """How a line that is taken stands to what was proposed."""
    lines = programme.proposal.get("programme", [])
    proposed = next((one for one in lines if one["exercise"] == item.exercise_id), None)
    if proposed is None:
        return Decision.ADDED
    same = all(_number(getattr(item, name)) == _exact(proposed[name]) for name in PROPOSED)
    return Decision.ACCEPTED if same else Decision.ADJUSTED


def _exact(value: Any) -> Any:
    """A number of the stored proposal without binary fractions."""
    return Decimal(str(value)) if isinstance(value, float) else value
