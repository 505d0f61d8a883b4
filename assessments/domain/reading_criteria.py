"""Reading of criteria.csv against the tables that its rows name."""

import re
from collections.abc import Sequence
from decimal import Decimal

from assessments.domain.guards import Guard, GuardKind, parsed_guard
from assessments.domain.limits import Limit
from assessments.domain.rows import HEEL, HEEL_FOOT_LENGTHS
from assessments.domain.tables import AssessmentTables, Criterion, Feature, Range, TestRow
from assessments.domain.vocabulary import (
    Attribute,
    Evidence,
    FactKind,
    FeatureKind,
    Operator,
    RowSide,
    ScoreKind,
    Side,
    StrengthTestKind,
    SubjectKind,
)
from clinic.domain.tables import Reader, Row

COLUMNS = [
    "rule_id",
    "finding",
    "group",
    "subject_kind",
    "subject",
    "attribute",
    "side",
    "operator",
    "threshold",
    "upper",
    "unit",
    "grade_at_least",
    "detectable_difference",
    "guard",
    "evidence",
    "source",
    "note",
]
RULE = re.compile(r"R\d\d")
DERIVED = {HEEL_FOOT_LENGTHS: "foot_lengths"}
WORD_OPERATORS = (Operator.EQ, Operator.NE, Operator.IN)

VALUED = (FeatureKind.VALUE, FeatureKind.GRADE_OR_VALUE)
GRADED = (FeatureKind.GRADE, FeatureKind.GRADE_OR_VALUE)


def read_criteria(reader: Reader, tables: AssessmentTables) -> tuple[Criterion, ...]:
    """Rows of criteria.csv; problems stay in the reader. Source: fixtures/README.md."""
    return tuple(_criterion(reader, row, tables) for row in reader.rows("criteria.csv", COLUMNS))


def _criterion(reader: Reader, row: Row, tables: AssessmentTables) -> Criterion:
    if not RULE.fullmatch(row["rule_id"]):
        reader.refuse(row, f"rule_id: {row['rule_id']!r} is not R and two digits")
    kind = reader.word(row, "subject_kind", SubjectKind)
    attribute = reader.word(row, "attribute", Attribute)
    _check_attribute(reader, row, kind, attribute, tables)
    side = reader.word(row, "side", RowSide)
    _check_side(reader, row, kind, attribute, side, tables)
    return Criterion(
        line=row.line,
        rule=row["rule_id"] if RULE.fullmatch(row["rule_id"]) else "R00",
        finding=reader.known(row, "finding", tables.findings, "finding"),
        group=reader.text(row, "group"),
        subject_kind=kind,
        subject=reader.text(row, "subject"),
        attribute=attribute,
        side=side,
        limit=_limit(reader, row, kind, attribute, tables),
        unit=row["unit"],
        grade_at_least=_grade_at_least(reader, row, kind, attribute, tables),
        band=_band(reader, row, kind, attribute, tables),
        guards=_guards(reader, row, kind, attribute),
        evidence=reader.word(row, "evidence", Evidence),
        source=reader.text(row, "source"),
        note=row["note"],
    )


def measured(
    kind: SubjectKind, subject: str, tables: AssessmentTables
) -> Feature | TestRow | None:
    """The feature or test that a subject names, heel_to_com for the derived foot lengths.

    Source: fixtures/README.md.
    """
    if kind is SubjectKind.TEST:
        return tables.tests.get(subject)
    if kind is SubjectKind.DERIVED and subject == HEEL_FOOT_LENGTHS:
        return tables.features.get(HEEL)
    return tables.features.get(subject) if kind is SubjectKind.FEATURE else None


def attributes_of(kind: SubjectKind, subject: str, tables: AssessmentTables) -> set[Attribute]:
    """The attributes that a subject has; empty for an unknown one. Source: fixtures/README.md."""
    match kind:
        case SubjectKind.FEATURE:
            return _of_feature(tables.features.get(subject))
        case SubjectKind.TEST:
            return _of_test(tables.tests.get(subject))
        case SubjectKind.DERIVED:
            return {Attribute.VALUE} if subject in DERIVED and HEEL in tables.features else set()
        case SubjectKind.FINDING:
            return {Attribute.PRESENT} if subject in tables.findings else set()
        case SubjectKind.SCORE:
            score = tables.scores.get(subject)
            if score is None:
                return set()
            return {Attribute.VALUE if score.kind is ScoreKind.NUMBER else Attribute.CHOICE}
        case _:  # only the history is left
            fact = tables.facts.get(subject)
            if fact is None or fact.kind is FactKind.LIST:
                return set()
            return {Attribute.VALUE if fact.kind is FactKind.NUMBER else Attribute.CHOICE}


