"""The lines of a programme: decided, typed into, added, moved, ticked."""

from collections.abc import Iterable, Mapping
from datetime import date
from hashlib import sha256
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from assessments.domain.assessment import Assessment as AssessmentValue
from assessments.domain.vocabulary import Stage
from clinic.domain.vocabulary import TrailAction
from clinic.models import Staff
from clinic.services import trail
from clinic.services.people import StaleError
from exercises.domain.decisions import Decision
from exercises.domain.dose import DOSE
from exercises.domain.edition import Edition
from exercises.domain.suitability import kit_missing, ticks_among, zone_ceiling
from exercises.models import Programme, ProgrammeItem
from exercises.services.programme_rows import (
    KEPT,
    OUT,
    decision_of,
    fields_of,
    open_line,
    open_programme,
    record_line,
    settle,
)
from exercises.services.programme_safety import refuse_pain, refuse_withheld

ASKS_WHY = {
    Decision.DECLINED: "Say why the exercise is declined.",
    Decision.ADJUSTED: "Say why the dose is changed.",
}

UNSEEN = "The programme was changed after you opened the page: look at it once more."


@transaction.atomic
def decide(
    *,
    item: ProgrammeItem,
    seen: int,
    decision: Decision,
    by: Staff,
    value: AssessmentValue,
    edition: Edition,
    reason: str = "",
    dose: Mapping[str, Any] | None = None,
) -> ProgrammeItem:
    """Save what the clinician decides of one line and return it.

    decision: declined, or taken; a line that is taken is accepted as proposed, adjusted (which
    needs a reason) or, if it was not proposed, added. dose: fields of the dose that differ from
    what stands. seen: version that the page showed. Raises ValidationError, also for an exercise
    that a hold or a rule withholds or a pain ceiling above the pain zone, and StaleError when
    somebody was faster.
    """
    programme, dose = open_programme(item.programme), dose or {}
    before = fields_of(item, ["decision", *dose])
    for name, number in dose.items():
        setattr(item, name, number)
    if decision is not Decision.DECLINED:
        refuse_withheld([item.exercise_id], value, edition)
        refuse_pain(item, value, edition)
        decision = decision_of(item, programme)
    if decision in ASKS_WHY and not reason.strip():
        raise ValidationError({"reason": ASKS_WHY[decision]})
    item.decision, item.reason = decision.value, reason.strip()
    item.decided_by, item.decided_at = by, timezone.now()
    _save_item(item, seen, ["decision", "reason", "decided_by", "decided_at", *dose])
    settle(programme, edition)
    record_line(item, programme, by, fields=trail.moved(before, fields_of(item, before)))
    return item


@transaction.atomic
def keep_fields(
    *,
    item: ProgrammeItem,
    seen: int,
    by: Staff,
    value: AssessmentValue,
    edition: Edition,
    reason: str,
    dose: Mapping[str, Any],
) -> ProgrammeItem:
    """Save what was typed of a line and return it; typing alone decides nothing.

    A line that was taken stands as accepted or adjusted by its new dose; one that waits or was
    left out stays so. dose: fields that differ from what stands. Raises ValidationError, also
    for a pain ceiling above the pain zone, and StaleError when somebody changed it after `seen`.
    """
    programme = open_programme(item.programme)
    if not dose and reason.strip() == item.reason:
        return item
    before, worded = fields_of(item, ["decision", *dose]), reason.strip() != item.reason
    for name, number in dose.items():
        setattr(item, name, number)
    fields = ["reason", *dose]
    if "pain_ceiling" in dose:
        refuse_pain(item, value, edition)
    if item.decision in KEPT and dose:
        refuse_withheld([item.exercise_id], value, edition)
        item.decision = decision_of(item, programme).value
        item.decided_by, item.decided_at = by, timezone.now()
        fields += ["decision", "decided_by", "decided_at"]
    decision = Decision(item.decision)
    if decision in ASKS_WHY and not reason.strip():
        raise ValidationError({"reason": ASKS_WHY[decision]})
    item.reason = reason.strip()
    _save_item(item, seen, fields)
    settle(programme, edition)
    record_line(
        item,
        programme,
        by,
        fields=trail.moved(before, fields_of(item, before)),
        reason_changed=worded,
    )
    return item


def _save_item(item: ProgrammeItem, seen: int, fields: Iterable[str]) -> None:
    item.full_clean(exclude=["programme", "exercise"], validate_unique=False)
    values = {name: getattr(item, name) for name in fields}
    saved = ProgrammeItem.objects.filter(pk=item.pk, version=seen).update(
        **values, version=seen + 1
    )
    if not saved:
        raise StaleError
    item.version = seen + 1


