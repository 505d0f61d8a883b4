"""What a letter says of an assessment and its proposal, from values alone."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from assessments.change_words import number_words
from assessments.domain.assessment import Assessment
from assessments.domain.findings import NotAssessed, NotReliable
from assessments.domain.record import record_of
from assessments.domain.tables import AssessmentTables
from assessments.domain.vocabulary import Answer, Keeps, Outcome, Side, Stage, Urgency
from clinic.domain import letter as parts
from clinic.domain.paper import date_words, joined
from clinic.web.letter_findings import AREA_WORDS, SIDE_WORDS, Told, told_findings
from exercises.domain.edition import Edition
from exercises.domain.library import Sentence
from exercises.domain.notes import Note
from exercises.domain.proposals import Proposal
from exercises.domain.sentences import (
    hold_sentence,
    lifted_sentence,
    note_sentence,
    referral_sentence,
    state,
    states_of,
)

URGENCY_WORDS = {
    Urgency.EMERGENCY: "now, emergency",
    Urgency.SAME_DAY: "the same day",
    Urgency.WITHIN_DAYS: "within days",
    Urgency.ROUTINE: "routine",
    Urgency.NONE: "",
}
SHORT_FORMS = {
    "deg": "degrees",
    "cm": "centimetres",
    "mm": "millimetres",
    "ms": "milliseconds",
    "s": "seconds",
    "m/s": "metres a second",
    "steps/min": "steps a minute, both feet counted",
    "Nm/kg": "newton metres for each kilogram of body mass",
    "%": "per cent",
}


@dataclass(frozen=True)
class Judged:
    """One assessment with what the rules made of it under an edition, and who reads of it."""

    assessment: Assessment
    proposal: Proposal
    edition: Edition
    for_client: bool = False

    @property
    def tables(self) -> AssessmentTables:
        """Tables of the edition."""
        return self.edition.tables

    @property
    def stopped(self) -> bool:
        """Whether a flag stops everything."""
        return self.proposal.outcome is Outcome.STOP_ALL

    def words(self, sentence: Sentence) -> str:
        """A sentence for this reader: the client's own where there is one.

        Source: AoMRC, Please, write to me (2018).
        """
        return sentence.handout if self.for_client and sentence.handout else sentence.letter

    @property
    def told(self) -> tuple[Told, ...]:
        """The findings in sentences."""
        return told_findings(self.proposal.findings, record_of(self.assessment), self.tables)


def flag_name(code: str, tables: AssessmentTables) -> str:
    """A flag in words, "Suspected clot"."""
    words = tables.flags[code].alias.replace("_", " ").capitalize()
    return words.replace("achilles", "Achilles")


def holds(judged: Judged) -> tuple[parts.Caution, ...]:
    """Every hold in its letter sentence."""
    edition = judged.edition
    return tuple(
        parts.Caution(judged.words(hold_sentence(hold, edition))) for hold in judged.proposal.holds
    )


def referral_notes(judged: Judged) -> tuple[parts.Caution, ...]:
    """Whom to see and how soon; a sentence that stands with the holds is not said twice.

    Source: README of the tables, "Columns of notes.csv".
    """
    said = {hold.sentence for hold in holds(judged)}
    return tuple(
        parts.Caution(
            sentence if sentence not in said else f"{flag_name(note.code, judged.tables)}.",
            note.to,
            URGENCY_WORDS[note.urgency],
        )
        for note in judged.proposal.referral_notes
        for sentence in [judged.words(referral_sentence(note, judged.edition))]
    )


def cautions(judged: Judged) -> tuple[str, ...]:
    """Sentences of flags that only note, of notes on exercises, and of what was lifted."""
    about = [
        note
        for note in judged.proposal.notes
        if note.exercises or note.code in judged.tables.flags
    ]
    return (*_note_sentences(judged, about), *(_lifted(judged)))


def finding_notes(judged: Judged) -> tuple[str, ...]:
    """Sentences of the other notes, and the state of what was found."""
    states = states_of(judged.proposal, judged.edition)
    nothing = [judged.words(states["nothing_found"])] if "nothing_found" in states else []
    rest = [
        note
        for note in judged.proposal.notes
        if not note.exercises and note.code not in judged.tables.flags
    ]
    return (*nothing, *_note_sentences(judged, rest))


def _note_sentences(judged: Judged, notes: list[Note]) -> tuple[str, ...]:
    said = {one.sentence for one in (*holds(judged), *referral_notes(judged))}
    sentences = [judged.words(note_sentence(note, judged.edition)) for note in notes]
    return tuple(dict.fromkeys(one for one in sentences if one and one not in said))


def _lifted(judged: Judged) -> Iterator[str]:
    for one in judged.proposal.lifted:
        sentence = lifted_sentence(one, judged.edition).letter
        name = flag_name(one.code, judged.tables)
        kept = "Running and jumping stay withheld. " if one.keeps is Keeps.NO_IMPACT else ""
        by = f"{one.lifted_by}, {date_words(one.lifted_on)}: {one.reason}"
        yield f"{name}. {sentence if not kept else ''}{kept}{' ' if not kept else ''}{by}"


def examined(judged: Judged) -> tuple[str, ...]:
    """Areas with at least one answer, and the tests that were done."""
    if judged.stopped:
        return ()
    seen = {judged.tables.features[one.feature].area for one in judged.assessment.observations}
    areas = [words for area, words in AREA_WORDS.items() if area in seen]
    done = {one.test for one in judged.assessment.tests}
    tests = [row.name for code, row in judged.tables.tests.items() if code in done]
    return (*areas, f"tests beside the run ({joined(*tests)})") if tests else tuple(areas)


def not_examined(judged: Judged) -> tuple[str, ...]:
    """Areas and features without an answer, what could not be judged, what was not reliable."""
    edition = judged.edition
    if judged.stopped:
        return (state("stop_all", edition).letter,)
    return (
        *_areas_not_seen(judged),
        *_of_state("not_assessed", judged.proposal.not_assessed, edition),
        *_of_state("not_reliable", judged.proposal.not_reliable, edition),
    )


def _areas_not_seen(judged: Judged) -> Iterator[str]:
    seen = {one.feature for one in judged.assessment.observations}
    for area, words in AREA_WORDS.items():
        features = [row for row in judged.tables.features.values() if row.area is area]
        lost = [row.name for row in features if row.code not in seen]
        if len(lost) == len(features):
            yield f"{words}: not examined"
        elif lost:
            yield f"{words}: {joined(*lost)}"


def _of_state(
    code: str, entries: Sequence[NotAssessed | NotReliable], edition: Edition
) -> Iterator[str]:
    """Names of findings with their sides, and the sentence of the state."""
    if not entries:
        return
    sides: dict[str, dict[Side, None]] = {}
    for entry in entries:
        sides.setdefault(entry.finding, {})[entry.side] = None
    names = [
        joined(edition.tables.findings[finding].name, *(_side(of)), between=" ")
        for finding, of in sides.items()
    ]
    yield f"{joined(*names)}. {state(code, edition).letter}"


def _side(sides: Mapping[Side, None]) -> Iterator[str]:
    """The side in brackets where it is one of two."""
    real = set(sides) - {Side.NONE}
    if len(real) == 1 and Side.BOTH not in real:
        yield f"({SIDE_WORDS[next(iter(real))]})"


def scales(judged: Judged) -> tuple[parts.ScaleRow, ...]:
    """Every score with its range; the name says when it holds."""
    rows = []
    for code, value in judged.assessment.scores.items():
        score = judged.tables.scores[code]
        low, high = score.plausible.low, score.plausible.high
        shown = number_words(value) if isinstance(value, Decimal) else value
        if isinstance(value, Decimal) and low is not None and high is not None:
            span = f"{number_words(low)} to {number_words(high)}"
        else:
            span = "yes or no"
        day = judged.assessment.assessed_on
        rows.append(parts.ScaleRow(score.name, shown, span, asked_on=day))
    return tuple(rows)


def state_sentences(judged: Judged) -> tuple[str, ...]:
    """Letter sentences of the states that hold as a whole: outcome, nothing found, no exercise."""
    states = states_of(judged.proposal, judged.edition)
    wanted = ("stop_all", "draft", "nothing_found", "no_exercise")
    told = (judged.words(states[code]) for code in wanted if code in states)
    return tuple(sentence for sentence in told if sentence)


def summary(judged: Judged, given: int | None = None) -> str:
    """A few lines to start from: findings with side, states, how many exercises.

    given: exercises decided for now; those of the proposal if nothing was decided yet.
    """
    if judged.stopped:
        held = (hold.sentence for hold in holds(judged))
        return joined(*state_sentences(judged), *held, between=" ")
    found = dict.fromkeys(
        joined(one.row.finding.split(",")[0], one.row.side, one.row.severity)
        for one in judged.told
    )
    now = sum(item.stage is Stage.NOW for item in judged.proposal.programme)
    proposed = 0 if judged.proposal.outcome is Outcome.DRAFT else now
    count = proposed if given is None else given
    exercises = f"{count} exercises now." if count > 1 else "1 exercise now." if count else ""
    listed = f"Found: {'; '.join(found)}." if found else ""
    held_words = "Part of the load is held, see Cautions." if judged.proposal.holds else ""
    return joined(listed, *state_sentences(judged), held_words, exercises, between=" ")


def signs(judged: Judged) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Flags answered yes, and those asked and answered no, in the order of the table.

    A flag that was not asked stands in neither. Source: HL7 functional model, pertinent
    positive and negative signs.
    """
    answers = judged.assessment.answers
    flags = judged.tables.flags.values()
    soon = Urgency.SAME_DAY.rank
    present = [
        flag_name(flag.code, judged.tables)
        for flag in flags
        if answers.get(flag.code) is Answer.YES
    ]
    absent = [
        flag_name(flag.code, judged.tables)
        for flag in flags
        if answers.get(flag.code) is Answer.NO and (flag.stops_all or flag.urgency.rank <= soon)
    ]
    # one line: a list of all that is well would push the rest off the first page
    return tuple(present), ("; ".join(absent),) if absent else ()


def told_meanwhile(judged: Judged) -> str:
    """What the client was told: the handout sentences of the holds, each once."""
    sentences = [hold_sentence(hold, judged.edition).handout for hold in judged.proposal.holds]
    sentences += [
        referral_sentence(note, judged.edition).handout for note in judged.proposal.referral_notes
    ]
    return " ".join(dict.fromkeys(one for one in sentences if one))


def short_forms(*texts: str) -> tuple[parts.ShortForm, ...]:
    """The units that stand in the texts, spelled out once."""
    words = {word.strip("(),.;:") for text in texts for word in text.split()}
    return tuple(
        parts.ShortForm(short, meaning) for short, meaning in SHORT_FORMS.items() if short in words
    )
