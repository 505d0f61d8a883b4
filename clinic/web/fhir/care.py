"""Why they come, what was found and what is done: episodes, findings, programmes, visits."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from assessments.domain.vocabulary import AddendumKind
from assessments.models import Episode, Finding, Goal
from clinic.domain.vocabulary import AppointmentState, ReassessmentState, WaitingState
from clinic.models import Appointment, Client, Reassessment, WaitingEntry
from clinic.web.fhir.observations import Looked
from clinic.web.fhir.people import of_client
from clinic.web.fhir.requests import PRIORITIES
from clinic.web.fhir.sheet import (
    CALENDAR_UID,
    DOSE,
    HL7,
    Resource,
    Sheet,
    coded,
    instant,
    kept,
    number,
)
from exercises.domain.decisions import Decision
from exercises.domain.dose_words import dose_words, printed_dose
from exercises.domain.edition import Edition
from exercises.domain.library import SentenceKind
from exercises.models import Programme, ProgrammeItem
from exercises.services.programme_rows import dose_of

STATES = {
    AppointmentState.BOOKED: "booked",
    AppointmentState.ARRIVED: "arrived",
    AppointmentState.SEEN: "fulfilled",
    AppointmentState.MISSED: "noshow",
    AppointmentState.CANCELLED: "cancelled",
}
# what became of a line: only what the client was given goes on
ACTIVITY = {
    Decision.PROPOSED: "unknown",
    Decision.ACCEPTED: "in-progress",
    Decision.ADJUSTED: "in-progress",
    Decision.ADDED: "in-progress",
    Decision.DECLINED: "cancelled",
    Decision.WITHDRAWN: "cancelled",
}
DOSE_PARTS = (
    "sets",
    "reps",
    "hold_s",
    "duration_min",
    "tempo_s_per_rep",
    "rest_s",
    "sessions_per_week",
    "weeks",
    "pain_ceiling",
)
ADDED = {
    AddendumKind.AMENDMENT: "Amendment",
    AddendumKind.CORRECTION: "Correction",
    AddendumKind.ADDITION: "Addition",
    AddendumKind.STATEMENT: "Statement of the client",
}


# Episodes


def episode(row: Episode, client: Client, goals: Sequence[Goal], sheet: Sheet) -> Iterator[Any]:
    """From opening to discharge, its complaint as a condition, and the client's goals."""
    ended = row.discharged_on.isoformat() if row.discharged_on else None
    complaint = row.complaint_present == "yes"
    condition = sheet.ref("Condition", f"complaint-{row.pk}")
    yield sheet.resource(
        "EpisodeOfCare",
        row.pk,
        status="finished" if ended else "active",
        diagnosis=[{"condition": condition}] if complaint else None,
        patient=of_client(client, sheet),
        managingOrganization=sheet.site(client.site),
        period=kept(start=row.opened_on.isoformat(), end=ended),
        careManager=sheet.person(row.clinician),
    )
    if complaint:
        yield _complaint(row, client, sheet)
    for goal in goals:
        yield sheet.resource(
            "Goal",
            goal.pk,
            lifecycleStatus="completed" if goal.reached_on else "active",
            description={"text": goal.text},
            subject=of_client(client, sheet),
            startDate=goal.set_on.isoformat(),
            target=[{"dueDate": goal.by.isoformat()}] if goal.by else None,
            statusDate=goal.reached_on.isoformat() if goal.reached_on else None,
        )


def _complaint(row: Episode, client: Client, sheet: Sheet) -> Resource:
    told = {
        "How it began": row.mechanism,
        "What makes it worse": row.aggravating,
        "What eases it": row.easing,
        "Why discharged": row.discharge_reason,
    }
    region = row.complaint_region.replace("_", " ")
    return sheet.resource(
        "Condition",
        f"complaint-{row.pk}",
        clinicalStatus=coded("condition-clinical", "inactive" if row.discharged_on else "active"),
        # what the client says, no diagnosis
        verificationStatus=coded("condition-ver-status", "unconfirmed"),
        category=[coded("condition-category", "problem-list-item", "Problem List Item")],
        code={"text": row.reason},
        bodySite=_body_site(row.complaint_region, row.complaint_side, region, sheet),
        subject=of_client(client, sheet),
        onsetDateTime=row.onset_on.isoformat() if row.onset_on else None,
        recordedDate=row.opened_on.isoformat(),
        asserter=of_client(client, sheet),
        note=[{"text": f"{name}: {text}"} for name, text in told.items() if text],
    )