@transaction.atomic
def accept_all(
    *,
    programme: Programme,
    by: Staff,
    value: AssessmentValue,
    edition: Edition,
    seen: str | None = None,
) -> int:
    """Accept every line that is still proposed; returns how many.

    seen: the `stamp` that the page showed, None where no page was shown. Raises ValidationError,
    also when a hold or a rule withholds a line, its pain ceiling lies above the pain zone, or
    somebody changed the programme after `seen`.
    """
    programme = open_programme(programme)
    items = list(programme.items.all())
    if seen is not None and seen != stamp(programme, items):
        raise ValidationError(UNSEEN)
    waiting = [item for item in items if item.decision == Decision.PROPOSED.value]
    codes = [item.exercise_id for item in waiting]
    refuse_withheld(codes, value, edition)
    for item in waiting:
        refuse_pain(item, value, edition)
        decision = decision_of(item, programme)
        if decision in ASKS_WHY and not item.reason:
            name = edition.exercises[item.exercise_id].name
            raise ValidationError(f"{name}: {ASKS_WHY[decision]}")
        item.decision, item.decided_by = decision.value, by
        item.decided_at, item.version = timezone.now(), item.version + 1
        item.save(update_fields=["decision", "decided_by", "decided_at", "version"])
    trail.record(
        TrailAction.CHANGE,
        by=by,
        row=programme,
        client=programme.assessment.client,
        accepted=sorted(codes),
    )
    return len(codes)


@transaction.atomic
def add_exercise(
    *,
    programme: Programme,
    code: str,
    by: Staff,
    value: AssessmentValue,
    edition: Edition,
) -> ProgrammeItem:
    """Save and return an exercise of the library, last in stage now; raises ValidationError."""
    programme = open_programme(programme)
    if code not in edition.exercises:
        raise ValidationError({"exercise": "Choose an exercise of the library."})
    if programme.items.filter(exercise_id=code).exists():
        raise ValidationError({"exercise": "This exercise is in the programme already."})
    refuse_withheld([code], value, edition)
    exercise = edition.exercises[code]
    item = ProgrammeItem(
        site_id=programme.site_id,
        programme=programme,
        exercise_id=code,
        position=programme.items.count() + 1,
        stage=Stage.NOW.value,
        pain_ceiling=int(min(exercise.pain_ceiling, zone_ceiling(value, edition))),
        missing_kit=list(kit_missing(value, exercise)),
        tick_needed=code in ticks_among(value, edition, [code]),
        decision=Decision.ADDED.value,
        decided_by=by,
        decided_at=timezone.now(),
        **{name: getattr(exercise.dose, name) for name in DOSE},
    )
    item.full_clean(exclude=["programme", "exercise"], validate_unique=False)
    item.save()
    settle(programme, edition)
    trail.record(
        TrailAction.CREATE,
        by=by,
        row=item,
        client=programme.assessment.client,
        exercise=code,
    )
    return item


@transaction.atomic
def move(*, item: ProgrammeItem, up: bool, by: Staff) -> ProgrammeItem:
    """Change places with the line above or below in the same stage, past those left out."""
    programme = open_line(item)
    same = programme.items.filter(stage=item.stage).exclude(decision__in=OUT)
    other = (
        same.filter(position__lt=item.position).order_by("-position").first()
        if up
        else same.filter(position__gt=item.position).order_by("position").first()
    )
    if other is not None:
        item.position, other.position = other.position, item.position
        for row in (item, other):
            row.save(update_fields=["position"])
    _arranged(item, programme, by)
    return item


@transaction.atomic
def set_stage(*, item: ProgrammeItem, stage: Stage, by: Staff, edition: Edition) -> ProgrammeItem:
    """Take a line now or put it off to later; asked twice, it stays where it is."""
    programme = open_line(item)
    if item.stage != stage.value:
        item.stage, item.version = stage.value, item.version + 1
        item.save(update_fields=["stage", "version"])
        settle(programme, edition)
    _arranged(item, programme, by)
    return item


def _arranged(item: ProgrammeItem, programme: Programme, by: Staff) -> None:
    record_line(item, programme, by, stage=item.stage, position=item.position)


@transaction.atomic
def tick(*, item: ProgrammeItem, by: Staff, on: date) -> ProgrammeItem:
    """The clinician's own tick, with name and date, where a rule asks for it."""
    programme = open_line(item)
    item.ticked_by, item.ticked_on = by, on
    item.version += 1
    item.save(update_fields=["ticked_by", "ticked_on", "version"])
    record_line(item, programme, by, ticked=True)
    return item


@transaction.atomic
def set_shown(*, item: ProgrammeItem, shown: bool, by: Staff) -> ProgrammeItem:
    """That the exercise was shown to the client and tried."""
    programme = open_line(item)
    item.shown_and_tried, item.version = shown, item.version + 1
    item.save(update_fields=["shown_and_tried", "version"])
    record_line(item, programme, by, shown=shown)
    return item


def stamp(programme: Programme, items: Iterable[ProgrammeItem]) -> str:
    """Changes whenever anything that is fixed by issuing changes.

    items: all lines of the programme, in order.
    """
    rows = [(item.pk, item.version, item.position) for item in items]
    return sha256(repr((programme.version, rows)).encode()).hexdigest()[:16]
