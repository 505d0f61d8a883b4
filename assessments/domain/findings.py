"""From an assessment to its findings: makers, sides, severity, and what could not be judged."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal, localcontext

from assessments.domain.assessment import Assessment
from assessments.domain.record import Record, record_of
from assessments.domain.rounding import EXACT, half_up
from assessments.domain.rows import Judged, Ledger, RowJudge, RowState
from assessments.domain.severity import severity_of
from assessments.domain.tables import AssessmentTables, Group, Maker, rule_number
from assessments.domain.vocabulary import (
    Attribute,
    Evidence,
    Severity,
    Side,
    SubjectKind,
)

SIDE_ORDER = {
    side: place for place, side in enumerate((Side.LEFT, Side.RIGHT, Side.BOTH, Side.NONE))
}
JUDGED_SIDES = (Side.LEFT, Side.RIGHT, Side.NONE)


@dataclass(frozen=True, slots=True)
class Reason:
    """One row that made a finding: what was compared with which limit."""

    rule: str
    subject_kind: SubjectKind
    subject: str
    attribute: Attribute
    side: Side
    value: Decimal | None
    grade: int | None
    choice: str | None
    threshold: Decimal | str
    detectable_difference: Decimal | None
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class Finding:
    """A finding with its printed side, worst severity and reasons.

    by_side: severity on each side on which it was made.
    """

    code: str
    side: Side
    severity: Severity
    because: tuple[Reason, ...]
    by_side: Mapping[Side, Severity]


@dataclass(frozen=True, slots=True)
class NotReliable:
    """A number beyond a limit that may not count, with the guards that were not met."""

    rule: str
    finding: str
    side: Side
    subject: str
    attribute: Attribute
    value: Decimal
    guard: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NotAssessed:
    """A maker that could not be judged on a side, with the codes of what is missing."""

    rule: str
    finding: str
    side: Side
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the criteria make of one assessment.

    made: severity by side of what each rule made, by (rule, finding); untold: findings of which
    a maker was not reliable or not assessed on any side.
    """

    record: Record
    findings: tuple[Finding, ...]
    not_reliable: tuple[NotReliable, ...]
    not_assessed: tuple[NotAssessed, ...]
    made: Mapping[tuple[str, str], Mapping[Side, Severity]]
    untold: frozenset[str]

    def finding(self, code: str) -> Finding | None:
        """The finding of a code, None if it was not made."""
        return next((one for one in self.findings if one.code == code), None)


@dataclass(frozen=True, slots=True)
class _Outcome:
    """One maker on one side."""

    maker: Maker
    side: Side
    severity: Severity | None
    fired: tuple[Judged, ...]
    unreliable: tuple[Judged, ...]
    missing: tuple[str, ...]


def judge(assessment: Assessment, tables: AssessmentTables) -> Judgement:
    """Findings, what is not reliable and what is not assessed. Source: EVALUATION.md, 3 to 8."""
    with localcontext(EXACT):
        record, ledger = record_of(assessment), Ledger()
        judging = RowJudge(record, tables, ledger)
        outcomes = [
            outcome for maker in tables.makers for outcome in _on_all_sides(maker, judging)
        ]
        return Judgement(
            record=record,
            findings=tuple(_findings(outcomes, tables)),
            not_reliable=tuple(_not_reliable(outcomes)),
            not_assessed=tuple(_not_assessed(outcomes)),
            made=_made(outcomes),
            untold=frozenset(ledger.untold),
        )


def _on_all_sides(maker: Maker, judging: RowJudge) -> list[_Outcome]:
    outcomes = [_outcome(maker, side, judging) for side in JUDGED_SIDES if maker.judged_on(side)]
    # only now: a maker must not read what it made itself on another side
    for outcome in outcomes:
        _enter(outcome, judging.ledger)
    return outcomes


def _enter(outcome: _Outcome, ledger: Ledger) -> None:
    code = outcome.maker.finding
    if outcome.severity is not None:
        ledger.fired.setdefault(code, set()).add(outcome.side)
    elif outcome.unreliable or outcome.missing:
        ledger.untold.setdefault(code, set()).add(outcome.side)


def _outcome(maker: Maker, side: Side, judging: RowJudge) -> _Outcome:
    """Fired before not reliable before not assessed. Source: EVALUATION.md, 4."""
    groups = [
        (state, rows)
        for group in maker.judged_on(side)
        for state, rows in [_group(group, side, judging)]
    ]
    fired = [rows for state, rows in groups if state is RowState.TRUE]
    if fired:
        worst = max((_led(rows) for rows in fired), key=lambda severity: severity.rank)
        return _Outcome(maker, side, worst, tuple(row for rows in fired for row in rows), (), ())
    unreliable = tuple(_rows_that_are(RowState.UNRELIABLE, groups))
    if unreliable:
        return _Outcome(maker, side, None, (), unreliable, ())
    missing = {row.missing for row in _rows_that_are(RowState.MISSING, groups) if row.missing}
    return _Outcome(maker, side, None, (), (), tuple(sorted(missing)))


def _rows_that_are(
    state: RowState, groups: Iterable[tuple[RowState, tuple[Judged, ...]]]
) -> Iterator[Judged]:
    for group_state, rows in groups:
        if group_state is state:
            yield from (row for row in rows if row.state is state)


