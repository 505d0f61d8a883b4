"""The rows of the assessment page: tables of an edition laid over what is stored."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Any

from django.db import DEFAULT_DB_ALIAS
from django.db.models import (
    BigIntegerField,
    BooleanField,
    CharField,
    DecimalField,
    F,
    PositiveIntegerField,
    PositiveSmallIntegerField,
    Value,
)
from django.db.models.functions import Cast
from django.utils import timezone

from assessments.amended import addenda_of, counts, keep, lay_over
from assessments.domain import assessment as values
from assessments.domain.change import Change, Reading, Verdict, change
from assessments.domain.guards import GuardKind
from assessments.domain.measured import printed_error
from assessments.domain.rows import HEEL, HEEL_FOOT_LENGTHS
from assessments.domain.tables import AssessmentTables, Feature, Range, Score, TestRow
from assessments.domain.vocabulary import (
    NOT_SEEN,
    Area,
    Attribute,
    FeatureKind,
    Method,
    ScoreKind,
    Shoes,
    Side,
    StrengthTestKind,
    Surface,
)
from assessments.models import Assessment, Observation, ScoreValue, TestResult, Trial

Measure = Feature | TestRow | Score
Row = Observation | TestResult | ScoreValue
OBSERVATION, TEST, SCORE, WORDS = "o", "t", "s", "w"
KINDS: dict[str, type[Row]] = {
    "observations": Observation,
    "tests": TestResult,
    "scores": ScoreValue,
}
CODES = {"observations": "feature", "tests": "test", "scores": "score"}
# what stands for a column that a kind of answer lacks
LACKING = {
    "trial_id": Cast(Value(None), BigIntegerField()),
    "grade": Cast(Value(None), PositiveSmallIntegerField()),
    "side": Value("none", output_field=CharField()),
    "not_seen": Value(value=False, output_field=BooleanField()),
    "method": Value("", output_field=CharField()),
    "sd": Cast(Value(None), DecimalField(max_digits=9, decimal_places=4)),
    "steps": Cast(Value(None), PositiveIntegerField()),
}
# columns of an answer of any kind, in the order in which one query asks for them
COLUMNS = (
    "kind",
    "id",
    "site_id",
    "assessment_id",
    "trial_id",
    "code",
    "side",
    "not_seen",
    "grade",
    "value",
    "choice",
    "method",
    "sd",
    "steps",
    "version",
    "saved_at",
    "saved_by_id",
)
FIELDS = ("grade", "value", "choice", "method")
NARRATIVE = {
    "words": ("In the client's words", "What brings them, what they feel, what they want."),
    "impression": ("Clinician's reasoning", "What you make of it and what speaks against it."),
    "response": ("Response to the programme so far", "What was done, how often, what it did."),
}
METHOD_WORDS = {
    Method.BY_EYE: "by eye",
    Method.VIDEO_2D: "film, two-dimensional",
    Method.MOTION_CAPTURE_3D: "capture, three-dimensional",
    Method.SENSOR: "sensor",
    Method.COUNTED: "counted",
}


@dataclass(frozen=True, slots=True)
class State:
    """What one cell holds, as the texts of its fields; `grade` n stands for not seen."""

    grade: str = ""
    value: str = ""
    choice: str = ""
    method: str = ""

    @property
    def empty(self) -> bool:
        return not (self.grade or self.value or self.choice)


@dataclass(frozen=True, slots=True)
class Last:
    """The same cell last time."""

    on: date
    words: str
    change: str = ""


@dataclass(frozen=True, slots=True)
class Cell:
    """One measure on one side, as the page shows it."""

    kind: str
    code: str
    side: Side
    name: str
    state: State
    seen: str
    saved: str = ""
    error: str = ""
    last: Last | None = None
    errors: Mapping[str, str] = field(default_factory=dict)
    overtaken: bool = False

    @property
    def key(self) -> str:
        return f"{self.kind}.{self.code}.{self.side}"

    @property
    def dom(self) -> str:
        """Id of the part; a dot would have to be escaped in every selector."""
        return self.key.replace(".", "-")

    @property
    def side_words(self) -> str:
        return "" if self.side is Side.NONE else self.side.value

    @property
    def label(self) -> str:
        return f"{self.name}, {self.side.value}" if self.side_words else self.name


@dataclass(frozen=True, slots=True)
class Line:
    """One measure with its cells."""

    kind: str
    measure: Measure
    cells: tuple[Cell, ...]
    about: "About"

    @property
    def said(self) -> list[tuple[str, str]]:
        """What was answered: the names of its cells with their answers in words."""
        return [
            (cell.label, with_error(state_words(cell.state, self.measure), cell.error))
            for cell in self.cells
            if not cell.state.empty
        ]

    @property
    def section(self) -> str:
        """Code of the section, whose form the cells belong to."""
        if isinstance(self.measure, Feature):
            return self.measure.area.value
        return "tests" if self.kind == TEST else "scores"


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


@dataclass(frozen=True, slots=True)
class Section:
    """One part of the page with its count."""

    code: str
    name: str
    lines: tuple[Line, ...]

    @property
    def answered(self) -> int:
        return sum(not cell.state.empty for line in self.lines for cell in line.cells)

    @property
    def asked(self) -> int:
        return sum(len(line.cells) for line in self.lines)

    @property
    def unanswered(self) -> int:
        return self.asked - self.answered


@dataclass(frozen=True)
class Stored:
    """Rows of one assessment and of the one before it."""

    assessment: Assessment
    trials: list[Trial]
    rows: dict[tuple[str, int, str, str], Row]
    last_trials: list[Trial]
    last_rows: dict[tuple[str, int, str, str], Row]
    last_on: date | None

    def trial(self, position: str | int | None) -> Trial:
        """The trial at a position, else the first."""
        wanted = str(position)
        return next((one for one in self.trials if str(one.position) == wanted), self.trials[0])

    def row(self, kind: str, trial: Trial, code: str, side: str) -> Row | None:
        return self.rows.get((kind, trial.pk if kind == OBSERVATION else 0, code, side))


def stored(assessment: Assessment, number: int | None = None) -> Stored:
    """Everything recorded now and last time as amended, two queries, three where signed.

    assessment: with `last_id` and `last_on` (`Assessment` fetched by `for_consult`). The rows
    are kept on the assessment, so that reading its related rows asks no second time.
    number: the last addendum to it that counts, None for all.
    """
    both = [assessment.pk, assessment.last_id]  # type: ignore[attr-defined]
    found = {
        "trials": list(Trial.objects.filter(assessment__in=both).order_by("position")),
        **_answers(both),
    }
    addenda = addenda_of(both) if assessment.is_signed or both[1] else []
    counted = [one for one in addenda if one.assessment_id != both[0] or counts(one, number)]
    lay_over(found, counted)
    found["addenda"] = counted
    now, then = (
        {name: [row for row in rows if row.assessment_id == pk] for name, rows in found.items()}
        for pk in both
    )
    keep(assessment, now)
    return Stored(
        assessment,
        now["trials"],
        _by_key(now),
        then["trials"],
        _by_key(then),
        assessment.last_on,  # type: ignore[attr-defined]
    )


def _answers(assessments: list[int]) -> dict[str, list[Any]]:
    """Rows of all three kinds of answers by one query."""
    parts = [
        model.objects.filter(assessment__in=assessments).values_list(*SELECTED[kind])
        for kind, model in KINDS.items()
    ]
    found: dict[str, list[Any]] = {name: [] for name in KINDS}
    for values_of in parts[0].union(*parts[1:], all=True):
        record = dict(zip(COLUMNS, values_of, strict=True))
        name = record["kind"]
        model = KINDS[name]
        names = ATTNAMES[name]
        record[f"{CODES[name]}_id"] = record["code"]
        row = model.from_db(DEFAULT_DB_ALIAS, names, [record[one] for one in names])
        found[name].append(row)
    return found


def _column(kind: str, name: str) -> Any:
    """A column of a kind of answer, or what stands for one that the kind lacks."""
    if name == "kind":
        return Value(kind, output_field=CharField())
    if name == "code":
        return F(f"{CODES[kind]}_id")
    return F(name) if name in ATTNAMES[kind] else LACKING[name]


ATTNAMES = {
    kind: [field.attname for field in model._meta.concrete_fields] for kind, model in KINDS.items()
}
SELECTED = {kind: [_column(kind, name) for name in COLUMNS] for kind in KINDS}


def _by_key(rows: Mapping[str, list[Any]]) -> dict[tuple[str, int, str, str], Row]:
    found: dict[tuple[str, int, str, str], Row] = {}
    for one in rows["observations"]:
        found[OBSERVATION, one.trial_id, one.feature_id, one.side] = one
    for one in rows["tests"]:
        found[TEST, 0, one.test_id, one.side] = one
    for one in rows["scores"]:
        found[SCORE, 0, one.score_id, Side.NONE.value] = one
    return found


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


def sections(held: Stored, trial: Trial, tables: AssessmentTables) -> list[Section]:
    """The five areas, the tests and the scores."""
    return [
        Section(code, name, tuple(line_of(kind, one, held, trial, tables) for one in measures))
        for code, name, kind, measures in _parts(_Shared(tables))
    ]


def sections_of(
    keys: Iterable[str], held: Stored, trial: Trial, tables: AssessmentTables
) -> list[Section]:
    """The sections that hold the cells of these keys."""
    codes = {tuple(key.split(".")[:2]) for key in keys}
    return [
        Section(code, name, tuple(line_of(kind, one, held, trial, tables) for one in measures))
        for code, name, kind, measures in _parts(_Shared(tables))
        if any((kind, one.code) in codes for one in measures)
    ]


@lru_cache(maxsize=8)
def _parts(shared: "_Shared") -> list[tuple[str, str, str, tuple[Measure, ...]]]:
    tables = shared.tables
    areas: list[tuple[str, str, str, tuple[Measure, ...]]] = [
        (
            area.value,
            area.value.replace("_", " ").capitalize(),
            OBSERVATION,
            tuple(one for one in tables.features.values() if one.area is area),
        )
        for area in Area
    ]
    tests = ("tests", "Tests", TEST, tuple(tables.tests.values()))
    scores = ("scores", "Pain and function", SCORE, tuple(tables.scores.values()))
    return [*areas, tests, scores]


def line_of(
    kind: str, measure: Measure, held: Stored, trial: Trial, tables: AssessmentTables
) -> Line:
    cells = tuple(cell_of(kind, measure, side, held, trial) for side in sides_of(measure))
    return Line(kind, measure, cells, about(kind, measure, tables))


def cell_of(kind: str, measure: Measure, side: Side, held: Stored, trial: Trial) -> Cell:
    row = held.row(kind, trial, measure.code, side.value)
    state = state_of(row)
    return Cell(
        kind=kind,
        code=measure.code,
        side=side,
        name=measure.name,
        state=state,
        seen=seen_token(row),
        saved=saved_words(row),
        error=computed_words(row, measure),
        last=last_of(kind, measure, side, held, trial),
    )


def with_errors(
    cell: Cell, typed: State, errors: Mapping[str, str], *, overtaken: bool = False
) -> Cell:
    """The cell with what was typed and why it is refused.

    overtaken: somebody saved another answer meanwhile, so that one of the two is chosen.
    """
    return replace(cell, state=typed, errors=errors, overtaken=overtaken)


def state_of(row: Row | None) -> State:
    """What a stored row holds."""
    if row is None:
        return State()
    grade = getattr(row, "grade", None)
    return State(
        grade=NOT_SEEN if getattr(row, "not_seen", False) else "" if grade is None else str(grade),
        value=number_words(row.value),
        choice=row.choice,
        method=getattr(row, "method", ""),
    )


def seen_token(row: Row | None) -> str:
    """What the page saw of a row; it comes back with the next save."""
    state = state_of(row)
    version = row.version if row else 0
    return ";".join([str(version), *(getattr(state, name) for name in FIELDS)])


def seen_of(token: str) -> State:
    """The state that a token names; a token of no sense counts as an empty cell."""
    parts = token.split(";")
    return State(*parts[1:]) if len(parts) == len(FIELDS) + 1 else State()


def saved_words(row: Row | None) -> str:
    if row is None:
        return ""
    at = timezone.localtime(row.saved_at)
    day = "" if at.date() == timezone.localdate() else f" on {at:%-d %b %Y}"
    return f"saved at {at:%H:%M:%S}{day}"


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


def number_words(number: Decimal | None) -> str:
    """A stored number without the zeros that were not typed."""
    if number is None:
        return ""
    text = format(number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def number_of(text: str) -> Decimal | None:
    """The number typed, with point or comma; None if it is none."""
    try:
        number = Decimal(text.strip().replace(",", ".").replace("−", "-"))
    except InvalidOperation:
        return None
    return number if number.is_finite() else None


def last_of(kind: str, measure: Measure, side: Side, held: Stored, trial: Trial) -> Last | None:
    """Last time's answer, with what has changed where both times have a value."""
    if held.last_on is None:
        return None
    candidates = list(_last_rows(kind, measure.code, side.value, held))
    if not candidates:
        return None
    now = held.row(kind, trial, measure.code, side.value)
    pairs = [(one, _change(kind, one, now, measure, held, trial)) for one in candidates]
    # of several trials of last time the first that can be compared
    comparable = [p for p in pairs if p[1] and p[1].verdict is not Verdict.NOT_COMPARABLE]
    row, moved = (comparable or pairs)[0]
    words = with_error(state_words(state_of(row), measure), computed_words(row, measure))
    return Last(held.last_on, words, moved_words(moved, measure))


