"""What a letter takes from the rows around an assessment."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from typing import Any, Self

from django.utils import timezone

from assessments.domain.vocabulary import Stage
from assessments.models import Assessment, Goal
from clinic.domain import letter as parts
from clinic.domain.letter import Addressee, Letter, Reader
from clinic.domain.paper import (
    Answer,
    Asked,
    Letterhead,
    PaperHead,
    Person,
    PrintSize,
    Signature,
    date_words,
    day_words,
    joined,
)
from clinic.domain.vocabulary import (
    AlertKind,
    AppointmentState,
    ConsentPurpose,
    DocumentFormat,
    Known,
    PaperKind,
    ReferrerKind,
)
from clinic.models import (
    Alert,
    Appointment,
    Client,
    Consent,
    Hold,
    Paper,
    Reassessment,
    RecordRequest,
    Referrer,
    Site,
    Staff,
)
from clinic.models.record_links import others, person
from clinic.services import consents, reassessments
from clinic.web.letter_exercises import exercise_row
from clinic.web.letter_parts import Judged
from exercises.domain.decisions import Decision
from exercises.domain.dose_words import printed_dose
from exercises.domain.edition import Edition
from exercises.models import Advice, Programme, ProgrammeItem
from exercises.services.programme_rows import dose_of

GIVEN = (Decision.ACCEPTED.value, Decision.ADJUSTED.value, Decision.ADDED.value)


@dataclass(frozen=True)
class Held:
    """Rows around one assessment, read once."""

    assessment: Assessment
    earlier: Assessment | None = None
    goals: tuple[Goal, ...] = ()
    programme: Programme | None = None
    items: tuple[ProgrammeItem, ...] = ()
    advice: tuple[Advice, ...] = ()
    last_items: tuple[ProgrammeItem, ...] = ()
    sharing: Consent | None = None
    access: tuple[Alert, ...] = ()
    handout: Paper | None = None
    next_booked: Appointment | None = None
    due: Reassessment | None = None
    contact_at: str = ""
    holds: Mapping[str, Hold] = field(default_factory=dict)

    @classmethod
    def of(cls, assessment: Assessment) -> Self:
        client, day = assessment.client, assessment.assessed_on
        looks = Assessment.objects.standing().filter(client__in=person(client.pk))
        earlier = looks.signed().before(day).first()
        programme = Programme.objects.filter(assessment=assessment).first()
        last = Programme.objects.filter(assessment=earlier).first() if earlier else None
        return cls(
            assessment=assessment,
            earlier=earlier,
            goals=tuple(assessment.episode.goals.filter(reached_on__isnull=True)),
            programme=programme,
            items=_items(programme),
            advice=tuple(programme.advice.all()) if programme else (),
            last_items=_items(last) if last and last.is_issued else (),
            sharing=sharing_of(client),
            access=tuple(
                Alert.objects.filter(
                    client__in=person(client.pk),
                    kind=AlertKind.ACCESS.value,
                    ended_on__isnull=True,
                )
            ),
            handout=newest_handout(client),
            next_booked=_next_booked(client),
            due=reassessments.standing(client).first(),
            contact_at=_contact_at(client, day),
            holds=_newest_holds(client),
        )


def _newest_holds(client: Client) -> dict[str, Hold]:
    """The newest hold of each code, in force or ended; one in force before any that ended."""
    held = Hold.objects.filter(client__in=person(client.pk))
    rows = held.select_related("lifted_by").order_by("since", "pk")
    newest = {hold.code: hold for hold in rows}
    return newest | {hold.code: hold for hold in rows if hold.ended_on is None}


def hold_words(hold: Hold) -> parts.Caution:
    """A hold of the record that the assessment does not know of."""
    return parts.Caution(
        hold.sentence, hold.refer_to, hold.urgency.replace("_", " "), since=hold.since
    )


def dated_hold(caution: parts.Caution, hold: Hold | None) -> parts.Caution:
    """A hold of the assessment with the day since which it holds, and why it was lifted since."""
    if hold is None:
        return caution
    if hold.ended_on is None or not hold.reason:
        return replace(caution, since=hold.since)
    lifted = f"on {date_words(hold.ended_on)} by {hold.lifted_by}: {hold.reason}"
    return replace(caution, since=hold.since, lifted=lifted)


def _items(programme: Programme | None) -> tuple[ProgrammeItem, ...]:
    return tuple(programme.items.filter(decision__in=GIVEN)) if programme else ()


def newest_handout(client: Client) -> Paper | None:
    """The handout signed last."""
    return (
        client.papers.without_bytes()
        .filter(kind=PaperKind.HANDOUT.value, signed_at__isnull=False)
        .order_by("-signed_at")
        .first()
    )


def _next_booked(client: Client) -> Appointment | None:
    booked = Appointment.objects.filter(
        client__in=person(client.pk),
        state=AppointmentState.BOOKED.value,
        starts_at__gt=timezone.now(),
    )
    return booked.select_related("clinician").order_by("starts_at").first()


def _contact_at(client: Client, day: date) -> str:
    seen = client.appointments.standing().on_day(day).order_by("starts_at").first()
    return f"{seen.local_time:%H:%M}" if seen else ""


# The head


def lines_of(text: str) -> tuple[str, ...]:
    """The lines of an address."""
    return tuple(line.strip() for line in text.splitlines() if line.strip())


def letterhead_of(site: Site) -> Letterhead:
    """The clinic as it is today."""
    return Letterhead(
        site.clinic_name, site.name, lines_of(site.address), site.telephone, site.email
    )


def person_of(client: Client) -> Person:
    """The client as named on papers."""
    return Person(
        full_name=client.full_name,
        born=client.birth_date,
        record_number=client.number,
        preferred_name=client.preferred_name,
        address=lines_of(client.address),
        telephone=client.telephone,
    )


def head_of(
    assessment: Assessment, to: Addressee, by: Staff, on: date, edition_line: str
) -> PaperHead:
    """The head of a letter, not yet signed; large print only where the client reads it."""
    client = assessment.client
    reads_large = client.document_format == DocumentFormat.LARGE_PRINT.value
    large = reads_large and to.reader is Reader.CLIENT
    return PaperHead(
        letterhead=letterhead_of(client.site),
        person=person_of(client),
        dated=on,
        author=author_of(by),
        copies=() if to.reader is Reader.CLIENT else (client.full_name,),
        edition_line=edition_line,
        print_size=PrintSize.LARGE if large else PrintSize.STANDARD,
    )


def author_of(by: Staff) -> Signature:
    """Who writes the paper, without a signature."""
    return Signature(str(by), by.profession, by.registration_number)


def to_client(client: Client) -> Addressee:
    """The client as reader."""
    return Addressee(name=client.full_name, address=lines_of(client.address), reader=Reader.CLIENT)


def to_referrer(referrer: Referrer) -> Addressee:
    """A doctor, therapist or coach as reader."""
    doctors = (ReferrerKind.DOCTOR.value, ReferrerKind.CONSULTANT.value)
    reader = Reader.DOCTOR if referrer.kind in doctors else Reader.OTHER
    if referrer.kind == ReferrerKind.COACH.value:
        reader = Reader.COACH
    return Addressee(
        name=referrer.name,
        organisation=referrer.practice,
        address=lines_of(referrer.address),
        reader=reader,
    )


def practice_of(client: Client) -> tuple[str, ...]:
    """The client's doctor, empty if none is recorded."""
    doctor = client.doctor
    if doctor is None:
        return ()
    return tuple(line for line in (doctor.name, doctor.practice) if line) + lines_of(
        doctor.address
    )


