"""What is stored of an assessment and of the one before it, read by few queries."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
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

from assessments.amended import addenda_of, counts, keep, lay_over
from assessments.domain import assessment as values
from assessments.domain.vocabulary import (
    Shoes,
    Side,
    Surface,
)
from assessments.models import Assessment, Observation, ScoreValue, TestResult, Trial

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
