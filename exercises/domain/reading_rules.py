"""Reading of rules.csv against the tables that its rows name."""

import re
from collections.abc import Mapping
from decimal import Decimal

from assessments.domain.limits import Limit
from assessments.domain.reading_criteria import (
    RULE,
    attributes_of,
    check_limit,
    plausible_of,
    words_of,
)
from assessments.domain.tables import AssessmentTables, Range
from assessments.domain.vocabulary import (
    Answer,
    Attribute,
    Evidence,
    Operator,
    Severity,
    Side,
    Stage,
    SubjectKind,
    Urgency,
    Zone,
)
from clinic.domain.tables import Reader, Row
from exercises.domain.library import Effect, Exercise, Qualifier, QualifierKind, Rule
from exercises.domain.reading import DOSE_NUMBERS, TISSUES

COLUMNS = [
    "rule_id",
    "when_findings",
    "min_severity",
    "qualifiers",
    "effect",
    "exercise",
    "withholds",
    "priority",
    "dose_override",
    "order_note",
    "rationale",
    "source",
    "evidence",
    "note_code",
    "refer_to",
    "urgency",
]
QUALIFIER = re.compile(r"(\w+):(\w+) (?:(absent|present)|(\w+) (\S+))")
YES_NO = ("yes", "no")
DERIVED_WORDS: dict[str, tuple[str, ...]] = {
    "stop_all": YES_NO,
    "all_borderline": YES_NO,
    "reassessment": YES_NO,
    "pain_zone": tuple(Zone),
}
DERIVED_NUMBERS = ("screening_age_days",)
NUMBER_OPERATORS = (
    Operator.LT, Operator.LE, Operator.GT, Operator.GE, Operator.EQ, Operator.NE, Operator.BETWEEN,
)  # fmt: skip
WORD_OPERATORS = (Operator.EQ, Operator.NE, Operator.IN)
MODIFIERS = (Effect.RAISE_PRIORITY, Effect.LOWER_PRIORITY)
ANY = Limit(Operator.EQ, words=("yes",))

# What a row of each effect must fill and may fill besides, out of these columns.
FILLED = ("exercise", "withholds", "priority", "note_code", "refer_to", "urgency")
NEEDS: dict[Effect, tuple[str, ...]] = {
    Effect.PRESCRIBE: ("exercise", "priority"),
    Effect.WITHHOLD: ("withholds",),
    Effect.RAISE_PRIORITY: ("priority",),
    Effect.LOWER_PRIORITY: ("priority",),
    Effect.CAP: (),
    Effect.REFER: ("note_code", "refer_to", "urgency"),
    Effect.NOTE: ("note_code",),
    Effect.RECORD_ONLY: ("note_code",),
}
MAY_NAME_EXERCISE = (*MODIFIERS, Effect.CAP, Effect.NOTE, Effect.RECORD_ONLY)


def read_rules(
    reader: Reader, tables: AssessmentTables, exercises: Mapping[str, Exercise]
) -> tuple[Rule, ...]:
    """Rows of rules.csv in file order; problems stay in the reader."""
    return tuple(
        _rule(reader, row, tables, exercises) for row in reader.rows("rules.csv", COLUMNS)
    )


