"""The sentence of each finding as a letter prints it: value, error, side, limit, method."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from assessments.change_words import number_words
from assessments.domain.change import detectable
from assessments.domain.findings import Finding, Reason
from assessments.domain.norms import norm_value
from assessments.domain.record import Record
from assessments.domain.rounding import half_up
from assessments.domain.rows import HEEL, HEEL_FOOT_LENGTHS, HEIGHT
from assessments.domain.tables import AssessmentTables, Criterion, Feature, FindingRow, TestRow
from assessments.domain.vocabulary import Area, Attribute, Side, SubjectKind
from clinic.domain import letter as parts
from clinic.domain.paper import joined
from exercises.domain.sentences import METHOD_WORDS

# A foot is 0.152 of the height (EVALUATION.md, 4): centimetres for each metre of height.
FOOT_CM_PER_M = Decimal("15.2")
PLACES = 3
NO_ERROR = "error not published"
AREA_WORDS = {
    Area.UPPER_BODY: "Upper body",
    Area.TRUNK: "Trunk",
    Area.HIP: "Hip",
    Area.GROUND_CONTACT: "Ground contact",
    Area.FOOT: "Foot",
}
SIDE_WORDS = {Side.LEFT: "left", Side.RIGHT: "right", Side.BOTH: "both sides", Side.NONE: ""}


@dataclass(frozen=True, slots=True)
class Told:
    """One finding on one side: its sentence and its row in the table of the letter."""

    sentence: str
    row: parts.FindingRow


@dataclass(frozen=True, slots=True)
class _Measured:
    """What stands in the brackets of a sentence, as texts; all empty for a grade."""

    value: str = ""
    threshold: str = ""
    unit: str = ""
    error: str = ""
    difference: bool = False
    method: str = ""


def told_findings(
    findings: tuple[Finding, ...], record: Record, tables: AssessmentTables
) -> tuple[Told, ...]:
    """Every finding with its sentences, one for each side where the numbers differ.

    Source: EVIDENCE.md (letter sentences), EVALUATION.md, 4 (heel ahead in cm).
    """
    return tuple(one for finding in findings for one in _told(finding, record, tables))


def _told(finding: Finding, record: Record, tables: AssessmentTables) -> Iterator[Told]:
    row = tables.findings[finding.code]
    told: dict[tuple[Side, _Measured], None] = {}
    for side in finding.by_side:
        told.update(((side, one), None) for one in _measured(finding, side, record, tables))
    by_grade = [side for side, one in told if not one.value]
    for side, one in told:
        if one.value:
            yield _line(row, finding, side if row.per_side else Side.NONE, one, record)
    if by_grade:
        seen = next(one for side, one in told if side == by_grade[0] and not one.value)
        side = Side.BOTH if len(by_grade) > 1 else by_grade[0]
        yield _line(row, finding, side if row.per_side else Side.NONE, seen, record)


def _line(row: FindingRow, finding: Finding, side: Side, seen: _Measured, record: Record) -> Told:
    if not seen.value:
        template = row.letter_sentence_graded
    elif seen.difference:
        template = row.letter_sentence_difference
    else:
        template = row.letter_sentence
    sides = [side] if side in finding.by_side else list(finding.by_side)
    severity = max((finding.by_side[one] for one in sides), key=lambda one: one.rank)
    error = f"± {seen.error} {seen.unit}" if seen.error else NO_ERROR
    sentence = template.format(
        side=SIDE_WORDS[side] or "no side",
        value=seen.value,
        unit=seen.unit,
        error=error,
        threshold=seen.threshold,
    )
    return Told(
        sentence,
        parts.FindingRow(
            area=AREA_WORDS[row.area],
            finding=f"{row.name}, more than on the other side" if seen.difference else row.name,
            side=SIDE_WORDS[side],
            value=seen.value,
            unit=seen.unit,
            error=seen.error,
            method=seen.method,
            seen_on=_day(record),
            severity=severity.value,
        ),
    )


def _day(record: Record) -> date:
    return record.assessment.assessed_on


def _measured(
    finding: Finding, side: Side, record: Record, tables: AssessmentTables
) -> Iterator[_Measured]:
    """What the lead rows of a side say in numbers; one graded entry where no number fits."""
    leads = [
        (reason, lead)
        for reason in finding.because
        for lead in [_lead(finding.code, reason, side, tables)]
        if lead is not None
    ]
    row = tables.findings[finding.code]
    numbers = {
        one: None
        for reason, lead in leads
        for one in [_numbers(reason, lead, record, tables)]
        if one.value and _template(row, one)
    }
    if numbers:
        yield from numbers
    else:
        methods = {_method(reason, record): None for reason, _ in leads}
        yield _Measured(method=joined(*methods))


def _template(row: FindingRow, seen: _Measured) -> str:
    """The sentence with a place for the number, empty if the finding has none."""
    sentence = row.letter_sentence_difference if seen.difference else row.letter_sentence
    return sentence if "{value}" in sentence else ""


def _lead(finding: str, reason: Reason, side: Side, tables: AssessmentTables) -> Criterion | None:
    """The lead row that a reason stands for on a side, None if it only had to be met."""
    for maker in tables.makers:
        if (maker.rule, maker.finding) != (reason.rule, finding):
            continue
        for group in maker.judged_on(side):
            lead = group.rows[0]
            same = (lead.subject_kind, lead.subject) == (reason.subject_kind, reason.subject)
            here = reason.side is (side if lead.sided else reason.side)
            if same and here and _same_row(lead, reason):
                return lead
    return None


def _same_row(lead: Criterion, reason: Reason) -> bool:
    by_grade = reason.attribute is Attribute.GRADE and lead.attribute is Attribute.VALUE
    if by_grade:
        return lead.grade_at_least is not None
    return lead.attribute is reason.attribute and lead.limit.printed == reason.threshold


def _numbers(
    reason: Reason, lead: Criterion, record: Record, tables: AssessmentTables
) -> _Measured:
    if reason.value is None:
        return _Measured(method=_method(reason, record))
    if reason.subject == HEEL_FOOT_LENGTHS:
        return _heel(reason, record, tables)
    measure = tables.tests.get(reason.subject) or tables.features.get(reason.subject)
    if measure is None:
        return _Measured()
    value, threshold = reason.value, reason.threshold
    if reason.attribute is Attribute.NORM_DEFICIT:
        value, threshold = _against_norm(reason, record, tables)
    apart = reason.attribute is Attribute.SIDE_DIFFERENCE
    if apart:  # printed without sign (EVIDENCE.md)
        value = abs(value)
        threshold = abs(threshold) if isinstance(threshold, Decimal) else threshold
    same_unit = lead.unit == measure.unit or not apart
    return _Measured(
        value=_words(value),
        threshold=_limit_words(threshold),
        unit=measure.unit if same_unit else lead.unit,
        error=_error_words(value, measure) if same_unit else "",
        difference=apart,
        method=_method(reason, record),
    )


def _against_norm(
    reason: Reason, record: Record, tables: AssessmentTables
) -> tuple[Decimal, Decimal | str]:
    """The measured value, and the norm minus the permitted deficit. Source: EVIDENCE.md."""
    norm = norm_value(reason.subject, record, tables.norms) or Decimal(0)
    deficit = reason.value or Decimal(0)
    permitted = reason.threshold
    return norm - deficit, norm - permitted if isinstance(permitted, Decimal) else permitted


def _heel(reason: Reason, record: Record, tables: AssessmentTables) -> _Measured:
    """Foot lengths as centimetres. Source: EVALUATION.md, 4."""
    feature = tables.features[HEEL]
    foot = FOOT_CM_PER_M * (record.number(HEIGHT) or Decimal(0))
    value = (reason.value or Decimal(0)) * foot
    limit = reason.threshold
    return _Measured(
        value=_words(half_up(value, feature.decimals)),
        threshold=_words(half_up(limit * foot, 1)) if isinstance(limit, Decimal) else limit,
        unit=feature.unit,
        error=_error_words(value, feature),
        method=_method(reason, record),
    )


def _words(number: Decimal) -> str:
    return number_words(half_up(number, PLACES))


def _limit_words(threshold: Decimal | str) -> str:
    return _words(threshold) if isinstance(threshold, Decimal) else threshold.replace("..", " to ")


def _error_words(value: Decimal, measure: Feature | TestRow) -> str:
    error = detectable(value, measure)
    return "" if error is None else _words(error)


def _method(reason: Reason, record: Record) -> str:
    """How it was seen, with the grade where an eye judged; empty if that was not recorded."""
    if reason.subject_kind is SubjectKind.TEST:
        return "test beside the run"
    code = HEEL if reason.subject == HEEL_FOOT_LENGTHS else reason.subject
    sides = (reason.side,) if reason.side is not Side.NONE else (Side.NONE, Side.LEFT)
    seen = [one.observation for side in sides for one in record.observed(code, side)]
    exact = [one for one in seen if one.value is not None and one.value == reason.value]
    grade = f"grade {reason.grade}" if reason.grade is not None else ""
    method = next((one.method for one in (*exact, *seen) if one.method), None)
    return joined(METHOD_WORDS[method.value] if method else "", grade)
