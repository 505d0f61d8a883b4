"""Answers of signed assessments as their corrections leave them: laid over, never saved."""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from assessments.domain.vocabulary import NOT_SEEN
from assessments.models import Addendum, Assessment, Observation, ScoreValue, TestResult, Trial

Row = Observation | TestResult | ScoreValue
Rows = dict[str, list[Any]]
# by the first letter of a measure's key: where its rows are kept, their class, its column
KINDS: dict[str, tuple[str, type[Row], str]] = {
    "o": ("observations", Observation, "feature_id"),
    "t": ("tests", TestResult, "test_id"),
    "s": ("scores", ScoreValue, "score_id"),
}
NAMES = ("trials", "observations", "tests", "scores")


def addenda_of(assessments: Iterable[int | None]) -> list[Addendum]:
    """All addenda of these assessments with their authors, oldest first."""
    wanted = [pk for pk in assessments if pk]
    return list(Addendum.objects.for_page().filter(assessment__in=wanted).order_by("number"))


def lay_over(rows: Rows, addenda: Iterable[Addendum]) -> None:
    """Let the rows say what the addenda correct.

    rows: trials, observations, tests and scores, also of several assessments.
    """
    for addendum in addenda:
        for change in addendum.changes:
            _corrected(rows, addendum, change)


def _corrected(rows: Rows, addendum: Addendum, change: Mapping[str, Any]) -> None:
    kind, code, side = change["key"].split(".")
    name, model, column = KINDS[kind]
    place: dict[str, Any] = {"assessment_id": addendum.assessment_id, column: code}
    if kind != "s":
        place["side"] = side
    if kind == "o":
        place["trial_id"] = _trial(rows, addendum, change["trial"])
    row = next((one for one in rows[name] if _is_at(one, place)), None)
    if row is None:
        saved = {"saved_at": addendum.entered_at, "saved_by_id": addendum.author_id}
        row = model(site_id=addendum.site_id, **place, **saved)
        rows[name].append(row)
    for field, value in change["now"].items():
        _set(row, field, value)


def _trial(rows: Rows, addendum: Addendum, position: int) -> Any:
    return next(
        one.pk
        for one in rows["trials"]
        if (one.assessment_id, one.position) == (addendum.assessment_id, position)
    )


def _is_at(row: Row, place: Mapping[str, Any]) -> bool:
    return all(getattr(row, name) == value for name, value in place.items())


def _set(row: Row, field: str, text: str) -> None:
    """One field of an answer from its text, as the page names it."""
    if field == "grade":
        vars(row)["not_seen"] = text == NOT_SEEN
        vars(row)["grade"] = int(text) if text not in ("", NOT_SEEN) else None
    elif field == "value":
        row.value = Decimal(text) if text else None
        _without_error(row)
    else:
        setattr(row, field, text)
        if field == "method":
            _without_error(row)


def _without_error(row: Row) -> None:
    """A corrected value, or one of another method, has no computed error any more."""
    if isinstance(row, Observation):
        row.sd = row.steps = None


def as_amended(assessment: Assessment, number: int | None = None) -> Assessment:
    """The assessment, its related rows read and corrected; a draft has nothing to correct.

    number: the last addendum that counts, 0 for the assessment as signed, None for all.
    Rows that were laid over already are left as they are.
    """
    if assessment.is_signed and not is_laid_over(assessment):
        rows = {name: list(getattr(assessment, name).all()) for name in NAMES}
        addenda = [one for one in addenda_of([assessment.pk]) if counts(one, number)]
        lay_over(rows, addenda)
        keep(assessment, {**rows, "addenda": addenda})
    return assessment


def all_as_amended(assessments: Sequence[Assessment]) -> None:
    """Read and correct the rows of several signed assessments, in five queries."""
    keys = [one.pk for one in assessments]
    models = {"trials": Trial} | {name: model for name, model, _ in KINDS.values()}
    rows: Rows = {
        name: list(models[name]._default_manager.filter(assessment__in=keys)) for name in NAMES
    }
    addenda = addenda_of(keys)
    lay_over(rows, addenda)
    for assessment in assessments:
        own = {
            name: [row for row in found if row.assessment_id == assessment.pk]
            for name, found in {**rows, "addenda": addenda}.items()
        }
        keep(assessment, own)


def counts(addendum: Addendum, number: int | None) -> bool:
    return number is None or addendum.number <= number


def keep(assessment: Assessment, rows: Mapping[str, list[Any]]) -> None:
    """Let `assessment.trials.all()` and its like answer from rows that were read already."""
    vars(assessment).setdefault("_prefetched_objects_cache", {}).update(rows)


def is_laid_over(assessment: Assessment) -> bool:
    """Whether its addenda were read, and with them its rows corrected."""
    return "addenda" in vars(assessment).get("_prefetched_objects_cache", {})
