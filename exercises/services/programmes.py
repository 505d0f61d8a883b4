"""The programme: taken over from a proposal, decided line by line, issued."""

from datetime import date, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from assessments.domain.assessment import Assessment as AssessmentValue
from assessments.domain.vocabulary import Outcome
from assessments.models import Assessment, ScreeningAnswer
from assessments.services.assessments import RETRACTED
from clinic.domain.vocabulary import TrailAction
from clinic.models import Hold, Staff
from clinic.models.record_links import person
from clinic.services import trail
from clinic.services.people import StaleError
from clinic.services.reassessments import open_reassessment, today_at
from exercises.domain.decisions import Decision
from exercises.domain.dose import DOSE
from exercises.domain.edition import Edition
from exercises.domain.notes import NEEDS_TICK
from exercises.domain.printing import proposal_json
from exercises.domain.programme import Item
from exercises.domain.proposals import Proposal
from exercises.models import Advice, Programme, ProgrammeItem
from exercises.services.programme_rows import ISSUED, KEPT, decision_of, open_programme, settle
from exercises.services.programme_safety import NO_TICK, refuse_unsafe
from exercises.services.seals import programme_seal

CHANGED = "The answers have changed since: take over the new proposal first."


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
    if assessment.is_retracted:
        raise ValidationError(RETRACTED)
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
    settle(programme, edition)
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
        if item.reason or decision_of(item, programme) is Decision.ADJUSTED
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


@transaction.atomic
def set_agreement(
    *, programme: Programme, seen: int, review_on: date, agreed: str, by: Staff
) -> Programme:
    """Save review date and agreement and return the programme.

    Raises ValidationError, and StaleError when somebody changed it after `seen`.
    """
    found = open_programme(programme)
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
    found = open_programme(programme)
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
    found = [RETRACTED] if programme.assessment.is_retracted else []
    if proposal.outcome is Outcome.STOP_ALL:
        found.append("A hold stops everything: refer the client, no programme is issued.")
    if proposal.outcome is Outcome.DRAFT:
        found.append("The screening is missing, old or not complete: screen the client first.")
    found += _held_elsewhere(programme)
    if proposal_json(proposal) != programme.proposal:
        found.append(CHANGED)
    if any(item.decision == Decision.PROPOSED.value for item in items):
        found.append("Decide every proposed exercise: accept, adjust or decline it.")
    if any(_waits_for_tick(item) for item in items):
        found.append(NO_TICK)
    if not programme.agreed:
        found.append("Say whether the programme is agreed with the client.")
    return found


def _held_elsewhere(programme: Programme) -> list[str]:
    """Open holds of the person's other records that this record does not know of."""
    client = programme.assessment.client_id
    held = Hold.objects.open().filter(client__in=person(client)).select_related("client")
    own = {hold.code for hold in held if hold.client_id == client}
    return [
        f"A hold is open in {hold.client.number}, the other record of this person: "
        f"{hold.sentence} It is lifted in the screening there, once it is no longer true."
        for hold in held
        if hold.client_id != client
        and hold.code not in own
        # what a score held back is judged by the newer score; a flag stays until it is lifted
        and ScreeningAnswer.objects.filter(screening__client=hold.client, flag=hold.code).exists()
    ]


def _waits_for_tick(item: ProgrammeItem) -> bool:
    return item.tick_needed and item.ticked_by_id is None and item.decision in KEPT


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
    found = open_programme(programme)
    if found.assessment.clinician_id != by.pk:
        raise ValidationError(
            f"Only {found.assessment.clinician}, the clinician in charge, can issue it."
        )
    missing = obstacles(found, proposal)
    if missing:
        raise ValidationError(missing)
    refuse_unsafe(list(found.items.filter(decision__in=KEPT)), value, edition)
    found.issued_at, found.issued_by, found.version = timezone.now(), by, found.version + 1
    found.save(update_fields=["issued_at", "issued_by", "version"])
    open_reassessment(
        client=found.assessment.client,
        clinician=found.assessment.clinician,
        due_on=max(found.review_on, today_at(found.assessment.client.site)),
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