# The sections


def reason_of(held: Held, complaint: str) -> parts.Reason:
    """Why the client was seen, in the words of the record."""
    episode, assessment = held.assessment.episode, held.assessment
    began = f"began on {date_words(episode.onset_on)}" if episode.onset_on else ""
    return parts.Reason(
        reason=joined(complaint, began, episode.mechanism),
        own_words=joined(episode.reason, assessment.words, between=" "),
        goals=tuple(
            joined(goal.text, f"by {date_words(goal.by)}" if goal.by else "")
            for goal in held.goals
        ),
    )


def _answer(known: str, words: str) -> Answer:
    if known == Known.LISTED.value:
        return Answer.listed(*lines_of(words.replace(";", "\n")))
    return Answer(Asked.NONE_KNOWN if known == Known.NONE_KNOWN.value else Asked.NOT_ASKED)


def _answer_of(client: Client, name: str) -> Answer:
    """What any record lists counts; else that nothing is known, if this record says so."""
    rows = [client, *others(client.pk)]
    known = [(getattr(one, f"{name}_known"), getattr(one, name)) for one in rows]
    listed = [words for state, words in known if state == Known.LISTED.value]
    if listed:
        return _answer(Known.LISTED.value, "\n".join(dict.fromkeys(listed)))
    return _answer(*known[0])


def allergies_of(client: Client) -> Answer:
    """Allergies of all records of the person; not asked and none known are different."""
    return _answer_of(client, "allergies")


def medicines_of(client: Client) -> Answer:
    """Medicines of all records of the person; not asked and none known are different."""
    return _answer_of(client, "medicines")