def _rule(
    reader: Reader, row: Row, tables: AssessmentTables, exercises: Mapping[str, Exercise]
) -> Rule:
    effect = reader.word(row, "effect", Effect)
    _check_filled(reader, row, effect)
    qualifiers = _qualifiers(reader, row, effect, tables)
    findings = reader.known_list(row, "when_findings", tables.findings, "finding", "+")
    if bool(findings) != bool(row["min_severity"]):
        reader.refuse(row, "when_findings and min_severity belong together")
    if row["exercise"]:
        reader.known(row, "exercise", exercises, "exercise")
    if effect is Effect.PRESCRIBE and row["exercise"] in exercises:
        _check_targets(reader, row, findings, exercises[row["exercise"]])
    named = bool(RULE.fullmatch(row["rule_id"]))
    if not named:
        reader.refuse(row, f"rule_id: {row['rule_id']!r} is not R and two digits")
    return Rule(
        line=row.line,
        rule=row["rule_id"],
        number=int(row["rule_id"][1:]) if named else 0,
        findings=findings,
        min_severity=reader.word(row, "min_severity", Severity) if row["min_severity"] else None,
        qualifiers=tuple(one for one in qualifiers if one.kind is not QualifierKind.ENTRY),
        of_entry=tuple(one for one in qualifiers if one.kind is QualifierKind.ENTRY),
        effect=effect,
        exercise=row["exercise"] or None,
        withholds=_withholds(reader, row, exercises),
        priority=_priority(reader, row),
        dose_override=_dose_override(reader, row),
        order_note=row["order_note"] or None,
        rationale=reader.text(row, "rationale"),
        source=reader.text(row, "source"),
        evidence=reader.word(row, "evidence", Evidence),
        note_code=row["note_code"] or None,
        refer_to=row["refer_to"],
        urgency=reader.word(row, "urgency", Urgency) if row["urgency"] else Urgency.NONE,
    )


def _check_filled(reader: Reader, row: Row, effect: Effect) -> None:
    allowed = {*NEEDS[effect], *(["exercise"] if effect in MAY_NAME_EXERCISE else [])}
    for column in FILLED:
        if row[column] and column not in allowed:
            reader.refuse(row, f"{column}: not used by the effect {effect}")
        if not row[column] and column in NEEDS[effect]:
            reader.refuse(row, f"{column}: needed by the effect {effect}")
    if row["dose_override"] and effect is not Effect.PRESCRIBE:
        reader.refuse(row, f"dose_override: not used by the effect {effect}")


def _check_targets(reader: Reader, row: Row, findings: tuple[str, ...], named: Exercise) -> None:
    if findings and not set(findings) & set(named.targets):
        reader.refuse(row, f"exercise: {named.code} targets none of {', '.join(findings)}")


def _priority(reader: Reader, row: Row) -> int:
    if not row["priority"]:
        return 0
    if row["priority"] not in ("1", "2", "3"):
        reader.refuse(row, f"priority: {row['priority']!r} is not 1, 2 or 3")
        return 3
    return int(row["priority"])


def _withholds(reader: Reader, row: Row, exercises: Mapping[str, Exercise]) -> tuple[str, ...]:
    items = reader.listed(row, "withholds", ";")
    known = {"all", "impact_1", "impact_2"}
    known |= {f"tissue:{tissue}" for tissue in TISSUES}
    known |= {f"exercise:{code}" for code in exercises}
    reader.check_known(row, "withholds", items, known, "thing to withhold")
    return items


def _dose_override(reader: Reader, row: Row) -> dict[str, Decimal | bool | str]:
    override: dict[str, Decimal | bool | str] = {}
    for part in reader.listed(row, "dose_override", ";"):
        key, _, value = part.partition("=")
        if key == "stage":
            override[key] = reader.word_of(row, "dose_override", value, Stage)
        elif key == "per_side" and value in YES_NO:
            override[key] = value == "yes"
        elif key in DOSE_NUMBERS:
            number = reader.number_of(row, "dose_override", value)
            if number is not None and number <= 0:
                reader.refuse(row, f"dose_override: {key} {number} is not above 0")
            override[key] = number or Decimal(1)
        else:
            reader.refuse(row, f"dose_override: {part!r} is no part of a dose")
    return override


def _qualifiers(
    reader: Reader, row: Row, effect: Effect, tables: AssessmentTables
) -> tuple[Qualifier, ...]:
    parsed = [
        _qualifier(reader, row, text, tables) for text in reader.listed(row, "qualifiers", ";")
    ]
    qualifiers = tuple(one for one in parsed if one is not None)
    if effect not in MODIFIERS and any(one.kind is QualifierKind.ENTRY for one in qualifiers):
        reader.refuse(row, "qualifiers: entry belongs to priority rows only")
    return qualifiers