def _body_site(region: str, side: str, words: str, sheet: Sheet) -> list[Resource]:
    """Region and side of a complaint in one concept; both sides are two."""
    if not region:
        found = sheet.side(side)
        return [found] if found else []
    sides = ("left", "right") if side == "both" else (side,)
    return [
        sheet.concept(
            f"site.{region}.{one}" if one else f"site.{region}",
            f"{words}, {one}" if one else words,
            f"Region of a complaint: {words}{f', {one}' if one else ''}.",
        )
        for one in sides
    ]


# One look


def encounter(looked: Looked, sheet: Sheet) -> Iterator[Resource]:
    """The visit of an assessment, and the clinician's reasoning with all that was added."""
    row = looked.assessment
    day = row.assessed_on.isoformat()
    yield sheet.resource(
        "Encounter",
        row.pk,
        status="finished" if row.is_signed else "in-progress",
        **{"class": {"system": f"{HL7}v3-ActCode", "code": "AMB", "display": "ambulatory"}},
        type=[sheet.concept(f"visit.{row.kind}")],
        subject=of_client(row.client, sheet),
        episodeOfCare=[sheet.ref("EpisodeOfCare", row.episode_id)],
        participant=[{"individual": sheet.person(row.clinician)}],
        period=kept(start=day, end=day if row.is_signed else None),
        serviceProvider=sheet.site(row.client.site),
    )
    yield sheet.resource(
        "ClinicalImpression",
        row.pk,
        status="completed" if row.is_signed else "in-progress",
        code=sheet.concept("visit.assessment"),
        description=row.words,
        subject=of_client(row.client, sheet),
        encounter=sheet.ref("Encounter", row.pk),
        effectiveDateTime=day,
        assessor=sheet.person(row.clinician),
        summary=row.impression,
        note=_notes(looked, sheet),
    )


def _notes(looked: Looked, sheet: Sheet) -> list[Resource]:
    response = looked.assessment.response
    notes = [{"text": f"Response to the programme so far: {response}"}] if response else []
    for one in looked.addenda:
        acted = f", of {one.acted_on.isoformat()}"
        notes.append(
            kept(
                authorReference=sheet.person(one.author),
                time=sheet.instant(one.entered_at),
                text=f"{ADDED[AddendumKind(one.kind)]} {one.number}{acted}: {one.text}\n"
                f"Reason: {one.reason}",
            )
        )
    return notes


def finding(row: Finding, looked: Looked, sheet: Sheet, *, newest: bool) -> Resource:
    """What observations amounted to when the assessment was signed.

    newest: whether no later look of the episode was signed; an older finding is inactive.
    """
    assessment, table = looked.assessment, looked.tables.findings[row.finding_id]
    numbers = [str(one.number) for one in looked.addenda if one.changes]
    later = f"Found as signed; answers were corrected in addendum {', '.join(numbers)}."
    return sheet.resource(
        "Condition",
        f"finding-{row.pk}",
        clinicalStatus=coded("condition-clinical", "active" if newest else "inactive"),
        verificationStatus=coded("condition-ver-status", "confirmed"),
        category=[coded("condition-category", "encounter-diagnosis", "Encounter Diagnosis")],
        severity=sheet.concept(f"severity.{row.severity}"),
        code=sheet.concept(
            f"finding.{row.finding_id}", table.name, f"{table.name}. {table.does_not_mean}"
        ),
        bodySite=[side] if (side := sheet.side(row.side)) else None,
        subject=of_client(assessment.client, sheet),
        encounter=sheet.ref("Encounter", assessment.pk),
        recordedDate=sheet.instant(assessment.signed_at),
        recorder=sheet.person(assessment.signed_by) if assessment.signed_by else None,
        note=[{"text": later}] if numbers else None,
    )


# Programme


