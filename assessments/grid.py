"""The rows of the assessment page: tables of an edition laid over what is stored."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from functools import lru_cache

from django.utils import timezone

from assessments.answer_states import State, seen_token, state_of
from assessments.domain.change import Change, Reading, Verdict, change
from assessments.domain.tables import AssessmentTables, Feature
from assessments.domain.vocabulary import (
    Area,
    Method,
    Side,
)
from assessments.measure_words import (
    About,
    Measure,
    SharedTables,
    about,
    computed_words,
    moved_words,
    sides_of,
    state_words,
    with_error,
)
from assessments.models import Observation, Trial
from assessments.stored_answers import OBSERVATION, SCORE, TEST, Row, Stored, trial_value

NARRATIVE = {
    "words": ("In the client's words", "What brings them, what they feel, what they want."),
    "impression": ("Clinician's reasoning", "What you make of it and what speaks against it."),
    "response": ("Response to the programme so far", "What was done, how often, what it did."),
}


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


def sections(held: Stored, trial: Trial, tables: AssessmentTables) -> list[Section]:
    """The five areas, the tests and the scores."""
    return [
        Section(code, name, tuple(line_of(kind, one, held, trial, tables) for one in measures))
        for code, name, kind, measures in _parts(SharedTables(tables))
    ]


def sections_of(
    keys: Iterable[str], held: Stored, trial: Trial, tables: AssessmentTables
) -> list[Section]:
    """The sections that hold the cells of these keys."""
    codes = {tuple(key.split(".")[:2]) for key in keys}
    return [
        Section(code, name, tuple(line_of(kind, one, held, trial, tables) for one in measures))
        for code, name, kind, measures in _parts(SharedTables(tables))
        if any((kind, one.code) in codes for one in measures)
    ]


@lru_cache(maxsize=8)
def _parts(shared: "SharedTables") -> list[tuple[str, str, str, tuple[Measure, ...]]]:
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


def saved_words(row: Row | None) -> str:
    if row is None:
        return ""
    at = timezone.localtime(row.saved_at)
    day = "" if at.date() == timezone.localdate() else f" on {at:%-d %b %Y}"
    return f"saved at {at:%H:%M:%S}{day}"


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
