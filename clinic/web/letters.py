"""Collects letters: from the record, or from the values of one assessment file."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta

from django.utils import timezone

from assessments.domain.vocabulary import AddendumKind, AssessmentKind, Stage, Urgency
from assessments.facts import assessment_value
from assessments.forms.episodes import words_of
from assessments.models import Assessment
from clinic.domain import letter as parts
from clinic.domain.letter import Addressee, Letter, LetterKind, Reader
from clinic.domain.paper import (
    NOT_GIVEN,
    STARTING_EDITION_LINE,
    Answer,
    Letterhead,
    PaperHead,
    Person,
    joined,
)
from clinic.models import Staff
from clinic.web import letter_parts as told
from clinic.web import letter_record as record
from clinic.web.letter_changes import Changes, changes
from clinic.web.letter_exercises import proposed_exercises, stop_signs
from clinic.web.letter_parts import Judged
from exercises.domain.proposals import propose
from exercises.editions import edition_of

# Days until the clinic asks whether a referral was acted on: rule of this clinic.
CHECK_AFTER = {
    Urgency.EMERGENCY: 1,
    Urgency.SAME_DAY: 1,
    Urgency.WITHIN_DAYS: 7,
    Urgency.ROUTINE: 28,
}
CONTACT_WORDS = {
    AssessmentKind.BASELINE: "first assessment",
    AssessmentKind.REASSESSMENT: "follow-up",
    AssessmentKind.DISCHARGE: "last assessment of this episode",
}
IF_WORSE = "Stop running and call the clinic."


@dataclass(frozen=True)
class Frame:
    """What a letter needs beside the assessment: head, reader and kind."""

    head: PaperHead
    to: Addressee
    kind: LetterKind


def judged_of(assessment: Assessment) -> Judged:
    """The assessment of the record with its proposal under its own edition."""
    value = assessment_value(assessment)
    edition = edition_of(assessment.edition_id)
    return Judged(value, propose(value, edition), edition)


def letter_of(judged: Judged, frame: Frame) -> Letter:
    """The letter that the values of one assessment alone make."""
    judged = replace(judged, for_client=frame.to.reader is Reader.CLIENT)
    letter = Letter(
        head=frame.head,
        kind=frame.kind,
        to=frame.to,
        summary=told.summary(judged),
        contact=_contact(judged),
        problems=_problems(judged),
        holds=told.holds(judged),
        referral_notes=told.referral_notes(judged),
        cautions=told.cautions(judged),
        stop_signs=stop_signs(judged.proposal.programme),
        examined=told.examined(judged),
        not_examined=told.not_examined(judged),
        findings=tuple(one.row for one in judged.told),
        finding_notes=(*_sentences(judged, frame.to), *told.finding_notes(judged)),
        scales=told.scales(judged),
        plan=_plan(judged),
        exercises=proposed_exercises(judged),
        if_worse=IF_WORSE,
        referral=_referral(judged, frame.head.dated) if frame.kind is REFERRAL else None,
    )
    if frame.kind is REFERRAL:
        letter = replace(letter, asked=_purpose(judged))
    return with_short_forms(letter)


REFERRAL = LetterKind.REFERRAL


def with_short_forms(letter: Letter) -> Letter:
    """The letter with the units that it uses spelled out once."""
    bare = replace(letter, short_forms=())
    return replace(bare, short_forms=told.short_forms(*bare.strings()))


def _sentences(judged: Judged, to: Addressee) -> tuple[str, ...]:
    """The findings in sentences; the client reads the sentences written for clients.

    Source: AoMRC, Please, write to me (2018).
    """
    if to.reader is not Reader.CLIENT:
        return tuple(one.sentence for one in judged.told)
    rows = judged.tables.findings
    return tuple(rows[finding.code].client_sentence for finding in judged.proposal.findings)


def _contact(judged: Judged) -> parts.Contact:
    return parts.Contact(
        on=judged.assessment.assessed_on,
        kind=CONTACT_WORDS[judged.assessment.kind],
        how="in person",
    )


def _problems(judged: Judged) -> tuple[parts.Problem, ...]:
    facts = judged.assessment.facts
    if facts.get("complaint_present") == "no":
        return (parts.Problem("No complaint", certain=True),)
    words = complaint_words(judged)
    return (parts.Problem(f"Complaint: {words}", certain=True),) if words else ()


def complaint_words(judged: Judged) -> str:
    """Region and side of the complaint, empty if none was given."""
    facts = judged.assessment.facts
    region, side = facts.get("complaint_region"), facts.get("complaint_side")
    if not isinstance(region, str):
        return ""
    sides = {"both": "both sides", None: "side not given"}
    shown = sides.get(side if isinstance(side, str) else None, str(side))
    return f"{words_of(region)}, {shown}"


def _plan(judged: Judged) -> tuple[parts.PlanRow, ...]:
    proposal = judged.proposal
    rows = [
        parts.PlanRow(
            "Client",
            f"See: {note.to}",
            told.URGENCY_WORDS[note.urgency],
            "medical assessment" if judged.stopped else "opinion",
        )
        for note in proposal.referral_notes
    ]
    if proposal.programme:
        rows.append(parts.PlanRow("Client", "Exercises at home as listed", "from now on"))
    if proposal.cadence_plan is not None:
        plan = proposal.cadence_plan
        target = f"Cadence from {plan.measured:f} to {plan.first_target} steps/min"
        rows.append(parts.PlanRow("Client", target, "in usual runs"))
    review = f"in {proposal.review_in_days} days"
    what = "Look again once the doctor has answered" if judged.stopped else "Reassessment"
    rows.append(parts.PlanRow("Clinic", what, review))
    return tuple(rows)


def _purpose(judged: Judged) -> str:
    notes = judged.proposal.referral_notes
    if not notes:
        return ""
    return f"Please see the client: {_reasons(judged)}."


def _reasons(judged: Judged) -> str:
    """The flags and rules behind the most urgent referral notes, which go to this reader."""
    flags = judged.tables.flags
    notes = judged.proposal.referral_notes
    names = (
        told.flag_name(note.code, judged.tables)
        if note.code in flags
        else note.code.replace("_", " ")
        for note in notes
        if note.urgency is notes[0].urgency
    )
    return joined(*names)


def _referral(judged: Judged, dated: date) -> parts.Referral:
    present, absent = told.signs(judged)
    notes = judged.proposal.referral_notes
    first = notes[0] if notes else None
    question = "What is the cause, and when and how far may the client run and exercise again?"
    return parts.Referral(
        question=question,
        urgency=told.URGENCY_WORDS[first.urgency] if first else "",
        urgency_reason=_reasons(judged) if first else "",
        signs_present=present,
        signs_absent=absent,
        told_meanwhile=told.told_meanwhile(judged),
        check_on=dated + timedelta(days=CHECK_AFTER.get(first.urgency, 28)) if first else None,
    )


# From the record


def collect_letter(
    assessment: Assessment,
    to: Addressee,
    by: Staff,
    *,
    on: date | None = None,
    edition_line: str = STARTING_EDITION_LINE,
) -> Letter:
    """The progress letter of an assessment with everything that the record holds.

    on: date of the letter, today if not given.
    """
    frame = Frame(
        record.head_of(assessment, to, by, on or timezone.localdate(), edition_line),
        to,
        LetterKind.PROGRESS,
    )
    return _collected(assessment, frame)


def collect_referral(
    assessment: Assessment,
    to: Addressee | None,
    by: Staff,
    *,
    on: date | None = None,
    edition_line: str = STARTING_EDITION_LINE,
) -> Letter:
    """The referral letter of an assessment; without a person it goes to the setting named."""
    judged = judged_of(assessment)
    reader = to or setting_of(judged)
    head = record.head_of(assessment, reader, by, on or timezone.localdate(), edition_line)
    return _collected(assessment, Frame(head, reader, REFERRAL), judged)


def setting_of(judged: Judged) -> Addressee:
    """The setting that the most urgent referral note names."""
    notes = judged.proposal.referral_notes
    return Addressee(role=notes[0].to if notes else "", reader=Reader.DOCTOR)


def _collected(assessment: Assessment, frame: Frame, judged: Judged | None = None) -> Letter:
    judged = judged or judged_of(assessment)
    judged = replace(judged, for_client=frame.to.reader is Reader.CLIENT)
    held = record.Held.of(assessment)
    letter = letter_of(judged, frame)
    changed = _changes(held, judged)
    now = sum(item.stage == Stage.NOW.value for item in held.items)
    letter = replace(
        letter,
        summary=told.summary(judged, now if held.programme else None),
        stop_signs=stop_signs(held.items),
        practice=record.practice_of(assessment.client),
        contact=replace(letter.contact, at=held.contact_at),
        why_seen=record.reason_of(held, complaint_words(judged)),
        holds=_holds(letter.holds, judged, held),
        changes=changed.rows,
        finding_notes=(*letter.finding_notes, *changed.sentences, *disputes(assessment)),
        allergies=record.allergies_of(assessment.client),
        medicines=record.medicines_of(assessment.client),
        treatments=record.treatments_of(held, judged.edition),
        advice=record.advice_of(held),
        needs=record.needs_of(held),
        next_contact=record.next_contact_of(held),
        consent=record.consent_of(held.sharing),
        disagreements=record.disagreements_of(assessment.client, frame.to),
        **record.programme_of(held, letter, judged),
    )
    if letter.referral is not None:
        effect = replace(letter.referral, effect_on_life=assessment.episode.aggravating)
        letter = replace(letter, referral=effect)
    return with_short_forms(letter)


def disputes(assessment: Assessment) -> tuple[str, ...]:
    """The client's own statements on entries that they dispute: they print with the entries."""
    rows = assessment.addenda.all() if assessment.is_signed else []
    return tuple(
        "The client disputes an entry of this assessment; their statement: "
        f"“{' '.join(one.text.split())}”"
        for one in rows
        if one.kind == AddendumKind.STATEMENT
    )


