"""The programme: taken over from a proposal, decided line by line, issued."""

from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from decimal import Decimal
from hashlib import sha256
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from assessments.domain.assessment import Assessment as AssessmentValue
from assessments.domain.vocabulary import Outcome, Stage
from assessments.models import Assessment
from clinic.domain.vocabulary import TrailAction
from clinic.models import Staff
from clinic.services import trail
from clinic.services.people import StaleError
from clinic.services.reassessments import open_reassessment
from exercises.domain.decisions import Decision
from exercises.domain.dose import DOSE, Dose, total_daily_minutes
from exercises.domain.edition import Edition
from exercises.domain.notes import NEEDS_TICK
from exercises.domain.printing import proposal_json
from exercises.domain.programme import Item
from exercises.domain.proposals import Proposal, withheld_among
from exercises.domain.sentences import stopped_by
from exercises.domain.suitability import kit_missing, ticks_among, zone_ceiling
from exercises.models import Advice, Programme, ProgrammeItem
from exercises.services.seals import programme_seal

KEPT = (Decision.ACCEPTED.value, Decision.ADJUSTED.value, Decision.ADDED.value)
OUT = (Decision.DECLINED.value, Decision.WITHDRAWN.value)
PLAN = (
    "cadence_measured",
    "cadence_first_target",
    "cadence_second_target",
    "cadence_second_from_week",
)
PROPOSED = (*DOSE, "pain_ceiling")
ASKS_WHY = {
    Decision.DECLINED: "Say why the exercise is declined.",
    Decision.ADJUSTED: "Say why the dose is changed.",
}
NO_TICK = "An exercise needs your own tick before it is issued."
CHANGED = "The answers have changed since: take over the new proposal first."
ISSUED = "This programme is issued: a reassessment makes the next one."
UNSEEN = "The programme was changed after you opened the page: look at it once more."


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


@transaction.atomic
def take_over(
    *, assessment: Assessment, proposal: Proposal, edition: Edition, by: Staff
) -> Programme:
    """Save the proposal as a programme and return it; raises ValidationError.

    Taken over again, lines that nobody has decided follow the new proposal: those no longer
    proposed are withdrawn, decided ones stay as they were decided. A dose or a reason that was
    typed in an undecided line stays; its pain ceiling follows the new proposal.
    """
    if proposal.outcome is Outcome.STOP_ALL:
        raise ValidationError("A hold stops everything: no programme is made.")
    # two people who take it over in the same moment wait for each other
    Assessment.objects.select_for_update(no_key=True, of=("self",)).get(pk=assessment.pk)
    programme = Programme.objects.select_for_update().filter(assessment=assessment).first()
    if programme is not None and programme.is_issued:
        raise ValidationError(ISSUED)
    action = TrailAction.CHANGE if programme else TrailAction.CREATE
    own = _own_lines(programme) if programme else frozenset()
    programme = programme or Programme(site_id=assessment.site_id, assessment=assessment)
    _set_plan(programme, proposal)
    programme.full_clean(exclude=["assessment"])
    programme.save()
    _take_items(programme, proposal, by, own)
    _settle(programme, edition)
    trail.record(action, by=by, row=programme, client=assessment.client)
    return programme


def _set_plan(programme: Programme, proposal: Proposal) -> None:
    """The new proposal with its day of review, unless the clinician chose another day."""
    start = programme.assessment.assessed_on
    usual = programme.proposal["review_in_days"] if programme.pk else None
    if usual is None or programme.review_on == start + timedelta(days=usual):
        programme.review_on = start + timedelta(days=proposal.review_in_days)
    programme.proposal = proposal_json(proposal)
    if programme.pk:
        programme.version += 1


def _own_lines(programme: Programme) -> frozenset[str]:
    """Exercises that nobody has decided, with a dose or a reason that was typed."""
    waiting = programme.items.filter(decision=Decision.PROPOSED.value)
    return frozenset(
        item.exercise_id
        for item in waiting
        if item.reason or _decision_of(item, programme) is Decision.ADJUSTED
    )