def _qualifier(reader: Reader, row: Row, text: str, tables: AssessmentTables) -> Qualifier | None:
    parts = QUALIFIER.fullmatch(text)
    if parts is None or parts[1] not in list(QualifierKind):
        reader.refuse(row, f"qualifiers: {text!r} cannot be read")
        return None
    kind, code = QualifierKind(parts[1]), parts[2]
    if (kind is QualifierKind.FINDING) != bool(parts[3]):
        reader.refuse(row, f"qualifiers: {text!r} cannot be read")
        return None
    if kind is QualifierKind.FINDING:
        reader.check_known(row, "qualifiers", [code], tables.findings, "finding")
        return Qualifier(kind, code, ANY, present=parts[3] == "present")
    operator = reader.word_of(row, "qualifiers", parts[4], Operator)
    words = _words(kind, code, tables)
    plausible = _plausible(kind, code, tables)
    if words is None and plausible is None:
        reader.refuse(row, f"qualifiers: unknown {kind} {code!r}")
        return None
    if words is not None:
        return Qualifier(kind, code, _word_limit(reader, row, operator, parts[5], words))
    return Qualifier(
        kind, code, _number_limit(reader, row, operator, parts[5], plausible or Range(None, None))
    )


def _word_limit(
    reader: Reader, row: Row, operator: Operator, text: str, words: tuple[str, ...]
) -> Limit:
    if operator not in WORD_OPERATORS:
        reader.refuse(row, f"qualifiers: {operator} does not fit a word")
    named = tuple(text.split("|"))
    reader.check_known(row, "qualifiers", named, words, "word")
    if len(named) > 1 and operator is not Operator.IN:
        reader.refuse(row, f"qualifiers: {operator} takes one word")
    return Limit(operator, words=named)


def _number_limit(
    reader: Reader, row: Row, operator: Operator, text: str, plausible: Range
) -> Limit:
    if operator not in NUMBER_OPERATORS:
        reader.refuse(row, f"qualifiers: {operator} does not fit a number")
    low, dots, high = text.partition("..")
    if bool(dots) != (operator is Operator.BETWEEN):
        reader.refuse(row, f"qualifiers: {text!r} does not fit {operator}")
    number = reader.number_of(row, "qualifiers", low) or Decimal(0)
    upper = reader.number_of(row, "qualifiers", high) if dots else None
    limit = Limit(operator, number, upper)
    check_limit(reader, row, "qualifiers", limit, plausible)
    return limit


def _words(kind: QualifierKind, code: str, tables: AssessmentTables) -> tuple[str, ...] | None:
    """The words of a subject that is compared with words, None for all others."""
    if kind is QualifierKind.SCREENING:
        return tuple(Answer) if code in tables.flags else None
    if kind is QualifierKind.SIDE_OF:
        return tuple(Side) if code in tables.findings else None
    if kind is QualifierKind.DERIVED:
        return DERIVED_WORDS.get(code)
    if kind is QualifierKind.ENTRY:
        return tuple(Evidence) if code == "evidence" else None
    subject = SubjectKind(kind)
    if Attribute.CHOICE in attributes_of(subject, code, tables):
        return tuple(words_of(subject, code, tables))
    return None


def _plausible(kind: QualifierKind, code: str, tables: AssessmentTables) -> Range | None:
    """The range of a subject that is compared with numbers, None for all others."""
    if kind is QualifierKind.DERIVED and code in DERIVED_NUMBERS:
        return Range(Decimal(0), None)
    if kind is QualifierKind.ENTRY and code == "rules":
        return Range(Decimal(1), None)
    if kind in (QualifierKind.SCREENING, QualifierKind.SIDE_OF, QualifierKind.DERIVED):
        return None
    if kind is QualifierKind.ENTRY:
        return None
    subject = SubjectKind(kind)
    attributes = attributes_of(subject, code, tables)
    if Attribute.VALUE in attributes:
        return plausible_of(subject, code, tables)
    return Range(Decimal(0), Decimal(3)) if Attribute.GRADE in attributes else None
