"""Notes for the clinician and referral notes."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from assessments.domain.record import Record
from assessments.domain.vocabulary import Answer, Outcome, Urgency
from exercises.domain.edition import Edition
from exercises.domain.library import Effect, Rule
from exercises.domain.situation import Situation, screening_age_days

OUT_OF_DATE, INCOMPLETE = "screening_out_of_date", "screening_incomplete"
SCREENING_RULE = "R15"
CADENCE_NOT_MEASURED = "cadence_not_measured"
NEEDS_TICK = "clinician_tick_needed"


@dataclass(frozen=True, slots=True)
class Note:
    """One note with all rules that give it and the exercises that it names."""

    code: str
    rules: tuple[str, ...]
    exercises: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReferralNote:
    """Whom the client should see and how soon."""

    code: str
    to: str
    urgency: Urgency


def missing_answers(record: Record, edition: Edition) -> tuple[str, ...]:
    """Flags that do more than note and have no answer yet. Source: EVALUATION.md, 12."""
    return tuple(
        flag.code
        for flag in edition.tables.flags.values()
        if flag.stops_something and record.assessment.answer(flag.code) is Answer.NOT_ASKED
    )


def notes_of(
    situation: Situation, edition: Edition, programme: Iterable[str], *, cadence_missing: bool
) -> tuple[Note, ...]:
    """Notes by code. programme: exercises now or later. Source: EVALUATION.md, 9, 12 and 15."""
    rules: dict[str, set[str]] = {}
    exercises: dict[str, set[str]] = {}
    for code, rule, exercise in _given(situation, edition, set(programme)):
        rules.setdefault(code, set()).update([rule] if rule else [])
        exercises.setdefault(code, set()).update([exercise] if exercise else [])
    if cadence_missing:
        rules.setdefault(CADENCE_NOT_MEASURED, set())
    return tuple(
        Note(
            code,
            tuple(sorted(rules[code], key=lambda rule: int(rule[1:]))),
            tuple(sorted(exercises.get(code, ()))),
        )
        for code in sorted(rules)
    )


def outcome_of(notes: Iterable[Note]) -> Outcome:
    """A draft while the screening is out of date or incomplete. Source: EVALUATION.md, 12."""
    open_ = {note.code for note in notes} & {OUT_OF_DATE, INCOMPLETE}
    return Outcome.DRAFT if open_ else Outcome.PROPOSED


def referral_notes(
    situation: Situation, edition: Edition, rows: Iterable[Rule]
) -> tuple[ReferralNote, ...]:
    """Referral notes of flags answered yes and of the refer rows given, most urgent first.

    Source: EVALUATION.md, 16.
    """
    notes = {
        flag.code: ReferralNote(flag.code, flag.refer_to, flag.urgency)
        for flag in edition.tables.flags.values()
        if situation.answered_yes(flag.code) and flag.urgency is not Urgency.NONE
    }
    for rule in rows:
        if rule.note_code and situation.fires(rule):
            note = ReferralNote(rule.note_code, rule.refer_to, rule.urgency)
            notes.setdefault(note.code, note)
    return tuple(sorted(notes.values(), key=lambda note: (note.urgency.rank, note.code)))


def _given(
    situation: Situation, edition: Edition, programme: set[str]
) -> Iterator[tuple[str, str | None, str | None]]:
    for effect in (Effect.NOTE, Effect.RECORD_ONLY):
        for rule in edition.by_effect[effect]:
            counts = rule.exercise is None or rule.exercise in programme
            if rule.note_code and counts and situation.fires(rule):
                yield rule.note_code, rule.rule, rule.exercise
    for flag in edition.tables.flags.values():
        if flag.notes and situation.answered_yes(flag.code):
            yield flag.code, None, None
    age = screening_age_days(situation.record)
    if age is None or age < 0:
        yield OUT_OF_DATE, SCREENING_RULE, None
    if missing_answers(situation.record, edition):
        yield INCOMPLETE, SCREENING_RULE, None