def _take_items(programme: Programme, proposal: Proposal, by: Staff, own: frozenset[str]) -> None:
    held = {item.exercise_id: item for item in programme.items.all()}
    ticks = {code for note in proposal.notes if note.code == NEEDS_TICK for code in note.exercises}
    proposed = [item.exercise for item in proposal.programme]
    for place, line in enumerate(proposal.programme, start=1):
        item = held.get(line.exercise)
        if item is None or item.decision in {Decision.PROPOSED.value, Decision.WITHDRAWN.value}:
            item = item or ProgrammeItem(programme=programme)
            _keep_line(item, line, place, typed=line.exercise in own)
        _set_tick(programme, line.exercise, needed=line.exercise in ticks)
    for item in held.values():
        if item.exercise_id not in proposed and item.decision == Decision.PROPOSED.value:
            item.decision, item.reason = Decision.WITHDRAWN.value, "No longer proposed."
            item.decided_by, item.decided_at = by, timezone.now()
            item.version += 1
            item.save()
    _renumber(programme)


def _renumber(programme: Programme) -> None:
    """One place for each line: two on one place could not be moved past each other."""
    for place, item in enumerate(programme.items.order_by("position", "pk"), start=1):
        if item.position != place:
            item.position = place
            item.save(update_fields=["position"])


def _keep_line(item: ProgrammeItem, line: Item, place: int, *, typed: bool) -> None:
    """typed: its dose and reason are the clinician's own already."""
    item.site_id = item.programme.site_id
    item.exercise_id = line.exercise
    item.position, item.stage, item.side = place, line.stage.value, line.side.value
    item.priority, item.pain_ceiling = line.priority, int(line.pain_ceiling)
    item.order_note = line.order_note or ""
    item.missing_kit = list(line.missing_kit)
    item.because = [
        {"rule": one.rule, "findings": list(one.findings), "evidence": one.evidence.value}
        for one in line.because
    ]
    item.decision = Decision.PROPOSED.value
    item.reason = item.reason if typed else ""
    item.decided_by = item.decided_at = None
    # what a page showed before cannot be accepted unseen
    item.version += 1 if item.pk else 0
    for name in () if typed else DOSE:
        setattr(item, name, getattr(line.dose, name))
    item.full_clean(exclude=["programme", "exercise"], validate_unique=False)
    item.save()


def _set_tick(programme: Programme, exercise: str, *, needed: bool) -> None:
    programme.items.filter(exercise_id=exercise).exclude(tick_needed=needed).update(
        tick_needed=needed
    )


def _settle(programme: Programme, edition: Edition) -> None:
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


def _open(programme: Programme) -> Programme:
    """The programme, locked for this transaction. Raises ValidationError once it is issued."""
    found = (
        Programme.objects.select_for_update(of=("self",))
        .select_related("assessment__client", "assessment__clinician")
        .get(pk=programme.pk)
    )
    if found.is_issued:
        raise ValidationError(ISSUED)
    return found


def _open_line(item: ProgrammeItem) -> Programme:
    """The programme of a line, locked, the line as it is stored now. Raises ValidationError."""
    programme = _open(item.programme)
    item.refresh_from_db()
    item.programme = programme
    return programme


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
    programme, dose = _open(item.programme), dose or {}
    before = _of(item, ["decision", *dose])
    for name, number in dose.items():
        setattr(item, name, number)
    if decision is not Decision.DECLINED:
        refuse_withheld([item.exercise_id], value, edition)
        _refuse_pain(item, value, edition)
        decision = _decision_of(item, programme)
    if decision in ASKS_WHY and not reason.strip():
        raise ValidationError({"reason": ASKS_WHY[decision]})
    item.decision, item.reason = decision.value, reason.strip()
    item.decided_by, item.decided_at = by, timezone.now()
    _save_item(item, seen, ["decision", "reason", "decided_by", "decided_at", *dose])
    _settle(programme, edition)
    _record(item, programme, by, fields=trail.moved(before, _of(item, before)))
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
    programme = _open(item.programme)
    if not dose and reason.strip() == item.reason:
        return item
    before, worded = _of(item, ["decision", *dose]), reason.strip() != item.reason
    for name, number in dose.items():
        setattr(item, name, number)
    fields = ["reason", *dose]
    if "pain_ceiling" in dose:
        _refuse_pain(item, value, edition)
    if item.decision in KEPT and dose:
        refuse_withheld([item.exercise_id], value, edition)
        item.decision = _decision_of(item, programme).value
        item.decided_by, item.decided_at = by, timezone.now()
        fields += ["decision", "decided_by", "decided_at"]
    decision = Decision(item.decision)
    if decision in ASKS_WHY and not reason.strip():
        raise ValidationError({"reason": ASKS_WHY[decision]})
    item.reason = reason.strip()
    _save_item(item, seen, fields)
    _settle(programme, edition)
    _record(
        item, programme, by, fields=trail.moved(before, _of(item, before)), reason_changed=worded
    )
    return item