def needs_of(held: Held) -> Answer:
    """Needs in reading, language, speech and access; not asked if nothing is recorded."""
    client = held.assessment.client
    large = client.document_format == DocumentFormat.LARGE_PRINT.value
    needs = (
        "Large print" if large else "",
        f"Language: {client.language}" if client.language else "",
        client.communication_needs,
        *(alert.text for alert in held.access),
    )
    given = [need for need in needs if need]
    return Answer.listed(*given) if given else Answer()


def treatments_of(held: Held, edition: Edition) -> tuple[parts.TreatmentRow, ...]:
    """The programme of last time and what came of it."""
    names = [edition.exercises[item.exercise_id].name for item in held.last_items]
    if not (names or held.assessment.response):
        return ()
    given = joined(*names) or "Programme so far"
    return (parts.TreatmentRow(given, effect=held.assessment.response),)


def advice_of(held: Held) -> tuple[parts.AdviceRow, ...]:
    """What the client was told beside the exercises."""
    return tuple(parts.AdviceRow(one.text, "client", one.understood) for one in held.advice)


def next_contact_of(held: Held) -> str:
    """The next appointment, or the day from which the next look is due."""
    booked = held.next_booked
    if booked is not None:
        day, time = day_words(booked.local_date), f"{booked.local_time:%H:%M}"
        return f"{day} at {time}, with {booked.clinician}"
    due = held.due.due_on if held.due else held.programme.review_on if held.programme else None
    return f"Due on {date_words(due)}; call us to book." if due else ""


def sharing_of(client: Client) -> Consent | None:
    """The answer on sharing that is in force."""
    return consents.standing(client, ConsentPurpose.SHARING)


def consent_of(answer: Consent | None) -> parts.ConsentToShare:
    """An answer on sharing as printed."""
    if answer is None:
        return parts.ConsentToShare()
    return parts.ConsentToShare(answer.given, answer.giver, answer.given_on, answer.limits)


def disagreements_of(client: Client, to: Addressee) -> tuple[parts.Disagreement, ...]:
    """Denied amendments that others are told of; the client knows them."""
    if to.reader is Reader.CLIENT:
        return ()
    return tuple(
        parts.Disagreement(
            asked_on=row.received_on,
            asked=" ".join(row.words.split()),
            denied_on=timezone.localdate(row.decided_at),
            reason=" ".join(row.answer.split()),
            statement=" ".join(row.statement.split()),
            rebuttal=" ".join(row.rebuttal.split()),
        )
        for row in RecordRequest.objects.filter(client__in=person(client.pk)).passed_on()
    )


def programme_of(held: Held, letter: Letter, judged: Judged) -> dict[str, Any]:
    """Exercises, plan and handout of the programme as decided; the proposal stays unsaid.

    What nobody has decided is no plan of the client's: a letter never passes it off as one.
    """
    programme = held.programme
    if programme is None:
        exercises: tuple[parts.ExerciseRow, ...] = ()
        plan = tuple(row for row in letter.plan if not _of_exercises(row))
        return {"exercises": exercises, "plan": plan}
    when = f"by {date_words(programme.review_on)}"
    rows = [row for row in letter.plan if not _of_exercises(row) and row.who != "Clinic"]
    rows += _plan_rows(programme, held)
    rows.append(parts.PlanRow("Clinic", "Reassessment", when))
    return {
        "exercises": tuple(_exercises(held, judged.edition)),
        "plan": tuple(rows),
        "plan_agreed": {"yes": True, "no": False}.get(programme.agreed),
        "handout_version": _handout_words(held),
    }


def _of_exercises(row: parts.PlanRow) -> bool:
    return row.what.startswith(("Exercises at home", "Cadence from"))


def _plan_rows(programme: Programme, held: Held) -> Iterator[parts.PlanRow]:
    if any(item.stage == Stage.NOW.value for item in held.items):
        yield parts.PlanRow("Client", "Exercises at home as listed", "from now on")
    if programme.cadence_first_target and programme.cadence_measured is not None:
        measured = programme.cadence_measured.normalize()
        target = f"Cadence from {measured:f} to {programme.cadence_first_target} steps/min"
        yield parts.PlanRow("Client", target, "in usual runs")


def _exercises(held: Held, edition: Edition) -> Iterator[parts.ExerciseRow]:
    for item in held.items:
        exercise = edition.exercises[item.exercise_id]
        ceiling = item.pain_ceiling
        yield exercise_row(
            exercise,
            printed_dose(dose_of(item), exercise),
            stage=Stage(item.stage),
            pain_ceiling=int(exercise.pain_ceiling if ceiling is None else Decimal(ceiling)),
            edition=edition,
        )


def _handout_words(held: Held) -> str:
    paper = held.handout
    return f"version {paper.version} of {date_words(paper.dated)}" if paper else ""
