"""What one measure did from visit to visit, and what of it is real."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from assessments.domain.assessment import Assessment, Observation
from assessments.domain.change import (
    Change,
    Measure,
    Reading,
    Verdict,
    change,
    not_comparable,
)
from assessments.domain.tables import AssessmentTables
from assessments.domain.visits import visit_changes
from assessments.domain.vocabulary import Side

Key = tuple[str, Side]


@dataclass(frozen=True, slots=True)
class Compared:
    """One measure taken at two assessments, with its change."""

    measure: Measure
    side: Side
    then: Reading
    now: Reading
    change: Change


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of a measure and the day of its assessment."""

    on: date
    reading: Reading


@dataclass(frozen=True, slots=True)
class Series:
    """One measure on one side over the visits.

    since_first: of the last visit against the first, judged together with those between;
    since_last: against the visit before. Both None while there is one visit.
    """

    measure: Measure
    side: Side
    points: tuple[Point, ...]
    since_first: Change | None = None
    since_last: Change | None = None

    @property
    def is_real(self) -> bool:
        """Whether the last visit really differs from the first. Source: change."""
        real = (Verdict.BETTER, Verdict.WORSE, Verdict.CHANGED)
        return self.since_first is not None and self.since_first.verdict in real


def compared(then: Assessment, now: Assessment, tables: AssessmentTables) -> Iterator[Compared]:
    """Each number that was taken at both assessments, in the order of the tables.

    Of several trials the first two that can be compared; otherwise the first two. Source: rule
    of this clinic.
    """
    before, after = readings_of(then), readings_of(now)
    for measure, side in measures(tables):
        key = (measure.code, side)
        pair = _pair(before.get(key, ()), after.get(key, ()))
        if pair:
            yield Compared(measure, side, *pair, change(*pair, measure))


def _pair(before: Sequence[Reading], after: Sequence[Reading]) -> tuple[Reading, Reading] | None:
    """The first two that can be compared, otherwise the first two."""
    pairs = [(a, b) for a in before for b in after]
    fitting = (pair for pair in pairs if not not_comparable(*pair))
    return next(fitting, pairs[0] if pairs else None)


def progress(visits: Sequence[Assessment], tables: AssessmentTables) -> tuple[Series, ...]:
    """What each measure did over the visits, in the order of the tables.

    visits: signed assessments, the earliest first. Of several trials that counts which can be
    compared with the first visit's. Measures that were never taken are left out. Source: changes
    as visit_changes and change judge them.
    """
    taken = [(visit.assessed_on, readings_of(visit)) for visit in visits]
    found = []
    for measure, side in measures(tables):
        points = _points(taken, (measure.code, side))
        if points:
            found.append(_series(measure, side, points, taken))
    return tuple(found)


def readings_of(assessment: Assessment) -> dict[Key, list[Reading]]:
    """Every number of an assessment by measure and side; of features one for each trial.

    In the order in which the trials count. By definition.
    """
    trials = {trial.id: trial for trial in assessment.trials}
    order = {trial: place for place, trial in enumerate(trials)}
    found: dict[Key, list[Reading]] = {}
    seen: list[Observation] = sorted(assessment.observations, key=lambda one: order[one.trial])
    for one in seen:
        if one.value is not None:
            trial = trials[one.trial]
            reading = Reading(one.value, trial, one.method, one.sd, trial.camera)
            found.setdefault((one.feature, one.side), []).append(reading)
    for test in assessment.tests:
        if test.value is not None:
            found[test.test, test.side] = [Reading(test.value)]
    for code, value in assessment.scores.items():
        if isinstance(value, Decimal):
            found[code, Side.NONE] = [Reading(value)]
    return found


def measures(tables: AssessmentTables) -> Iterator[tuple[Measure, Side]]:
    """Every measure on each of its sides: features, tests, scores. Source: the tables."""
    for feature in tables.features.values():
        yield from ((feature, side) for side in feature.sides)
    for test in tables.tests.values():
        yield from ((test, side) for side in test.sides)
    yield from ((score, Side.NONE) for score in tables.scores.values())


Taken = Sequence[tuple[date, Mapping[Key, Sequence[Reading]]]]


def _points(taken: Taken, key: Key) -> tuple[Point, ...]:
    points: list[Point] = []
    for on, readings in taken:
        here = readings.get(key, ())
        if not here:
            continue
        fitting = [it for it in here if points and not not_comparable(points[0].reading, it)]
        points.append(Point(on, (fitting or here)[0]))
    return tuple(points)


def _series(measure: Measure, side: Side, points: tuple[Point, ...], taken: Taken) -> Series:
    if len(points) < 2:
        return Series(measure, side, points)
    first, *later = (point.reading for point in points)
    key = (measure.code, side)
    before, after = [readings[key] for _, readings in taken if readings.get(key)][-2:]
    # as a letter compares the two: another pair of trials may fit than the first visit's
    pair = _pair(before, after)
    return Series(
        measure,
        side,
        points,
        since_first=visit_changes(first, later, measure)[-1],
        since_last=change(*pair, measure) if pair else None,
    )
