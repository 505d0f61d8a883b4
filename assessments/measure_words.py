"""Measures of an edition, their answers and their changes, in words."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from assessments.answer_states import State, number_words
from assessments.domain.change import Change, Verdict
from assessments.domain.guards import GuardKind
from assessments.domain.measured import printed_error
from assessments.domain.rows import HEEL, HEEL_FOOT_LENGTHS
from assessments.domain.tables import AssessmentTables, Feature, Range, Score, TestRow
from assessments.domain.vocabulary import (
    NOT_SEEN,
    Attribute,
    FeatureKind,
    Method,
    ScoreKind,
    Side,
    StrengthTestKind,
)
from assessments.models import Observation
from assessments.stored_answers import OBSERVATION, SCORE, TEST, Row

Measure = Feature | TestRow | Score

METHOD_WORDS = {
    Method.BY_EYE: "by eye",
    Method.VIDEO_2D: "film, two-dimensional",
    Method.MOTION_CAPTURE_3D: "capture, three-dimensional",
    Method.SENSOR: "sensor",
    Method.COUNTED: "counted",
}


@dataclass(frozen=True, slots=True)
class About:
    """What is printed beside a measure; the same for every assessment of an edition."""

    graded: bool
    valued: bool
    choices: tuple[tuple[str, str], ...]
    grades: tuple[str, ...]
    how: str
    range_words: str
    error_words: str
    read: str
    methods: tuple[tuple[str, str], ...]
    unit: str
    evidence: str


def measure_of(kind: str, code: str, tables: AssessmentTables) -> Measure | None:
    """The measure that a key names, None if the edition has none of that code."""
    named: Mapping[str, Mapping[str, Measure]] = {
        OBSERVATION: tables.features,
        TEST: tables.tests,
        SCORE: tables.scores,
    }
    return named.get(kind, {}).get(code)


def sides_of(measure: Measure) -> tuple[Side, ...]:
    return (Side.NONE,) if isinstance(measure, Score) else measure.sides


def computed_words(row: Row | None, measure: Measure) -> str:
    """Error and origin of a computed value, `± 1.6 deg, from frames, mean of 4 steps`."""
    steps = getattr(row, "steps", None)
    if not isinstance(row, Observation) or row.value is None or steps is None:
        return ""
    error = "error not known"
    if row.sd is not None:
        error = f"± {printed_error(float(row.sd))} {measure.unit}".strip()
    mean = "of one step" if steps == 1 else f"mean of {steps} steps"
    return f"{error}, from frames, {mean}"


def with_error(words: str, error: str) -> str:
    """An answer in words with what is said of its error, where it has one."""
    return f"{words}{' ' if error.startswith('±') else ', '}{error}" if error else words


def state_words(state: State, measure: Measure) -> str:
    """An answer in words, empty where there is none."""
    parts = []
    if state.grade == NOT_SEEN:
        parts.append("not seen")
    elif state.grade:
        parts.append(f"grade {state.grade}")
    if state.value:
        parts.append(f"{state.value} {measure.unit}".strip())
    if state.choice:
        parts.append(state.choice.replace("_", " "))
    return ", ".join(parts)


def moved_words(moved: Change | None, measure: Measure) -> str:
    """A change in words, with its verdict."""
    if moved is None:
        return ""
    sign = "+" if moved.difference > 0 else "−" if moved.difference < 0 else "±"
    size = f"{sign}{number_words(abs(moved.difference))} {measure.unit}".strip()
    error = number_words(moved.error)
    verdict = {
        Verdict.BETTER: f"better (beyond the error of {error})",
        Verdict.WORSE: f"worse (beyond the error of {error})",
        Verdict.CHANGED: f"changed beyond the error of {error}, no direction is better",
        Verdict.WITHIN_ERROR: f"within error ({error})",
        Verdict.NO_ERROR_PUBLISHED: "no verdict: no error published",
        Verdict.NOT_COMPARABLE: f"not comparable: {moved.why}",
    }
    return f"{size}, {verdict[moved.verdict]}"


def about(kind: str, measure: Measure, tables: AssessmentTables) -> About:
    """What is printed beside a measure."""
    return _about(kind, measure.code, SharedTables(tables))


class SharedTables:
    """Tables as a key of a cache: an edition's tables are built once and never change."""

    def __init__(self, tables: AssessmentTables) -> None:
        self.tables = tables

    def __hash__(self) -> int:
        return id(self.tables)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, SharedTables) and other.tables is self.tables