def _of(item: ProgrammeItem, names: Iterable[str]) -> dict[str, Any]:
    return {name: getattr(item, name) for name in names}


def _record(item: ProgrammeItem, programme: Programme, by: Staff, **detail: Any) -> None:
    """The line of one changed line of a programme; its reason is free text and stays out."""
    trail.record(
        TrailAction.CHANGE,
        by=by,
        row=item,
        client=programme.assessment.client,
        exercise=item.exercise_id,
        **detail,
    )


def _decision_of(item: ProgrammeItem, programme: Programme) -> Decision:
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


def _refuse_pain(item: ProgrammeItem, value: AssessmentValue, edition: Edition) -> None:
    top = zone_ceiling(value, edition)
    if item.pain_ceiling is not None and item.pain_ceiling > top:
        name = edition.exercises[item.exercise_id].name
        raise ValidationError({"pain_ceiling": f"{name}: the pain zones allow pain up to {top}."})


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
    programme = _open(programme)
    items = list(programme.items.all())
    if seen is not None and seen != stamp(programme, items):
        raise ValidationError(UNSEEN)
    waiting = [item for item in items if item.decision == Decision.PROPOSED.value]
    codes = [item.exercise_id for item in waiting]
    refuse_withheld(codes, value, edition)
    for item in waiting:
        _refuse_pain(item, value, edition)
        decision = _decision_of(item, programme)
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
    programme = _open(programme)
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
    _settle(programme, edition)
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
    programme = _open_line(item)
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
    programme = _open_line(item)
    if item.stage != stage.value:
        item.stage, item.version = stage.value, item.version + 1
        item.save(update_fields=["stage", "version"])
        _settle(programme, edition)
    _arranged(item, programme, by)
    return item


def _arranged(item: ProgrammeItem, programme: Programme, by: Staff) -> None:
    _record(item, programme, by, stage=item.stage, position=item.position)


@transaction.atomic
def tick(*, item: ProgrammeItem, by: Staff, on: date) -> ProgrammeItem:
    """The clinician's own tick, with name and date, where a rule asks for it."""
    programme = _open_line(item)
    item.ticked_by, item.ticked_on = by, on
    item.version += 1
    item.save(update_fields=["ticked_by", "ticked_on", "version"])
    _record(item, programme, by, ticked=True)
    return item


@transaction.atomic
def set_shown(*, item: ProgrammeItem, shown: bool, by: Staff) -> ProgrammeItem:
    """That the exercise was shown to the client and tried."""
    programme = _open_line(item)
    item.shown_and_tried, item.version = shown, item.version + 1
    item.save(update_fields=["shown_and_tried", "version"])
    _record(item, programme, by, shown=shown)
    return item


