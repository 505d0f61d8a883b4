"""What pages and papers say about a proposal: sentences of the tables."""

from collections.abc import Iterator
from dataclasses import dataclass

from assessments.domain.guards import Guard, GuardKind, parsed_guard
from assessments.domain.record import Record
from assessments.domain.rows import HEEL, HEEL_FOOT_LENGTHS, HEIGHT
from assessments.domain.vocabulary import Attribute, FeatureKind, Keeps, Outcome, Stage
from exercises.domain.edition import Edition
from exercises.domain.holds import Hold, Lifted
from exercises.domain.library import Effect, Sentence, SentenceKind
from exercises.domain.notes import Note, ReferralNote
from exercises.domain.proposals import Proposal
from exercises.domain.withholding import Withheld, meets

METHOD_WORDS = {
    "by_eye": "judged by eye",
    "video_2d": "measured on film",
    "motion_capture_3d": "measured by three-dimensional capture",
    "sensor": "measured by a sensor",
    "counted": "counted",
}


@dataclass(frozen=True, slots=True)
class StoppedBy:
    """One rule, flag or fact that stops an exercise, with the reason in words."""

    code: str
    text: str


def state(code: str, edition: Edition) -> Sentence:
    """The sentence of a state."""
    return edition.sentence(code, SentenceKind.STATE)


def note_sentence(note: Note, edition: Edition) -> Sentence:
    """The sentence of a note."""
    return edition.sentence(note.code, SentenceKind.NOTE)


def referral_sentence(note: ReferralNote, edition: Edition) -> Sentence:
    """The sentence of a referral note."""
    return edition.sentence(note.code, SentenceKind.REFERRAL)


def hold_sentence(hold: Hold, edition: Edition) -> Sentence:
    """The sentence of a hold: that of its flag, its rule, or a flag lifted in part.

    Source: EVALUATION.md, 16.
    """
    if hold.lifted_in_part:
        return state("lifted_in_part", edition)
    if hold.code in edition.tables.flags:
        return flag_sentence(hold.code, edition)
    return state(hold.code, edition)


def flag_sentence(code: str, edition: Edition) -> Sentence:
    """The sentence of a flag answered yes; for letter and client those of screening.csv."""
    flag = edition.tables.flags[code]
    page = edition.sentence(code, SentenceKind.REFERRAL).page
    return Sentence(code, SentenceKind.REFERRAL, page, flag.letter_sentence, flag.handout_sentence)


def lifted_sentence(lifted: Lifted, edition: Edition) -> Sentence:
    """The sentence of a flag that was lifted, whole or in part."""
    whole = lifted.keeps is Keeps.NOTHING
    return state("lifted" if whole else "lifted_in_part", edition)


def states_of(proposal: Proposal, edition: Edition) -> dict[str, Sentence]:
    """The states that apply to a proposal as a whole, by code. Source: EVALUATION.md, 16."""
    return {code: state(code, edition) for code in _state_codes(proposal)}


def stopped_by(withheld: Withheld, edition: Edition) -> tuple[StoppedBy, ...]:
    """Why an exercise is withheld, one reason for each code that stops it."""
    return tuple(
        StoppedBy(code, _stop_text(code, withheld.exercise, edition)) for code in withheld.because
    )


def missing_name(code: str, edition: Edition) -> str:
    """The name of something that is missing in `not_assessed`."""
    tables = edition.tables
    if code.startswith("norm:"):
        return f"{tables.tests[code.removeprefix('norm:')].name}: norm for this sex and age"
    for named in (tables.features, tables.tests, tables.facts, tables.findings, tables.scores):
        if code in named:
            return named[code].name
    raise ValueError(f"nothing in this edition is called {code}")


def guard_words(text: str) -> str:
    """What a guard asks for, as a condition for recording again."""
    guard = parsed_guard(text)
    if guard is None:
        raise ValueError(f"{text!r} is no guard")
    match guard.kind:
        case GuardKind.MIN_STEPS:
            return f"mean of at least {guard.low} steps"
        case GuardKind.MIN_FRAME_RATE:
            return f"at least {guard.low} frames a second"
        case GuardKind.METHOD:
            return METHOD_WORDS[guard.method or ""]
        case GuardKind.PELVIS_HELD:
            return "pelvis held still"
        case _:  # only the speed is left
            return _speed_words(guard)


def what_counts(feature: str, edition: Edition, record: Record | None = None) -> Attribute | None:
    """Which of value and grade counts where both are recorded, None if no row reads either.

    Without a height the grade of the heel ahead of the body counts. Source: README.md, "Value
    and grade side by side".
    """
    if edition.tables.features[feature].kind is not FeatureKind.GRADE_OR_VALUE:
        return None
    if feature == HEEL and record is not None and record.number(HEIGHT) is None:
        return Attribute.GRADE
    subjects = {feature, HEEL_FOOT_LENGTHS} if feature == HEEL else {feature}
    read = {row.attribute for row in edition.tables.criteria if row.subject in subjects}
    return next((one for one in (Attribute.VALUE, Attribute.GRADE) if one in read), None)


def _state_codes(proposal: Proposal) -> Iterator[str]:
    yield proposal.outcome
    lists = {
        "not_reliable": proposal.not_reliable,
        "not_assessed": proposal.not_assessed,
        "withheld": proposal.withheld,
    }
    yield from (code for code, items in lists.items() if items)
    if any(item.missing_kit for item in proposal.programme):
        yield "missing_kit"
    if any(item.stage is Stage.LATER for item in proposal.programme):
        yield "later"
    if proposal.outcome is Outcome.STOP_ALL:
        return
    if not (proposal.findings or proposal.not_reliable or proposal.not_assessed):
        yield "nothing_found"
    if not proposal.programme:
        yield "no_exercise"


def _stop_text(code: str, exercise: str, edition: Edition) -> str:
    if code in edition.tables.flags:
        return flag_sentence(code, edition).page
    if code in edition.tables.facts:
        return f"{edition.tables.facts[code].name}: yes"
    named = edition.exercises[exercise]
    rows = [one for one in edition.by_effect[Effect.WITHHOLD] if one.rule == code]
    meeting = [one for one in rows if any(meets(thing, named) for thing in one.withholds)]
    return " ".join(dict.fromkeys(one.rationale for one in meeting))


def _speed_words(guard: Guard) -> str:
    if guard.low is None or guard.high is None:
        return "speed recorded"
    return f"speed from {guard.low} to {guard.high} m/s"
