"""Reading of the assessment tables; every bad cell is kept as a problem of the reader."""

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol, TypeVar

from assessments.domain.reading_criteria import read_criteria
from assessments.domain.reading_norms import read_norms, read_pain_lines
from assessments.domain.sources import check_sources, reference_ids
from assessments.domain.tables import (
    AssessmentTables,
    Fact,
    Feature,
    FindingRow,
    Flag,
    Range,
    Score,
    TestRow,
)
from assessments.domain.vocabulary import (
    Area,
    Better,
    Evidence,
    FactKind,
    FeatureKind,
    Instant,
    ScoreKind,
    StrengthTestKind,
    Urgency,
    View,
)
from clinic.domain.tables import Reader, Row

UNITS = frozenset(
    [
        "%",
        "Nm/kg",
        "cm",
        "deg",
        "foot_lengths",
        "grade",
        "kg",
        "km",
        "m",
        "m/s",
        "min",
        "mm",
        "months",
        "ms",
        "points",
        "repetitions",
        "runs",
        "s",
        "steps/min",
        "weeks",
        "years",
    ]
)
LOADS = frozenset({"affected_joint", "painful_bone", "inflamed_joints", "tendon", "injured_part"})
SENTENCE_MARKS = frozenset({"side", "value", "unit", "error", "threshold"})
GROUPS = frozenset({"red_flag", "bone_stress", "general_health", "pregnancy_birth_surgery"})
PAIN_LIMIT = re.compile(r"pain_over:(10|\d)")

FEATURE_COLUMNS = [
    "code",
    "area",
    "name",
    "view",
    "instant",
    "per_side",
    "kind",
    "unit",
    "plausible_min",
    "plausible_max",
    "ref_low",
    "ref_high",
    "detectable_difference",
    "decimals",
    "higher_means",
    "better",
    "grade_0",
    "grade_1",
    "grade_2",
    "grade_3",
    "choices",
    "how_to_observe",
    "sources",
    "evidence",
    "basis",
]
TEST_COLUMNS = [
    "code",
    "name",
    "per_side",
    "kind",
    "unit",
    "plausible_min",
    "plausible_max",
    "ref_low",
    "ref_high",
    "detectable_difference",
    "detectable_difference_percent",
    "decimals",
    "higher_means",
    "better",
    "choices",
    "how_to_do",
    "stop_if",
    "sources",
    "evidence",
    "basis",
]
SCORE_COLUMNS = [
    "code",
    "name",
    "kind",
    "unit",
    "range_min",
    "range_max",
    "decimals",
    "better",
    "detectable_difference",
    "important_difference",
    "important_percent",
    "source",
    "evidence",
    "note",
]
FACT_COLUMNS = [
    "code",
    "name",
    "kind",
    "unit",
    "plausible_min",
    "plausible_max",
    "decimals",
    "choices",
    "question",
    "used_for",
]
FLAG_COLUMNS = [
    "code",
    "alias",
    "group",
    "question",
    "clinician_sign",
    "effect",
    "refer_to",
    "urgency",
    "emergency_if",
    "letter_sentence",
    "handout_sentence",
    "lifted_when",
    "source",
    "evidence",
]
FINDING_COLUMNS = [
    "code",
    "source_id",
    "area",
    "name",
    "per_side",
    "letter_sentence",
    "letter_sentence_graded",
    "letter_sentence_difference",
    "client_sentence",
    "does_not_mean",
    "sources",
    "evidence",
]


class Coded(Protocol):
    @property
    def code(self) -> str: ...


Item = TypeVar("Item", bound=Coded)


def read_assessment_tables(reader: Reader) -> AssessmentTables:
    """The tables of an edition that observing and judging need; problems stay in the reader.

    Source: fixtures/README.md.
    """
    references = reference_ids(reader)
    flags = _coded(reader, "screening.csv", FLAG_COLUMNS, _flag)
    findings = _coded(
        reader, "findings.csv", FINDING_COLUMNS, lambda r, row: _finding(r, row, references)
    )
    features = _coded(
        reader, "features.csv", FEATURE_COLUMNS, lambda r, row: _feature(r, row, references)
    )
    tests = _coded(
        reader, "tests.csv", TEST_COLUMNS, lambda r, row: _test(r, row, references, flags)
    )
    scores = _coded(reader, "scores.csv", SCORE_COLUMNS, lambda r, row: _score(r, row, references))
    facts = _coded(reader, "history.csv", FACT_COLUMNS, _fact)
    tables = AssessmentTables(
        features=features,
        tests=tests,
        scores=scores,
        facts=facts,
        flags=flags,
        pain_lines=read_pain_lines(reader),
        norms=read_norms(reader, tests, references),
        findings=findings,
        criteria=(),
    )
    criteria = read_criteria(reader, tables)
    return AssessmentTables(**{**vars(tables), "criteria": criteria})