def words_of(kind: SubjectKind, subject: str, tables: AssessmentTables) -> Sequence[str]:
    """The words that a subject of choices can have. Source: fixtures/README.md."""
    choices: tuple[str, ...] = ()
    if kind is SubjectKind.FEATURE and subject in tables.features:
        choices = tables.features[subject].choices
    if kind is SubjectKind.TEST and subject in tables.tests:
        choices = tables.tests[subject].choices
    if kind is SubjectKind.HISTORY and subject in tables.facts:
        choices = tables.facts[subject].choices
    return choices or ("yes", "no")


def plausible_of(kind: SubjectKind, subject: str, tables: AssessmentTables) -> Range:
    """The plausible range of a subject that is read as a number in its own unit.

    Source: fixtures/README.md.
    """
    if kind is SubjectKind.SCORE and subject in tables.scores:
        return tables.scores[subject].plausible
    if kind is SubjectKind.HISTORY and subject in tables.facts:
        return tables.facts[subject].plausible
    row = None if kind is SubjectKind.DERIVED else measured(kind, subject, tables)
    return row.plausible if row else Range(None, None)


def check_limit(reader: Reader, row: Row, column: str, limit: Limit, plausible: Range) -> None:
    """Refuse a limit outside the plausible range, and a `between` without a width.

    Source: fixtures/README.md.
    """
    for number in (limit.number, limit.upper):
        if number is not None and not plausible.holds(number):
            reader.refuse(row, f"{column}: {number} lies outside the plausible range")
    if limit.number is not None and limit.upper is not None and limit.number >= limit.upper:
        reader.refuse(row, f"{column}: {limit.number} is not below {limit.upper}")


def _of_feature(feature: Feature | None) -> set[Attribute]:
    if feature is None:
        return set()
    found = {Attribute.CHOICE} if feature.kind is FeatureKind.CHOICE else set()
    if feature.kind in VALUED:
        found |= {Attribute.VALUE}
        found |= {Attribute.SIDE_DIFFERENCE} if feature.per_side else set()
    return found | {Attribute.GRADE} if feature.kind in GRADED else found


def _of_test(test: TestRow | None) -> set[Attribute]:
    if test is None:
        return set()
    if test.kind is not StrengthTestKind.VALUE:
        return {Attribute.CHOICE}
    found = {Attribute.VALUE, Attribute.NORM_DEFICIT}
    return found | {Attribute.SIDE_DIFFERENCE} if test.per_side else found


def _check_attribute(
    reader: Reader, row: Row, kind: SubjectKind, attribute: Attribute, tables: AssessmentTables
) -> None:
    known = attributes_of(kind, row["subject"], tables)
    if not known:
        reader.refuse(row, f"subject: unknown {kind} {row['subject']!r}")
    elif attribute not in known:
        reader.refuse(row, f"attribute: {row['subject']} has no {attribute}")
    norms = {norm.test for norm in tables.norms}
    if attribute is Attribute.NORM_DEFICIT and known and row["subject"] not in norms:
        reader.refuse(row, f"attribute: norms.csv has no row for {row['subject']}")


def _check_side(
    reader: Reader,
    row: Row,
    kind: SubjectKind,
    attribute: Attribute,
    side: RowSide,
    tables: AssessmentTables,
) -> None:
    subject = measured(kind, row["subject"], tables)
    if subject is None or attribute is Attribute.SIDE_DIFFERENCE:
        if kind in (SubjectKind.HISTORY, SubjectKind.SCORE) and side not in (
            RowSide.NONE,
            RowSide.SAME,
        ):
            reader.refuse(row, f"side: {side} does not fit a fact or a score")
        return
    recorded = subject.sides == (Side.NONE,)
    if recorded != (side is RowSide.NONE):
        reader.refuse(row, f"side: {row['subject']} is not recorded on side {side}")


def _limit(
    reader: Reader, row: Row, kind: SubjectKind, attribute: Attribute, tables: AssessmentTables
) -> Limit:
    operator = reader.word(row, "operator", Operator)
    if (operator is Operator.BETWEEN) != bool(row["upper"]):
        reader.refuse(row, "upper: given with between and with nothing else")
    if attribute in (Attribute.CHOICE, Attribute.PRESENT):
        return _word_limit(reader, row, kind, operator, tables)
    if operator is Operator.IN:
        reader.refuse(row, "operator: in does not fit a number")
    limit = Limit(operator, reader.needed_number(row, "threshold"), reader.number(row, "upper"))
    if attribute is Attribute.GRADE:
        _check_grade(reader, row, limit)
    elif attribute is Attribute.VALUE:
        check_limit(reader, row, "threshold", limit, plausible_of(kind, row["subject"], tables))
    else:
        check_limit(reader, row, "threshold", limit, Range(None, None))
    _check_unit(reader, row, kind, attribute, tables)
    return limit


