"""Progress as a page shows it: for each measure a chart, its table, its verdict in words."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import groupby

from assessments.change_words import change_words, number_words, reading_words
from assessments.domain.change import Reading
from assessments.domain.progress import Point, Series
from assessments.domain.tables import Feature
from assessments.domain.vocabulary import Method, Side
from clinic.domain.chart import Chart, Mark, Plot, plotted
from clinic.domain.paper import joined
from exercises.domain.sentences import METHOD_WORDS

SIDE_WORDS = {Side.LEFT: "left", Side.RIGHT: "right", Side.NONE: "", Side.BOTH: "both sides"}


@dataclass(frozen=True)
class Row:
    """One visit of the table: the day, how it was measured, what was read on each side."""

    on: date
    how: str
    cells: list[str]


@dataclass(frozen=True)
class Verdict:
    """What is said of one side: since the first visit, and since the last where that differs."""

    side: str
    since_first: str
    since_last: str
    is_real: bool


@dataclass(frozen=True)
class Measured:
    """One measure over the visits, both sides of it."""

    code: str
    name: str
    unit: str
    plot: Plot
    said: str
    sides: list[str]
    rows: list[Row]
    verdicts: list[Verdict]
    reference: str


@dataclass(frozen=True)
class Single:
    """A measure that was taken once: nothing to compare."""

    name: str
    side: str
    on: date
    words: str


def measured(series: Sequence[Series]) -> list[Measured]:
    """Every measure with two readings or more on a side, in the order of the tables."""
    return [_measured(own) for own in _by_measure(series) if _is_compared(own)]


def singles(series: Sequence[Series]) -> list[Single]:
    """What was taken once, and on no side twice."""
    return [
        Single(
            one.measure.name,
            SIDE_WORDS[one.side],
            one.points[0].on,
            f"{reading_words(one.points[0].reading)} {one.measure.unit}".strip(),
        )
        for own in _by_measure(series)
        if not _is_compared(own)
        for one in own
    ]


def _by_measure(series: Sequence[Series]) -> list[list[Series]]:
    return [list(own) for _, own in groupby(series, lambda one: one.measure.code)]


def _is_compared(series: Sequence[Series]) -> bool:
    return any(len(one.points) > 1 for one in series)


def _measured(series: Sequence[Series]) -> Measured:
    measure = series[0].measure
    sides = [SIDE_WORDS[one.side] for one in series]
    return Measured(
        code=measure.code,
        name=measure.name,
        unit=measure.unit,
        plot=plotted(_chart(series)),
        said=_said(series),
        sides=sides,
        rows=_rows(series),
        verdicts=[_verdict(one) for one in series if one.since_first and one.since_last],
        reference=_reference_words(series[0]),
    )


def _chart(series: Sequence[Series]) -> Chart:
    marks = sorted(
        (
            Mark(
                point.on,
                float(point.reading.value),
                None if point.reading.sd is None else float(point.reading.sd),
                SIDE_WORDS[one.side],
            )
            for one in series
            for point in one.points
        ),
        key=lambda mark: mark.on,
    )
    measure = series[0].measure
    low = high = None
    if isinstance(measure, Feature):
        low, high = measure.reference.low, measure.reference.high
    return Chart(tuple(marks), (_float(low), _float(high)), _around(series), _least_span(series))


def _around(series: Sequence[Series]) -> tuple[float, float] | None:
    """The first value and what counts as change from it; of one side only, two would overlap."""
    one = series[0]
    if len(series) > 1 or one.since_first is None or one.since_first.error is None:
        return None
    return float(one.points[0].reading.value), float(one.since_first.error)


def _least_span(series: Sequence[Series]) -> float:
    """Twice the detectable difference, or a fifth of the value where none is published."""
    errors = [one.since_first.error for one in series if one.since_first and one.since_first.error]
    if errors:
        return 2 * float(max(errors))
    return 0.2 * max(abs(float(point.reading.value)) for one in series for point in one.points)


def _float(number: Decimal | None) -> float | None:
    return None if number is None else float(number)


def _rows(series: Sequence[Series]) -> list[Row]:
    days = sorted({point.on for one in series for point in one.points})
    return [_row(day, [_reading(one.points, day) for one in series]) for day in days]


def _reading(points: Iterable[Point], day: date) -> Reading | None:
    return next((point.reading for point in points if point.on == day), None)


def _row(day: date, readings: Sequence[Reading | None]) -> Row:
    """How it was measured stands once, unless the sides differ in it."""
    hows = {_how(reading) for reading in readings if reading}
    shared = hows.pop() if len(hows) == 1 else ""
    cells = [
        "not taken"
        if reading is None
        else joined(reading_words(reading), "" if shared else _how(reading))
        for reading in readings
    ]
    return Row(day, shared, cells)


def _how(reading: Reading) -> str:
    """By what method and at what speed, where that was recorded."""
    method = METHOD_WORDS[reading.method.value] if isinstance(reading.method, Method) else ""
    speed = reading.trial.speed_m_s if reading.trial else None
    return joined(method, "" if speed is None else f"{number_words(speed)} m/s")


def _verdict(one: Series) -> Verdict:
    unit = one.measure.unit
    first, last = one.since_first, one.since_last
    words = change_words(first, unit) if first else ""
    latest = change_words(last, unit) if last and len(one.points) > 2 else ""
    return Verdict(SIDE_WORDS[one.side], words, latest, one.is_real)


def _reference_words(one: Series) -> str:
    reference = getattr(one.measure, "reference", None)
    if reference is None or (reference.low is None and reference.high is None):
        return ""
    unit = one.measure.unit
    if reference.low is None:
        return f"reference up to {number_words(reference.high)} {unit}"
    if reference.high is None:
        return f"reference from {number_words(reference.low)} {unit}"
    return f"reference {number_words(reference.low)} to {number_words(reference.high)} {unit}"


def _said(series: Sequence[Series]) -> str:
    """What the chart shows, for who does not see it."""
    told = []
    for one in series:
        side = f"{SIDE_WORDS[one.side]}: " if SIDE_WORDS[one.side] else ""
        values = ", ".join(
            f"{reading_words(point.reading)} on {point.on.day} {point.on:%b %Y}"
            for point in one.points
        )
        told.append(f"{side}{values}")
    return f"{'; '.join(told)}; in {series[0].measure.unit or 'points'}"


def really_changed(changes: Sequence[Measured]) -> list[tuple[str, str]]:
    """What really changed since the first visit: the measure with its side, and the words."""
    return [
        (f"{one.name}{', ' if verdict.side else ''}{verdict.side}", verdict.since_first)
        for one in changes
        for verdict in one.verdicts
        if verdict.is_real
    ]