def programme(
    row: Programme,
    items: Sequence[ProgrammeItem],
    looked: Looked,
    edition: Edition,
    sheet: Sheet,
    *,
    newest: bool,
) -> Iterator[Resource]:
    """The exercises with their doses, and the referral notes that stood beside them."""
    client = looked.assessment.client
    ended = not newest or looked.assessment.episode.discharged_on is not None
    issued = "completed" if ended else "active"
    yield sheet.resource(
        "CarePlan",
        row.pk,
        status=issued if row.is_issued else "draft",
        intent="plan",
        category=[sheet.concept("plan.programme")],
        subject=of_client(client, sheet),
        encounter=sheet.ref("Encounter", looked.assessment.pk),
        period=_plan_period(row, sheet),
        created=sheet.instant(row.issued_at),
        author=sheet.person(row.issued_by) if row.issued_by else None,
        addresses=[
            sheet.ref("Condition", f"finding-{one.pk}") for one in looked.assessment.findings.all()
        ],
        activity=[{"detail": _activity(one, edition, sheet)} for one in items],
        note=[{"text": text} for text in _plan_notes(row)],
    )
    for note in row.proposal.get("referral_notes", []):
        words = _referral_words(note["code"], edition)
        yield sheet.resource(
            "ServiceRequest",
            f"programme-{row.pk}/{note['code']}",
            status=issued if row.is_issued else "draft",
            intent="proposal",
            priority=PRIORITIES[note["urgency"]],
            code=sheet.concept("refer.note", text=f"See: {note['to']}"),
            subject=of_client(client, sheet),
            encounter=sheet.ref("Encounter", looked.assessment.pk),
            authoredOn=looked.assessment.assessed_on.isoformat(),
            performerType={"text": note["to"]},
            reasonCode=[{"text": words}],
        )


def _plan_period(row: Programme, sheet: Sheet) -> Resource:
    if row.issued_at is None:
        return {}
    start = row.issued_at.astimezone(sheet.zone).date()
    end = row.review_on.isoformat() if row.review_on >= start else None
    return kept(start=start.isoformat(), end=end)


def _plan_notes(row: Programme) -> Iterator[str]:
    yield f"Review on {row.review_on.isoformat()}."
    if row.agreed:
        yield f"Agreed with the client: {row.agreed}."
    if row.cadence_first_target:
        yield (
            f"Cadence: {number(row.cadence_measured or 0)} steps/min measured, target "
            f"{row.cadence_first_target}, from week {row.cadence_second_from_week} "
            f"{row.cadence_second_target}."
        )
    for one in row.advice.all():
        understood = "understood" if one.understood else "not said to be understood"
        yield f"Advice of {one.given_on.isoformat()}, {understood}: {one.text}"


def _referral_words(code: str, edition: Edition) -> str:
    return edition.sentence(code, SentenceKind.REFERRAL).page


def _activity(item: ProgrammeItem, edition: Edition, sheet: Sheet) -> Resource:
    exercise = edition.exercises[item.exercise_id]
    steps = " ".join(exercise.movement)
    side = item.side if item.side in ("left", "right") and not item.per_side else ""
    words = dose_words(printed_dose(dose_of(item), exercise), side)
    told = [words, f"Stage: {item.stage}", item.order_note]
    if item.pain_ceiling is not None:
        told.append(f"Pain at most {item.pain_ceiling} of 10")
    if item.decided_by:
        told.append(f"{item.get_decision_display()} by {item.decided_by}")
    return kept(
        extension=[_dose(item)],
        kind="ServiceRequest",
        code=sheet.concept(
            f"exercise.{exercise.code}",
            exercise.name,
            f"{exercise.purpose} {exercise.start_position} {steps}",
        ),
        status=ACTIVITY[Decision(item.decision)]
        if item.stage == "now" or item.decision in (Decision.DECLINED, Decision.WITHDRAWN)
        else "not-started",
        statusReason={"text": item.reason} if item.reason else None,
        scheduledTiming=_timing(item),
        description=". ".join(one for one in told if one) + ".",
    )