def _group(group: Group, side: Side, judging: RowJudge) -> tuple[RowState, tuple[Judged, ...]]:
    rows = tuple(judging.judge(row, side) for row in group.rows)
    states = {row.state for row in rows}
    for state in (RowState.FALSE, RowState.MISSING, RowState.UNRELIABLE):
        if state in states:
            return state, rows
    return RowState.TRUE, rows


def _led(rows: tuple[Judged, ...]) -> Severity:
    lead = rows[0]
    return severity_of(lead.criterion, lead.number, lead.grade)


def _made(outcomes: Iterable[_Outcome]) -> dict[tuple[str, str], dict[Side, Severity]]:
    made: dict[tuple[str, str], dict[Side, Severity]] = {}
    for outcome in outcomes:
        if outcome.severity is not None:
            key = (outcome.maker.rule, outcome.maker.finding)
            made.setdefault(key, {})[outcome.side] = outcome.severity
    return made


def _findings(outcomes: Iterable[_Outcome], tables: AssessmentTables) -> Iterator[Finding]:
    fired: dict[str, list[_Outcome]] = {}
    for outcome in outcomes:
        if outcome.severity is not None:
            fired.setdefault(outcome.maker.finding, []).append(outcome)
    for code in sorted(fired, key=tables.finding_order.__getitem__):
        yield _merged(code, fired[code], per_side=tables.findings[code].per_side)


def _merged(code: str, outcomes: list[_Outcome], *, per_side: bool) -> Finding:
    by_side: dict[Side, Severity] = {}
    for outcome in outcomes:
        here = [by_side.get(outcome.side), outcome.severity]
        by_side[outcome.side] = worst(here) or Severity.BORDERLINE
    return Finding(
        code=code,
        side=merged_side(by_side) if per_side else Side.NONE,
        severity=worst(by_side.values()) or Severity.BORDERLINE,
        because=_because(outcomes),
        by_side=by_side,
    )


def worst(severities: Iterable[Severity | None]) -> Severity | None:
    """The highest severity, None if there is none. Source: EVALUATION.md, 6."""
    given = [severity for severity in severities if severity is not None]
    return max(given, key=lambda severity: severity.rank, default=None)


def merged_side(sides: Iterable[Side]) -> Side:
    """Left and right make both; none adds nothing. Source: EVALUATION.md, 8 and 11."""
    sided = set(sides) - {Side.NONE}
    if Side.BOTH in sided or len(sided) > 1:
        return Side.BOTH
    return next(iter(sided), Side.NONE)


def _because(outcomes: Iterable[_Outcome]) -> tuple[Reason, ...]:
    """Each row once for each side printed, by rule, side and file order."""
    rows = {
        (rule_number(row.criterion.rule), SIDE_ORDER[row.side], row.criterion.line): row
        for outcome in outcomes
        for row in outcome.fired
    }
    return tuple(_reason(rows[key]) for key in sorted(rows))


def _reason(row: Judged) -> Reason:
    criterion = row.criterion
    by_grade = criterion.attribute is Attribute.VALUE and row.grade is not None
    return Reason(
        rule=criterion.rule,
        subject_kind=criterion.subject_kind,
        subject=criterion.subject,
        attribute=Attribute.GRADE if by_grade else criterion.attribute,
        side=row.side,
        value=row.number,
        grade=row.grade,
        choice=row.word,
        threshold=Decimal(criterion.grade_at_least or 0) if by_grade else criterion.limit.printed,
        detectable_difference=None if by_grade else criterion.band,
        evidence=criterion.evidence,
    )


def _not_reliable(outcomes: Iterable[_Outcome]) -> list[NotReliable]:
    """Equal entries once, left and right with the same printed content as both."""
    sides: dict[tuple[NotReliable, bool], set[Side]] = {}
    lines: dict[tuple[NotReliable, bool], int] = {}
    for outcome in outcomes:
        for row in outcome.unreliable:
            key = (_unreliable_entry(outcome, row), outcome.side is Side.NONE)
            sides.setdefault(key, set()).add(outcome.side)
            lines.setdefault(key, row.criterion.line)
    merged = [(replace(key[0], side=merged_side(of)), lines[key]) for key, of in sides.items()]
    return [entry for entry, line in sorted(merged, key=lambda one: (*_place(one[0]), one[1]))]


def _unreliable_entry(outcome: _Outcome, row: Judged) -> NotReliable:
    return NotReliable(
        rule=outcome.maker.rule,
        finding=outcome.maker.finding,
        side=Side.NONE,  # set when both sides are known
        subject=row.criterion.subject,
        attribute=row.criterion.attribute,
        value=half_up(row.number or Decimal(0), 3),
        guard=row.unmet,
    )


def _not_assessed(outcomes: Iterable[_Outcome]) -> list[NotAssessed]:
    sides: dict[tuple[str, str, tuple[str, ...], bool], set[Side]] = {}
    for outcome in outcomes:
        if outcome.missing:
            maker, sideless = outcome.maker, outcome.side is Side.NONE
            key = (maker.rule, maker.finding, outcome.missing, sideless)
            sides.setdefault(key, set()).add(outcome.side)
    entries = [
        NotAssessed(rule, finding, merged_side(of), missing)
        for (rule, finding, missing, _), of in sides.items()
    ]
    return sorted(entries, key=_place)


def _place(entry: NotReliable | NotAssessed) -> tuple[int, str, int]:
    return rule_number(entry.rule), entry.finding, SIDE_ORDER[entry.side]