def _word_limit(
    reader: Reader, row: Row, kind: SubjectKind, operator: Operator, tables: AssessmentTables
) -> Limit:
    if operator not in WORD_OPERATORS:
        reader.refuse(row, f"operator: {operator} does not fit a word")
    words = ("yes",) if kind is SubjectKind.FINDING else words_of(kind, row["subject"], tables)
    reader.text(row, "threshold")
    return Limit(operator, words=reader.known_list(row, "threshold", words, "choice"))


def _check_grade(reader: Reader, row: Row, limit: Limit) -> None:
    if limit.operator is not Operator.GE or limit.number not in (1, 2, 3):
        reader.refuse(row, "threshold: a grade is compared by ge with 1, 2 or 3")


def _check_unit(
    reader: Reader, row: Row, kind: SubjectKind, attribute: Attribute, tables: AssessmentTables
) -> None:
    subject = measured(kind, row["subject"], tables)
    expected = subject.unit if subject else ""
    if kind is SubjectKind.DERIVED:
        expected = DERIVED.get(row["subject"], "")
    if kind is SubjectKind.HISTORY and row["subject"] in tables.facts:
        expected = tables.facts[row["subject"]].unit
    if kind is SubjectKind.SCORE and row["subject"] in tables.scores:
        expected = tables.scores[row["subject"]].unit
    if attribute is Attribute.GRADE:
        expected = "grade"
    allowed = {expected, "%"} if attribute is Attribute.SIDE_DIFFERENCE else {expected}
    if row["unit"] not in allowed:
        reader.refuse(row, f"unit: {row['unit']!r} is not that of the subject, {expected!r}")


def _grade_at_least(
    reader: Reader, row: Row, kind: SubjectKind, attribute: Attribute, tables: AssessmentTables
) -> int | None:
    """The grade that stands in for a value; written beside a grade it repeats the threshold."""
    if not row["grade_at_least"]:
        return None
    if row["grade_at_least"] not in ("1", "2", "3"):
        reader.refuse(row, "grade_at_least: not 1, 2 or 3")
        return None
    subject = measured(kind, row["subject"], tables)
    if not isinstance(subject, Feature) or subject.kind not in GRADED:
        reader.refuse(row, f"grade_at_least: {row['subject']} has no grade")
    if attribute is Attribute.GRADE and row["grade_at_least"] != row["threshold"]:
        reader.refuse(row, "grade_at_least: differs from the threshold of the grade")
    return int(row["grade_at_least"])


def _band(
    reader: Reader, row: Row, kind: SubjectKind, attribute: Attribute, tables: AssessmentTables
) -> Decimal | None:
    """The row's own band, else that of the table in the same unit. Source: EVALUATION.md, 6."""
    if row["detectable_difference"] == "none":
        return None
    if row["detectable_difference"]:
        return reader.positive(row, "detectable_difference")
    subject = measured(kind, row["subject"], tables)
    if subject is None or kind is SubjectKind.DERIVED:
        return None
    if attribute not in (Attribute.VALUE, Attribute.SIDE_DIFFERENCE):
        return None
    return subject.detectable_difference if row["unit"] == subject.unit else None


def _guards(
    reader: Reader, row: Row, kind: SubjectKind, attribute: Attribute
) -> tuple[Guard, ...]:
    texts = reader.listed(row, "guard", ";")
    guards = [guard for text in texts if (guard := parsed_guard(text))]
    if len(guards) < len(texts):
        reader.refuse(row, f"guard: {row['guard']!r} is no list of guards")
    if guards and attribute not in (
        Attribute.VALUE,
        Attribute.SIDE_DIFFERENCE,
        Attribute.NORM_DEFICIT,
    ):
        reader.refuse(row, "guard: only a number can have one")
    in_a_trial = kind in (SubjectKind.FEATURE, SubjectKind.DERIVED)
    if not in_a_trial and any(guard.kind is not GuardKind.PELVIS_HELD for guard in guards):
        reader.refuse(row, f"guard: a {kind} belongs to no trial")
    return tuple(guards)