def _coded(
    reader: Reader, file: str, columns: Sequence[str], make: Callable[[Reader, Row], Item]
) -> Mapping[str, Item]:
    rows = reader.rows(file, columns)
    reader.once(rows, "code")
    items = [make(reader, row) for row in rows]
    return {item.code: item for item in items}


def _range(reader: Reader, row: Row, low: str, high: str) -> Range:
    ends = Range(reader.number(row, low), reader.number(row, high))
    if ends.low is not None and ends.high is not None and ends.low >= ends.high:
        reader.refuse(row, f"{low} {ends.low} is not below {high} {ends.high}")
    return ends


def _plausible(reader: Reader, row: Row, low: str, high: str, *, needed: bool) -> Range:
    ends = _range(reader, row, low, high)
    if needed and None in (ends.low, ends.high):
        reader.refuse(row, f"{low} and {high} must both be given")
    return ends


def _reference(reader: Reader, row: Row, plausible: Range) -> Range:
    ends = _range(reader, row, "ref_low", "ref_high")
    for end in (ends.low, ends.high):
        if end is not None and not plausible.holds(end):
            reader.refuse(row, f"reference range: {end} lies outside the plausible range")
    return ends


def _unit(reader: Reader, row: Row, *, needed: bool) -> str:
    if needed or row["unit"]:
        reader.known(row, "unit", UNITS, "unit")
    return row["unit"]


def _decimals(reader: Reader, row: Row, *, needed: bool) -> int:
    if not needed and not row["decimals"]:
        return 0
    if row["decimals"] not in ("0", "1", "2", "3"):
        reader.refuse(row, f"decimals: {row['decimals']!r} is not 0, 1, 2 or 3")
        return 0
    return int(row["decimals"])


def _choices(reader: Reader, row: Row, *, needed: bool) -> tuple[str, ...]:
    choices = reader.listed(row, "choices")
    if needed != bool(choices):
        reader.refuse(row, "choices: given for a choice and for nothing else")
    return choices


def _feature(reader: Reader, row: Row, references: frozenset[str]) -> Feature:
    kind = reader.word(row, "kind", FeatureKind)
    measured = kind is not FeatureKind.CHOICE
    graded = kind in (FeatureKind.GRADE, FeatureKind.GRADE_OR_VALUE)
    grades = tuple(row[f"grade_{grade}"] for grade in range(4))
    if graded != all(grades) or (not graded and any(grades)):
        reader.refuse(row, "grade_0 to grade_3: all four for a grade, none for anything else")
    plausible = _plausible(reader, row, "plausible_min", "plausible_max", needed=measured)
    check_sources(reader, row, "sources", references)
    return Feature(
        code=reader.text(row, "code"),
        area=reader.word(row, "area", Area),
        name=reader.text(row, "name"),
        view=reader.word(row, "view", View),
        instant=reader.word(row, "instant", Instant),
        per_side=reader.yes(row, "per_side"),
        kind=kind,
        unit=_unit(reader, row, needed=measured),
        plausible=plausible,
        reference=_reference(reader, row, plausible),
        detectable_difference=reader.positive(row, "detectable_difference"),
        decimals=_decimals(reader, row, needed=measured),
        higher_means=row["higher_means"],
        better=reader.word(row, "better", Better),
        grades=grades if graded else (),
        choices=_choices(reader, row, needed=kind is FeatureKind.CHOICE),
        how_to_observe=reader.text(row, "how_to_observe"),
        sources=reader.listed(row, "sources"),
        evidence=reader.word(row, "evidence", Evidence),
        basis=row["basis"],
    )


def _test(
    reader: Reader, row: Row, references: frozenset[str], flags: Mapping[str, Flag]
) -> TestRow:
    kind = reader.word(row, "kind", StrengthTestKind)
    measured = kind is StrengthTestKind.VALUE
    plausible = _plausible(reader, row, "plausible_min", "plausible_max", needed=measured)
    check_sources(reader, row, "sources", references)
    stops = {"stop_all", "no_impact", *flags}
    for stop in reader.listed(row, "stop_if"):
        if stop not in stops and not PAIN_LIMIT.fullmatch(stop):
            reader.refuse(row, f"stop_if: unknown hold or flag {stop!r}")
    return TestRow(
        code=reader.text(row, "code"),
        name=reader.text(row, "name"),
        per_side=reader.yes(row, "per_side"),
        kind=kind,
        unit=_unit(reader, row, needed=measured),
        plausible=plausible,
        reference=_reference(reader, row, plausible),
        detectable_difference=reader.positive(row, "detectable_difference"),
        detectable_difference_percent=reader.positive(row, "detectable_difference_percent"),
        decimals=_decimals(reader, row, needed=measured),
        higher_means=row["higher_means"],
        better=reader.word(row, "better", Better),
        choices=_choices(reader, row, needed=kind is StrengthTestKind.CHOICE),
        how_to_do=reader.text(row, "how_to_do"),
        stop_if=reader.listed(row, "stop_if"),
        sources=reader.listed(row, "sources"),
        evidence=reader.word(row, "evidence", Evidence),
        basis=row["basis"],
    )