def _dose(item: ProgrammeItem) -> Resource:
    """The numbers of a dose, for which FHIR has no elements, under an extension of ours."""
    parts: list[Resource] = [
        {"url": name, "valueDecimal": number(value)}
        for name in DOSE_PARTS
        if (value := getattr(item, name)) is not None
    ]
    parts += [
        {"url": "per_side", "valueBoolean": item.per_side},
        {"url": "side", "valueCode": item.side},
        {"url": "stage", "valueCode": item.stage},
        {"url": "decision", "valueCode": item.decision},
    ]
    return {"url": DOSE, "extension": parts}


def _timing(item: ProgrammeItem) -> Resource | None:
    """How often: 3.5 sessions a week are 7 in 2 weeks, because FHIR counts in whole numbers."""
    if not item.sessions_per_week:
        return None
    share = Fraction(Decimal(item.sessions_per_week))
    repeat = kept(
        boundsDuration={
            "value": item.weeks,
            "unit": "wk",
            "system": "http://unitsofmeasure.org",
            "code": "wk",
        }
        if item.weeks
        else None,
        duration=number(item.duration_min) if item.duration_min else None,
        durationUnit="min" if item.duration_min else None,
        frequency=share.numerator,
        period=share.denominator,
        periodUnit="wk",
    )
    return {"repeat": repeat}


# Diary


def appointment(row: Appointment, client: Client, sheet: Sheet) -> Resource:
    """A time in the diary, with the offset that the clocks of its place show on that day."""
    zone = ZoneInfo(row.time_zone)
    state = AppointmentState(row.state)
    actors = [
        of_client(client, sheet),
        sheet.person(row.clinician),
        sheet.room(row.room, client.site),
    ]
    # app-4 as published names a state that the code list lacks: a reason only where cancelled
    cancelled = state is AppointmentState.CANCELLED
    return sheet.resource(
        "Appointment",
        row.pk,
        status=STATES[state],
        cancelationReason={"text": row.reason or "cancelled"} if cancelled else None,
        comment=None if cancelled else row.reason,
        serviceType=[sheet.kind_of(row.kind)],
        start=instant(row.starts_at, zone),
        end=instant(row.ends_at, zone),
        identifier=[{"system": CALENDAR_UID, "value": row.uid}],
        minutesDuration=int((row.ends_at - row.starts_at) / timedelta(minutes=1)),
        created=sheet.instant(row.booked_at),
        participant=[{"actor": one, "status": "accepted"} for one in actors],
    )


def reassessment(row: Reassessment, client: Client, sheet: Sheet) -> Resource | None:
    """A next look that has no time yet, or that the client does not want."""
    states = {
        ReassessmentState.OPEN: "proposed",
        ReassessmentState.DECLINED: "cancelled",
        ReassessmentState.LOST: "cancelled",
    }
    status = states.get(ReassessmentState(row.state))
    if status is None:  # booked or done: the appointment or the assessment says it
        return None
    return sheet.resource(
        "Appointment",
        f"due-{row.pk}",
        status=status,
        cancelationReason={"text": row.reason or row.state} if status == "cancelled" else None,
        serviceType=[sheet.concept("visit.due")],
        requestedPeriod=[{"start": row.due_on.isoformat()}],
        participant=[
            {"actor": of_client(client, sheet), "status": "needs-action"},
            {"actor": sheet.person(row.clinician), "status": "needs-action"},
        ],
    )


def waiting(row: WaitingEntry, client: Client, sheet: Sheet) -> Resource:
    """A client who wants a time that is freed; the wishes in words."""
    still = row.state == WaitingState.WAITING
    days = kept(
        start=row.earliest.isoformat() if row.earliest else None,
        end=row.latest.isoformat() if row.latest else None,
    )
    people = [of_client(client, sheet), *([sheet.person(row.clinician)] if row.clinician else [])]
    return sheet.resource(
        "Appointment",
        f"waiting-{row.pk}",
        status="waitlist" if still else "cancelled",
        cancelationReason=None if still else {"text": row.get_state_display()},
        serviceType=[sheet.concept("visit.waiting"), sheet.kind_of(row.kind)],
        comment=row.wishes,
        created=sheet.instant(row.since),
        requestedPeriod=[days] if days else None,
        participant=[{"actor": one, "status": "needs-action"} for one in people],
    )