def _last_rows(kind: str, code: str, side: str, held: Stored) -> Iterator[Row]:
    keys = [one.pk for one in held.last_trials] if kind == OBSERVATION else [0]
    for key in keys:
        row = held.last_rows.get((kind, key, code, side))
        if row is not None and not state_of(row).empty:
            yield row


def _change(
    kind: str, then: Row, now: Row | None, measure: Measure, held: Stored, trial: Trial
) -> Change | None:
    if now is None or now.value is None or then.value is None:
        return None
    if kind != OBSERVATION:
        return change(Reading(then.value), Reading(now.value), measure)
    earlier = {one.pk: one for one in held.last_trials}[then.trial_id]  # type: ignore[union-attr]
    return change(_reading(then, earlier), _reading(now, trial), measure)


def _reading(row: Row, trial: Trial) -> Reading:
    """An observation with all that decides whether another can be compared with it."""
    run = trial_value(trial)
    sd = row.sd if isinstance(row, Observation) else None
    return Reading(row.value or Decimal(0), run, _method(row), sd, run.camera)


def _method(row: Row) -> Method | None:
    method = getattr(row, "method", "")
    return Method(method) if method else None


def trial_value(trial: Trial) -> values.Trial:
    """A trial as a value of the domain."""
    steps = trial.steps_averaged
    return values.Trial(
        id=trial.code,
        surface=Surface(trial.surface) if trial.surface else None,
        speed_m_s=trial.speed_m_s,
        incline_percent=trial.incline_percent,
        frame_rate_hz=trial.frame_rate_hz,
        steps_averaged=None if steps is None else Decimal(steps),
        shoes=Shoes(trial.shoes) if trial.shoes else None,
        camera=Side(trial.camera) if trial.camera else None,
    )


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
    return _about(kind, measure.code, _Shared(tables))


class _Shared:
    """Tables as a key of a cache: an edition's tables are built once and never change."""

    def __init__(self, tables: AssessmentTables) -> None:
        self.tables = tables

    def __hash__(self) -> int:
        return id(self.tables)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Shared) and other.tables is self.tables


@lru_cache(maxsize=1024)
def _about(kind: str, code: str, shared: _Shared) -> About:
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


def default_method(state: State) -> str:
    """By eye for grades, film for values, until another is chosen."""
    if state.value:
        return Method.VIDEO_2D
    return Method.BY_EYE if state.grade not in ("", NOT_SEEN) or state.choice else ""