def _score(reader: Reader, row: Row, references: frozenset[str]) -> Score:
    kind = reader.word(row, "kind", ScoreKind)
    check_sources(reader, row, "source", references)
    return Score(
        code=reader.text(row, "code"),
        name=reader.text(row, "name"),
        kind=kind,
        unit=_unit(reader, row, needed=kind is ScoreKind.NUMBER),
        plausible=_plausible(reader, row, "range_min", "range_max", needed=True),
        decimals=_decimals(reader, row, needed=True),
        better=reader.word(row, "better", Better),
        detectable_difference=reader.positive(row, "detectable_difference"),
        important_difference=reader.positive(row, "important_difference"),
        important_percent=reader.positive(row, "important_percent"),
        sources=reader.listed(row, "source"),
        evidence=reader.word(row, "evidence", Evidence),
        note=row["note"],
    )


def _fact(reader: Reader, row: Row) -> Fact:
    kind = reader.word(row, "kind", FactKind)
    number = kind is FactKind.NUMBER
    if row["used_for"] not in ("rules", "record"):
        reader.refuse(row, f"used_for: {row['used_for']!r} is neither rules nor record")
    return Fact(
        code=reader.text(row, "code"),
        name=reader.text(row, "name"),
        kind=kind,
        unit=_unit(reader, row, needed=number),
        plausible=_plausible(reader, row, "plausible_min", "plausible_max", needed=number),
        decimals=_decimals(reader, row, needed=number),
        choices=_choices(reader, row, needed=kind in (FactKind.CHOICE, FactKind.LIST)),
        question=reader.text(row, "question"),
        used_for=row["used_for"],
    )


def _flag(reader: Reader, row: Row) -> Flag:
    effects = reader.listed(row, "effect")
    loads = [effect.partition(":")[2] for effect in effects if effect.startswith("limit_load:")]
    words = [effect for effect in effects if not effect.startswith("limit_load:")]
    reader.text(row, "effect")
    reader.check_known(row, "effect", words, ("stop_all", "no_impact", "note"), "effect")
    reader.check_known(row, "effect", loads, LOADS, "tissue to limit")
    if len(loads) > 1:
        reader.refuse(row, "effect: only one limit of load")
    if not re.fullmatch(r"s\d\d", row["code"]):
        reader.refuse(row, f"code: {row['code']!r} is not s and two digits")
    return Flag(
        code=row["code"],
        alias=reader.text(row, "alias"),
        group=reader.known(row, "group", GROUPS, "group"),
        question=row["question"],  # some flags are only seen by the clinician
        clinician_sign=row["clinician_sign"],
        stops_all="stop_all" in effects,
        stops_impact="no_impact" in effects,
        limits_load=loads[0] if loads else None,
        notes="note" in effects,
        refer_to=reader.text(row, "refer_to"),
        urgency=reader.word(row, "urgency", Urgency),
        emergency_if=row["emergency_if"],
        letter_sentence=reader.text(row, "letter_sentence"),
        handout_sentence=reader.text(row, "handout_sentence"),
        lifted_when=reader.text(row, "lifted_when"),
        source=reader.text(row, "source"),
        evidence=reader.word(row, "evidence", Evidence),
    )


def _finding(reader: Reader, row: Row, references: frozenset[str]) -> FindingRow:
    for column in ("letter_sentence", "letter_sentence_graded", "letter_sentence_difference"):
        marks = re.findall(r"\{(\w*)\}", row[column])
        reader.check_known(row, column, marks, SENTENCE_MARKS, "mark")
    check_sources(reader, row, "sources", references)
    return FindingRow(
        code=reader.text(row, "code"),
        source_id=reader.text(row, "source_id"),
        area=reader.word(row, "area", Area),
        name=reader.text(row, "name"),
        per_side=reader.yes(row, "per_side"),
        letter_sentence=reader.text(row, "letter_sentence"),
        letter_sentence_graded=row["letter_sentence_graded"],
        letter_sentence_difference=row["letter_sentence_difference"],
        client_sentence=reader.text(row, "client_sentence"),
        does_not_mean=reader.text(row, "does_not_mean"),
        sources=reader.listed(row, "sources"),
        evidence=reader.word(row, "evidence", Evidence),
    )