@lru_cache(maxsize=1024)
def _about(kind: str, code: str, shared: SharedTables) -> About:
    measure = measure_of(kind, code, shared.tables)
    if measure is None:
        raise ValueError(f"no measure {code} of kind {kind}")
    of_kind = measure.kind
    feature = measure if isinstance(measure, Feature) else None
    graded = of_kind in (FeatureKind.GRADE, FeatureKind.GRADE_OR_VALUE)
    valued = of_kind in (
        FeatureKind.VALUE,
        FeatureKind.GRADE_OR_VALUE,
        StrengthTestKind.VALUE,
        ScoreKind.NUMBER,
    )
    return About(
        graded=graded,
        valued=valued,
        choices=_choices(measure),
        grades=feature.grades if feature and graded else (),
        how=_how(measure),
        range_words=_range_words(measure) if valued else "",
        error_words=_error_words(measure) if valued else "",
        read=findings_read(feature, shared.tables) if feature else "",
        methods=tuple((one.value, METHOD_WORDS[one]) for one in Method) if feature else (),
        unit=measure.unit if valued else "",
        evidence=measure.evidence.value,
    )


def _choices(measure: Measure) -> tuple[tuple[str, str], ...]:
    if measure.kind in (StrengthTestKind.YES_NO, ScoreKind.YES_NO):
        return (("yes", "yes"), ("no", "no"))
    words: Iterable[str] = getattr(measure, "choices", ())
    return tuple((word, word.replace("_", " ")) for word in words)


def _how(measure: Measure) -> str:
    if isinstance(measure, Feature):
        return measure.how_to_observe
    return measure.how_to_do if isinstance(measure, TestRow) else measure.note


def span_words(span: Range, unit: str) -> str:
    """A range in words, empty if both ends are open."""
    low, high = number_words(span.low), number_words(span.high)
    if low and high:
        return f"{low} to {high} {unit}".strip()
    if low:
        return f"{low} {unit}".strip() + " or more"
    return (f"{high} {unit}".strip() + " or less") if high else ""


def _range_words(measure: Measure) -> str:
    span = span_words(getattr(measure, "reference", Range(None, None)), measure.unit)
    if isinstance(measure, Score):
        return f"Scale {span_words(measure.plausible, measure.unit)}"
    return f"Reference {span}" if span else "No reference range"


def _error_words(measure: Measure) -> str:
    if isinstance(measure, TestRow):
        known = published_error(measure)
        return f"error of this test: {known}" if known else "no published error"
    return published_error(measure) or "no detectable difference published"


def published_error(measure: Measure) -> str:
    """The smallest change that is not error, in words, empty where none is published."""
    if measure.detectable_difference is not None:
        return (
            f"detectable difference {number_words(measure.detectable_difference)} {measure.unit}"
        ).strip()
    percent = getattr(measure, "detectable_difference_percent", None)
    if percent is not None:
        return f"detectable difference {number_words(percent)} % of the earlier value"
    return ""


def findings_read(feature: Feature, tables: AssessmentTables) -> str:
    """Which of value and grade the findings read, in words; empty where there is one only.

    Source: reference tables, "Value and grade side by side", read off criteria.csv.
    """
    if feature.kind is not FeatureKind.GRADE_OR_VALUE:
        return ""
    subjects = {feature.code, HEEL_FOOT_LENGTHS} if feature.code == HEEL else {feature.code}
    rows = [row for row in tables.criteria if row.subject in subjects]
    read = {row.attribute for row in rows}
    if Attribute.VALUE not in read:
        if Attribute.GRADE in read:
            return "Findings read the grade, also beside a value."
        return "No finding reads this feature."
    words = ["Findings read the value; the grade counts where no value is given."]
    if any(guard.kind is GuardKind.METHOD for row in rows for guard in row.guards):
        words.append("A value not from three-dimensional capture is reported as not reliable.")
    if Attribute.SIDE_DIFFERENCE in read:
        words.append("The difference of the sides is read from values only.")
    if HEEL_FOOT_LENGTHS in subjects:
        words.append("Without the client's height the grade counts.")
    return " ".join(words)