@transaction.atomic
def set_agreement(
    *, programme: Programme, seen: int, review_on: date, agreed: str, by: Staff
) -> Programme:
    """Save review date and agreement and return the programme.

    Raises ValidationError, and StaleError when somebody changed it after `seen`.
    """
    found = _open(programme)
    if review_on <= found.assessment.assessed_on:
        raise ValidationError({"review_on": "The next check comes after the assessment."})
    before = {"review_on": found.review_on, "agreed": found.agreed}
    moved = trail.moved(before, {"review_on": review_on, "agreed": agreed})
    found.review_on, found.agreed = review_on, agreed
    found.full_clean(exclude=["assessment"])
    saved = Programme.objects.filter(pk=found.pk, version=seen).update(
        review_on=review_on, agreed=agreed, version=seen + 1
    )
    if not saved:
        raise StaleError
    found.version = seen + 1
    trail.record(
        TrailAction.CHANGE, by=by, row=found, client=found.assessment.client, fields=moved
    )
    return found


@transaction.atomic
def add_advice(*, programme: Programme, text: str, understood: bool, by: Staff) -> Advice:
    """Save and return what the client was told; raises ValidationError."""
    found = _open(programme)
    advice = Advice(
        site_id=found.site_id,
        programme=found,
        text=text.strip(),
        understood=understood,
        given_on=timezone.localdate(),
    )
    advice.full_clean(exclude=["programme"])
    advice.save()
    trail.record(TrailAction.CREATE, by=by, row=advice, client=found.assessment.client)
    return advice


def obstacles(programme: Programme, proposal: Proposal) -> list[str]:
    """What keeps the programme from being issued, each with what to do."""
    items = list(programme.items.all())
    found = []
    if proposal.outcome is Outcome.STOP_ALL:
        found.append("A hold stops everything: refer the client, no programme is issued.")
    if proposal.outcome is Outcome.DRAFT:
        found.append("The screening is missing, old or not complete: screen the client first.")
    if proposal_json(proposal) != programme.proposal:
        found.append(CHANGED)
    if any(item.decision == Decision.PROPOSED.value for item in items):
        found.append("Decide every proposed exercise: accept, adjust or decline it.")
    if any(_waits_for_tick(item) for item in items):
        found.append(NO_TICK)
    if not programme.agreed:
        found.append("Say whether the programme is agreed with the client.")
    return found


def _waits_for_tick(item: ProgrammeItem) -> bool:
    return item.tick_needed and item.ticked_by_id is None and item.decision in KEPT


def stamp(programme: Programme, items: Iterable[ProgrammeItem]) -> str:
    """Changes whenever anything that is fixed by issuing changes.

    items: all lines of the programme, in order.
    """
    rows = [(item.pk, item.version, item.position) for item in items]
    return sha256(repr((programme.version, rows)).encode()).hexdigest()[:16]


def _refuse_unsafe(kept: list[ProgrammeItem], value: AssessmentValue, edition: Edition) -> None:
    """What was decided is judged once more by the answers as they are now."""
    codes = [item.exercise_id for item in kept]
    refuse_withheld(codes, value, edition)
    for item in kept:
        _refuse_pain(item, value, edition)
    ticks = ticks_among(value, edition, codes)
    if any(item.exercise_id in ticks and item.ticked_by_id is None for item in kept):
        raise ValidationError(NO_TICK)


@transaction.atomic
def issue(
    *,
    programme: Programme,
    proposal: Proposal,
    value: AssessmentValue,
    edition: Edition,
    by: Staff,
) -> Programme:
    """Fix the programme and open the reassessment; raises ValidationError with what is missing."""
    found = _open(programme)
    if found.assessment.clinician_id != by.pk:
        raise ValidationError(
            f"Only {found.assessment.clinician}, the clinician in charge, can issue it."
        )
    missing = obstacles(found, proposal)
    if missing:
        raise ValidationError(missing)
    _refuse_unsafe(list(found.items.filter(decision__in=KEPT)), value, edition)
    found.issued_at, found.issued_by, found.version = timezone.now(), by, found.version + 1
    found.save(update_fields=["issued_at", "issued_by", "version"])
    open_reassessment(
        client=found.assessment.client,
        clinician=found.assessment.clinician,
        due_on=max(found.review_on, timezone.localdate()),
        by=by,
    )
    trail.record(
        TrailAction.SIGN,
        by=by,
        row=found,
        client=found.assessment.client,
        seal=programme_seal(found),
    )
    return found
