"""What has changed since the last signed assessment, as a letter tells it."""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from assessments.domain.assessment import Assessment, Observation
from assessments.domain.change import Change, Reading, Verdict, change
from assessments.domain.rows import HEEL, HEEL_FOOT_LENGTHS
from assessments.domain.tables import AssessmentTables, Feature, Score, TestRow
from assessments.domain.vocabulary import Side
from clinic.domain import letter as parts
from clinic.web.letter_findings import SIDE_WORDS
from clinic.web.letter_parts import Judged
from exercises.proposals import number_words

VERDICT_WORDS = {
    Verdict.BETTER: "better",
    Verdict.WORSE: "worse",
    Verdict.CHANGED: "changed",
    Verdict.WITHIN_ERROR: "within error",
    Verdict.NO_ERROR_PUBLISHED: "no verdict, error not published",
    Verdict.NOT_COMPARABLE: "not comparable",
}


@dataclass(frozen=True)
class Changes:
    """What a busy reader needs of the changes; `rest` counts what is left out."""

    rows: tuple[parts.ChangeRow, ...] = ()
    rest: int = 0

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is said of the rest."""
        if not self.rest:
            return ()
        many = f"{self.rest} more measures were" if self.rest > 1 else "1 more measure was"
        return (f"{many} taken both times; none of them changed beyond a published error.",)


REAL = (Verdict.BETTER, Verdict.WORSE, Verdict.CHANGED)


def changes(then: Judged, now: Judged) -> Changes:
    """Each number taken both times that really changed, made a finding, or is a score.

    Source: rule of this clinic (the summary of an outpatient letter is "very brief").
    """
    compared = list(_compared(then.assessment, now.assessment, now.tables))
    found = {
        HEEL if reason.subject == HEEL_FOOT_LENGTHS else reason.subject
        for judged in (then, now)
        for finding in judged.proposal.findings
        for reason in finding.because
    }
    told = tuple(
        row
        for measure, verdict, row in compared
        if verdict in REAL or measure.code in found or isinstance(measure, Score)
    )
    return Changes(told, len(compared) - len(told))


Measure = Feature | TestRow | Score
Compared = tuple[Measure, Verdict, parts.ChangeRow]


def _compared(then: Assessment, now: Assessment, tables: AssessmentTables) -> Iterator[Compared]:
    yield from _feature_changes(then, now, tables)
    yield from _test_changes(then, now, tables)
    yield from _score_changes(then, now, tables)


def _feature_changes(
    then: Assessment, now: Assessment, tables: AssessmentTables
) -> Iterator[Compared]:
    before, after = _readings(then), _readings(now)
    for code, feature in tables.features.items():
        for side in feature.sides:
            pairs = [
                (a, b, change(a, b, feature))
                for a in before.get((code, side), ())
                for b in after.get((code, side), ())
            ]
            fitting = [one for one in pairs if one[2].verdict is not Verdict.NOT_COMPARABLE]
            for one in (fitting or pairs)[:1]:
                yield _change_row(feature, side, one, then, now)


def _readings(assessment: Assessment) -> dict[tuple[str, Side], list[Reading]]:
    trials = {trial.id: trial for trial in assessment.trials}
    order = list(trials)
    found: dict[tuple[str, Side], list[Reading]] = {}
    seen: list[Observation] = sorted(
        assessment.observations, key=lambda one: order.index(one.trial)
    )
    for one in seen:
        if one.value is not None:
            reading = Reading(one.value, trials[one.trial], one.method)
            found.setdefault((one.feature, one.side), []).append(reading)
    return found


def _test_changes(
    then: Assessment, now: Assessment, tables: AssessmentTables
) -> Iterator[Compared]:
    before = {(one.test, one.side): one.value for one in then.tests}
    after = {(one.test, one.side): one.value for one in now.tests}
    for code, test in tables.tests.items():
        for side in test.sides:
            a, b = before.get((code, side)), after.get((code, side))
            if a is not None and b is not None:
                moved = change(Reading(a), Reading(b), test)
                yield _change_row(test, side, (Reading(a), Reading(b), moved), then, now)


def _score_changes(
    then: Assessment, now: Assessment, tables: AssessmentTables
) -> Iterator[Compared]:
    for code, score in tables.scores.items():
        a, b = then.scores.get(code), now.scores.get(code)
        if isinstance(a, Decimal) and isinstance(b, Decimal):
            moved = change(Reading(a), Reading(b), score)
            yield _change_row(score, Side.NONE, (Reading(a), Reading(b), moved), then, now)


def _change_row(
    measure: Measure,
    side: Side,
    compared: tuple[Reading, Reading, Change],
    then: Assessment,
    now: Assessment,
) -> Compared:
    before, after, moved = compared
    sign = "+" if moved.difference > 0 else "−" if moved.difference < 0 else ""
    verdict = VERDICT_WORDS[moved.verdict]
    row = parts.ChangeRow(
        measure=measure.name,
        side=SIDE_WORDS[side],
        earlier=number_words(before.value),
        present=number_words(after.value),
        difference=f"{sign}{number_words(abs(moved.difference))}",
        unit=measure.unit,
        error="" if moved.error is None else number_words(moved.error),
        verdict=f"{verdict}: {moved.why}" if moved.why else verdict,
        earlier_on=then.assessed_on,
        present_on=now.assessed_on,
    )
    return measure, moved.verdict, row
