"""State of one row of criteria.csv on one side."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from assessments.domain.guards import PELVIS_HELD_TEST, unmet
from assessments.domain.norms import norm_value
from assessments.domain.record import COMPLAINT_SIDE, REGION, Record, Seen
from assessments.domain.tables import AssessmentTables, Criterion
from assessments.domain.vocabulary import Attribute, RowSide, Side, SubjectKind

HEEL, HEEL_FOOT_LENGTHS, HEIGHT = "heel_to_com", "heel_to_com_foot_lengths", "height_m"
# cm of foot length for each metre of height: 0.152 of height (EVALUATION.md, 4)
FOOT_CM_PER_M = Decimal("15.2")
OTHER = {Side.LEFT: Side.RIGHT, Side.RIGHT: Side.LEFT}


class RowState(StrEnum):
    TRUE = "true"
    FALSE = "false"
    MISSING = "missing"
    UNRELIABLE = "unreliable"


@dataclass(frozen=True, slots=True)
class Judged:
    """A row on a side: its state with the number, grade or word that was compared.

    side: the side printed; unmet: guards not met; missing: the code that is missing.
    """

    criterion: Criterion
    side: Side
    state: RowState
    number: Decimal | None = None
    grade: int | None = None
    word: str | None = None
    unmet: tuple[str, ...] = ()
    missing: str | None = None


class Candidate(NamedTuple):
    """A number that could be compared, with the guards that it does not meet."""

    number: Decimal
    unmet: tuple[str, ...]


@dataclass(slots=True)
class Ledger:
    """Where findings have fired, and where a maker could not tell, as judging goes on."""

    fired: dict[str, set[Side]] = field(default_factory=dict)
    untold: dict[str, set[Side]] = field(default_factory=dict)


class RowJudge:
    """Judges rows of one record by one set of tables."""

    def __init__(self, record: Record, tables: AssessmentTables, ledger: Ledger) -> None:
        self.record, self.tables, self.ledger = record, tables, ledger

    def judge(self, criterion: Criterion, judged: Side) -> Judged:
        """The row while a side is judged. Source: EVALUATION.md, 3 to 5."""
        side = _row_side(criterion, judged)
        match criterion.attribute:
            case Attribute.VALUE:
                return self._value(criterion, side)
            case Attribute.GRADE:
                return _of_grade(criterion, side, self._first_grade(criterion, side))
            case Attribute.CHOICE:
                return self._choice(criterion, side)
            case Attribute.SIDE_DIFFERENCE:
                return self._difference(criterion, side)
            case Attribute.NORM_DEFICIT:
                return self._deficit(criterion, side)
            case _:  # only presence is left
                return self._present(criterion, side)

    def _value(self, criterion: Criterion, side: Side) -> Judged:
        candidates = self.candidates(criterion, side)
        if candidates:
            return _of_number(criterion, side, first_reliable(candidates))
        if criterion.grade_at_least is not None:
            grade = self._first_grade(criterion, side)
            if grade is not None:
                return _of_grade(criterion, side, grade)
        return _missing(criterion, side, self._missing_code(criterion, side))

    def candidates(self, criterion: Criterion, side: Side) -> list[Candidate]:
        """Numbers of the subject on a side, first trial first."""
        match criterion.subject_kind:
            case SubjectKind.FEATURE | SubjectKind.DERIVED:
                return self._observed(criterion, side)
            case SubjectKind.TEST:
                return self._tested(criterion, side)
            case SubjectKind.SCORE:
                score = self.record.assessment.scores.get(criterion.subject)
                return [Candidate(score, ())] if isinstance(score, Decimal) else []
            case _:
                number = self.record.number(criterion.subject)
                return [] if number is None else [Candidate(number, ())]

    def _observed(self, criterion: Criterion, side: Side) -> list[Candidate]:
        foot = self._foot_cm() if criterion.subject_kind is SubjectKind.DERIVED else Decimal(1)
        if foot is None:
            return []
        return [
            Candidate(seen.observation.value / foot, self._unmet(criterion, side, seen))
            for seen in self.record.observed(_feature(criterion), side)
            if seen.observation.value is not None
        ]

    def _tested(self, criterion: Criterion, side: Side) -> list[Candidate]:
        result = self.record.tests.get((criterion.subject, side))
        if result is None or result.value is None:
            return []
        return [Candidate(result.value, self._unmet(criterion, side, None))]

    def _foot_cm(self) -> Decimal | None:
        height = self.record.number(HEIGHT)
        return None if height is None else FOOT_CM_PER_M * height

    def _unmet(self, criterion: Criterion, side: Side, seen: Seen | None) -> tuple[str, ...]:
        if not criterion.guards:
            return ()
        pelvis = self.record.tests.get((PELVIS_HELD_TEST, side))
        if seen is None:
            return unmet(criterion.guards, None, None, pelvis)
        return unmet(criterion.guards, seen.observation, seen.trial, pelvis)

    def _missing_code(self, criterion: Criterion, side: Side) -> str:
        if criterion.subject_kind is not SubjectKind.DERIVED:
            return criterion.subject
        seen = self.record.observed(HEEL, side)
        return HEIGHT if any(one.observation.value is not None for one in seen) else HEEL

    def _first_grade(self, criterion: Criterion, side: Side) -> int | None:
        for seen in self.record.observed(_feature(criterion), side):
            if seen.observation.grade is not None:
                return seen.observation.grade
        return None

    def _choice(self, criterion: Criterion, side: Side) -> Judged:
        subject = criterion.subject
        if criterion.subject_kind is SubjectKind.HISTORY and subject in self.record.not_applicable:
            return Judged(criterion, side, RowState.FALSE)
        word = self._word(criterion, side)
        if word is None:
            return _missing(criterion, side, subject)
        if not criterion.limit.met(word):
            return Judged(criterion, side, RowState.FALSE, word=word)
        if subject == REGION and criterion.side is RowSide.SAME:
            return self._on_side_of_complaint(criterion, side, word)
        return Judged(criterion, side, RowState.TRUE, word=word)

    def _word(self, criterion: Criterion, side: Side) -> str | None:
        match criterion.subject_kind:
            case SubjectKind.FEATURE:
                seen = self.record.observed(criterion.subject, side)
                words = (one.observation.choice for one in seen)
                return next((word for word in words if word is not None), None)
            case SubjectKind.TEST:
                result = self.record.tests.get((criterion.subject, side))
                return result.choice if result else None
            case SubjectKind.SCORE:
                score = self.record.assessment.scores.get(criterion.subject)
                return score if isinstance(score, str) else None
            case _:
                return self.record.word(criterion.subject)

    def _on_side_of_complaint(self, criterion: Criterion, side: Side, word: str) -> Judged:
        complaint = self.record.word(COMPLAINT_SIDE)
        if complaint is None:
            return _missing(criterion, side, COMPLAINT_SIDE)
        fits = complaint in (side, Side.BOTH)
        return Judged(criterion, side, RowState.TRUE if fits else RowState.FALSE, word=word)

    def _difference(self, criterion: Criterion, side: Side) -> Judged:
        this = side if side in OTHER else Side.LEFT
        if criterion.subject_kind is SubjectKind.TEST:
            pairs = self._tested_pairs(criterion, this)
        else:
            pairs = self._observed_pairs(criterion, this)
        if not pairs:
            return _missing(criterion, side, criterion.subject)
        chosen = first_reliable(pairs)
        number = chosen.number if side in OTHER else abs(chosen.number)
        return _of_number(criterion, side, Candidate(number, chosen.unmet))

    def _observed_pairs(self, criterion: Criterion, this: Side) -> list[Candidate]:
        others = {
            one.trial.id: one for one in self.record.observed(criterion.subject, OTHER[this])
        }
        pairs = []
        for seen in self.record.observed(criterion.subject, this):
            other = others.get(seen.trial.id)
            if other is None or other.observation.value is None:
                continue
            if seen.observation.value is None:
                continue
            number = _apart(criterion, seen.observation.value, other.observation.value)
            missed = self._unmet(criterion, this, seen)
            missed += self._unmet(criterion, OTHER[this], other)
            pairs.append(Candidate(number, _in_order(criterion, missed)))
        return pairs

    def _tested_pairs(self, criterion: Criterion, this: Side) -> list[Candidate]:
        mine, others = self._tested(criterion, this), self._tested(criterion, OTHER[this])
        return [
            Candidate(
                _apart(criterion, one.number, other.number),
                _in_order(criterion, one.unmet + other.unmet),
            )
            for one, other in zip(mine, others, strict=False)
        ]

    def _deficit(self, criterion: Criterion, side: Side) -> Judged:
        tested = self._tested(criterion, side)
        if not tested:
            return _missing(criterion, side, criterion.subject)
        norm = norm_value(criterion.subject, self.record, self.tables.norms)
        if norm is None:
            return _missing(criterion, side, f"norm:{criterion.subject}")
        deficit = Candidate(norm - tested[0].number, tested[0].unmet)
        return _of_number(criterion, side, deficit)

    def _present(self, criterion: Criterion, side: Side) -> Judged:
        there = {side, Side.NONE} if criterion.side is not RowSide.NONE else set(Side)
        if there & self.ledger.fired.get(criterion.subject, set()):
            return Judged(criterion, side, RowState.TRUE, word="yes")
        if there & self.ledger.untold.get(criterion.subject, set()):
            return _missing(criterion, side, criterion.subject)
        return Judged(criterion, side, RowState.FALSE)


def first_reliable(candidates: list[Candidate]) -> Candidate:
    """The first that meets every guard, else the first. Source: EVALUATION.md, 3."""
    return next((one for one in candidates if not one.unmet), candidates[0])


def _row_side(criterion: Criterion, judged: Side) -> Side:
    return judged if criterion.sided else Side(criterion.side)


def _feature(criterion: Criterion) -> str:
    return HEEL if criterion.subject_kind is SubjectKind.DERIVED else criterion.subject


def _in_order(criterion: Criterion, texts: Iterable[str]) -> tuple[str, ...]:
    missed = set(texts)
    return tuple(guard.text for guard in criterion.guards if guard.text in missed)


def _apart(criterion: Criterion, this: Decimal, other: Decimal) -> Decimal:
    """One side minus the other, in the unit of the row or in % of the mean of both."""
    if criterion.unit != "%":
        return this - other
    mean = (this + other) / 2
    return 100 * (this - other) / mean if mean else Decimal(0)


def _missing(criterion: Criterion, side: Side, code: str) -> Judged:
    return Judged(criterion, side, RowState.MISSING, missing=code)


def _of_number(criterion: Criterion, side: Side, chosen: Candidate) -> Judged:
    if not criterion.limit.met(chosen.number):
        return Judged(criterion, side, RowState.FALSE, number=chosen.number)
    state = RowState.UNRELIABLE if chosen.unmet else RowState.TRUE
    return Judged(criterion, side, state, number=chosen.number, unmet=chosen.unmet)


def _of_grade(criterion: Criterion, side: Side, grade: int | None) -> Judged:
    if grade is None:
        return _missing(criterion, side, _feature(criterion))
    if criterion.attribute is Attribute.VALUE:
        met = grade >= (criterion.grade_at_least or 0)
    else:
        met = criterion.limit.met(grade)
    return Judged(criterion, side, RowState.TRUE if met else RowState.FALSE, grade=grade)