def _holds(
    cautions: Iterable[parts.Caution], judged: Judged, held: record.Held
) -> tuple[parts.Caution, ...]:
    """The holds of the assessment with their days, and any other that is in force today."""
    codes = [hold.code for hold in judged.proposal.holds]
    own = (
        record.dated_hold(caution, held.holds.get(code))
        for code, caution in zip(codes, cautions, strict=True)
    )
    others = (
        record.hold_words(hold)
        for code, hold in held.holds.items()
        if code not in codes and hold.ended_on is None
    )
    return (*own, *others)


def _changes(held: record.Held, judged: Judged) -> Changes:
    if held.earlier is None or judged.stopped:
        return Changes()
    value = assessment_value(held.earlier)
    return changes(Judged(value, propose(value, judged.edition), judged.edition), judged)


# From a file


def file_head(on: date) -> PaperHead:
    """The head of a paper written from a file, which names neither clinic nor person."""
    return PaperHead(
        letterhead=Letterhead(f"Clinic {NOT_GIVEN}"),
        person=Person(f"Name {NOT_GIVEN}", None, NOT_GIVEN),
        dated=on,
        edition_line=STARTING_EDITION_LINE,
    )


def file_letter(judged: Judged) -> Letter:
    """The letter of an assessment file, a draft; a referral letter if a flag stops all."""
    head = file_head(judged.assessment.assessed_on)
    if judged.stopped:
        return letter_of(judged, Frame(head, setting_of(judged), REFERRAL))
    to = Addressee(role="Reader not given", reader=Reader.OTHER)
    letter = letter_of(judged, Frame(head, to, LetterKind.PROGRESS))
    return replace(letter, needs=Answer())
