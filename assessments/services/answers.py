"""Answers of a draft assessment: one upsert each, fields of two people merged."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from assessments.answer_states import FIELDS, State, default_method, number_of, seen_of, state_of
from assessments.domain.tables import AssessmentTables, Feature
from assessments.domain.vocabulary import NOT_SEEN, Method
from assessments.grid import NARRATIVE
from assessments.measure_words import Measure, about, measure_of, sides_of, span_words
from assessments.models import Assessment, Observation, ScoreValue, TestResult, Trial
from assessments.services.assessments import why_fixed
from assessments.stored_answers import OBSERVATION, SCORE, TEST, WORDS, Row, Stored
from clinic.domain.vocabulary import ConsentPurpose, TrailAction
from clinic.models import Staff
from clinic.services import consents, trail

GRADES = {"", "0", "1", "2", "3", NOT_SEEN}
MODELS: dict[str, type[Row]] = {OBSERVATION: Observation, TEST: TestResult, SCORE: ScoreValue}
KEYS = {OBSERVATION: "feature_id", TEST: "test_id", SCORE: "score_id"}
ANOTHER_METHOD = "If it was not measured from film, choose how it was."
MEANWHILE = "Somebody else saved this at the same moment. Choose which of the two stands."


@dataclass(frozen=True, slots=True)
class Computed:
    """What a computed value has besides: its standard error, None if not known, and its steps."""

    sd: Decimal | None
    steps: int


@dataclass(frozen=True, slots=True)
class Typed:
    """One cell as it came from the page: what was typed and what the page had seen.

    computed: of a value that nobody typed.
    """

    kind: str
    code: str
    side: str
    state: State
    seen: State
    computed: Computed | None = None

    @property
    def key(self) -> str:
        return f"{self.kind}.{self.code}.{self.side}"

    @property
    def changed(self) -> list[str]:
        """Fields that differ from what the page had seen; a computed value is always given."""
        given = ("value", "method") if self.computed else ()
        return [
            name
            for name in FIELDS
            if name in given or getattr(self.state, name) != getattr(self.seen, name)
        ]


@dataclass
class Saving:
    """What became of each cell: its key saved, or refused with the reasons by field."""

    saved: list[str] = field(default_factory=list)
    refused: dict[str, dict[str, str]] = field(default_factory=dict)
    # refused because somebody saved another answer after the page was drawn
    overtaken: set[str] = field(default_factory=set)

    @property
    def raced(self) -> bool:
        """Whether another save came between reading and writing: read again, then save again."""
        return any(MEANWHILE in errors.values() for errors in self.refused.values())


@dataclass(frozen=True)
class _Act:
    """Whose answers these are, on what, when."""

    held: Stored
    trial: Trial
    by: Staff
    at: datetime
    tables: AssessmentTables


def typed_answers(post: Mapping[str, str]) -> list[Typed]:
    """Every cell that a form carries, told by its `seen` field.

    Radio groups without a choice and fields that the cell lacks are not sent: they are empty.
    A cell where the stored answer was chosen over one's own says `take` and is left alone.
    """
    found = []
    for name, token in post.items():
        key, _, last = name.rpartition(".")
        parts = key.split(".")
        if last == "seen" and len(parts) == 3 and f"{key}.take" not in post:
            state = State(*(post.get(f"{key}.{one}", "").strip() for one in FIELDS))
            found.append(Typed(parts[0], parts[1], parts[2], state, seen_of(token)))
    return found


def keys_in(post: Mapping[str, str]) -> set[str]:
    """Keys of the cells that a form carries, also of those that are left alone."""
    return {name.removesuffix(".seen") for name in post if name.endswith(".seen")}


def save_answers(
    *,
    held: Stored,
    trial: Trial,
    typed: Iterable[Typed],
    by: Staff,
    tables: AssessmentTables,
) -> Saving:
    """Save what was changed and return what was saved and what was refused.

    A refused cell keeps its stored answer; the others are saved. Never raises for bad input, nor
    for a row that somebody else saved or signed in the same moment.
    """
    moved = [one for one in typed if one.changed]
    if why := why_fixed(held.assessment):
        return Saving(refused={one.key: {"value": why} for one in moved})
    try:
        return _saved(_Act(held, trial, by, timezone.now(), tables), moved)
    except IntegrityError:
        # a guard of the database spoke: another person was faster
        return Saving(
            refused={one.key: {"value": MEANWHILE} for one in moved},
            overtaken={one.key for one in moved},
        )


@transaction.atomic
def _saved(act: _Act, moved: Iterable[Typed]) -> Saving:
    saving = Saving()
    changes: dict[str, dict[str, list[str]]] = {}
    for one in moved:
        before = state_of(act.held.row(one.kind, act.trial, one.code, one.side))
        errors = _save(act, one, saving)
        if errors:
            saving.refused[one.key] = errors
        else:
            saving.saved.append(one.key)
            after = state_of(act.held.row(one.kind, act.trial, one.code, one.side))
            changes[one.key] = _was_and_is(before, after)
    if saving.saved:
        assessment = act.held.assessment
        trail.record(
            TrailAction.CHANGE,
            by=act.by,
            row=assessment,
            client=assessment.client,
            trial=act.trial.position,
            answers=changes,
        )
    return saving


def _was_and_is(before: State, after: State) -> dict[str, list[str]]:
    """Old and new of each field that moved: grades, numbers and codes, no free text."""
    return {
        name: [getattr(before, name), getattr(after, name)]
        for name in FIELDS
        if getattr(before, name) != getattr(after, name)
    }


def _save(act: _Act, one: Typed, saving: Saving) -> dict[str, str]:
    measure = measure_of(one.kind, one.code, act.tables)
    if measure is None or one.side not in [side.value for side in sides_of(measure)]:
        return {"value": "This is not asked in the edition of this assessment."}
    row = act.held.row(one.kind, act.trial, one.code, one.side)
    errors = _stale(one, row)
    if errors:
        saving.overtaken.add(one.key)
        return errors
    wanted = _merged(one, state_of(row))
    wanted, errors = checked(wanted, one, measure, act.tables)
    if errors:
        return errors
    errors = _film_refused(act, wanted, state_of(row))
    if errors:
        return errors
    errors = _written(act, one, row, _columns(wanted, one, row))
    if errors:
        saving.overtaken.add(one.key)
    return errors


def _film_refused(act: _Act, wanted: State, stored: State) -> dict[str, str]:
    """What is wrong where something new would be measured from film; clearing an answer is not."""
    said = wanted.value or wanted.grade or wanted.choice
    if not said or wanted.method != Method.VIDEO_2D or wanted == stored:
        return {}
    try:
        consents.refuse_stopped(act.held.assessment.client, ConsentPurpose.FILMING)
    except ValidationError as refusal:
        return {"method": f"{refusal.messages[0]} {ANOTHER_METHOD}"}
    return {}


def _stale(one: Typed, row: Row | None) -> dict[str, str]:
    """Fields that were changed elsewhere since the page was drawn, with both values.

    Also the same person in another window: the two answers may differ on purpose.
    """
    if row is None:
        return {}
    stored = state_of(row)
    return {
        name: (
            f"{row.saved_by} saved “{getattr(stored, name) or 'nothing'}” at "
            f"{timezone.localtime(row.saved_at):%H:%M:%S}; you gave "
            f"“{getattr(one.state, name) or 'nothing'}”. Choose which of the two stands."
        )
        for name in one.changed
        if getattr(stored, name) not in (getattr(one.seen, name), getattr(one.state, name))
    }


def _merged(one: Typed, stored: State) -> State:
    """What is stored, with the fields that this person changed."""
    return replace(stored, **{name: getattr(one.state, name) for name in one.changed})


def checked(
    wanted: State, one: Typed, measure: Measure, tables: AssessmentTables
) -> tuple[State, dict[str, str]]:
    """The state to store and what is wrong with it, by field.

    All limits come from the tables. `full_clean` is not used here: it would ask the database a
    dozen questions for each answer; the constraints and guards of the tables stand behind this.
    """
    asked = about(one.kind, measure, tables)
    errors: dict[str, str] = {}
    if wanted.grade not in (GRADES if asked.graded else {"", NOT_SEEN}):
        errors["grade"] = "A grade is 0, 1, 2, 3 or not seen."
    if wanted.choice and wanted.choice not in dict(asked.choices):
        errors["choice"] = "Choose one of: " + ", ".join(dict(asked.choices).values()) + "."
    if wanted.method and wanted.method not in list(Method):
        errors["method"] = "Choose one of the methods listed."
    if wanted.value and (problem := _value_problem(wanted.value, measure, valued=asked.valued)):
        errors["value"] = problem
    if wanted.grade == NOT_SEEN and (wanted.value or wanted.choice):
        if "grade" in one.changed:
            errors["grade"] = "Clear the answer first: what was not seen has none."
        else:
            wanted = replace(wanted, grade="")
    if isinstance(measure, Feature) and ("method" not in one.changed or not wanted.method):
        wanted = _with_method(wanted, one)
    return wanted, errors


def _with_method(wanted: State, one: Typed) -> State:
    """A method that nobody chose follows the answer."""
    if wanted.empty or wanted.grade == NOT_SEEN:
        return replace(wanted, method="")
    chosen = wanted.method and wanted.method != default_method(one.seen)
    return wanted if chosen else replace(wanted, method=default_method(wanted))


def _value_problem(text: str, measure: Measure, *, valued: bool) -> str:
    number = number_of(text)
    allowed = span_words(measure.plausible, measure.unit)
    if not valued:
        return "This has no number."
    if number is None:
        return f"Write a number, {allowed}."
    if not measure.plausible.holds(number):
        return f"{text} lies outside what is possible: {allowed}."
    exponent = number.normalize().as_tuple().exponent
    if isinstance(exponent, int) and exponent < -3:
        return "Three decimals at most."
    return ""


def _columns(state: State, one: Typed, row: Row | None) -> dict[str, Any]:
    columns: dict[str, Any] = {
        "value": number_of(state.value) if state.value else None,
        "choice": state.choice,
    }
    if one.kind == OBSERVATION:
        grade = state.grade
        columns["not_seen"] = grade == NOT_SEEN
        columns["grade"] = int(grade) if grade and grade != NOT_SEEN else None
        columns["method"] = state.method
        if one.computed:
            columns |= {"sd": one.computed.sd, "steps": one.computed.steps}
        elif any(getattr(row, name, None) != columns[name] for name in ("value", "method")):
            # the error was computed for another value, or another way of measuring
            columns |= {"sd": None, "steps": None}
    return columns


def _written(act: _Act, one: Typed, row: Row | None, columns: dict[str, Any]) -> dict[str, str]:
    model, stamp = MODELS[one.kind], {"saved_at": act.at, "saved_by": act.by}
    if row is None:
        row = _new(act, one, model)
        for name, value in {**columns, **stamp}.items():
            setattr(row, name, value)
        row.save(force_insert=True)
        _remember(act, one, row)
        return {}
    version = row.version + 1
    done = model._default_manager.filter(pk=row.pk, version=row.version).update(
        **columns, **stamp, version=version
    )
    if not done:
        return {"value": MEANWHILE}
    for name, value in {**columns, **stamp, "version": version}.items():
        setattr(row, name, value)
    return {}


def _new(act: _Act, one: Typed, model: type[Row]) -> Row:
    assessment = act.held.assessment
    named: dict[str, Any] = {
        "site_id": assessment.site_id,
        "assessment": assessment,
        KEYS[one.kind]: one.code,
    }
    if one.kind == OBSERVATION:
        named["trial"] = act.trial
    if one.kind != SCORE:
        named["side"] = one.side
    return model(**named)


def _remember(act: _Act, one: Typed, row: Row) -> None:
    """The new row joins those that were read, so that the judgement sees it without a query."""
    trial = act.trial.pk if one.kind == OBSERVATION else 0
    act.held.rows[one.kind, trial, one.code, one.side] = row
    names = {OBSERVATION: "observations", TEST: "tests", SCORE: "scores"}
    vars(act.held.assessment)["_prefetched_objects_cache"][names[one.kind]].append(row)


@transaction.atomic
def save_words(*, assessment: Assessment, by: Staff, name: str, text: str, seen: str) -> str:
    """Save one of the free texts; returns why it was refused, empty if it was saved.

    seen: the text that the page had shown.
    """
    if name not in NARRATIVE:
        return "There is no such text."
    if why := why_fixed(assessment):
        return why
    text, stored = _lines(text), getattr(assessment, name)
    if stored == text:
        return ""
    if _lines(stored) != _lines(seen):
        return f"Meanwhile this was saved: “{stored}”. Choose which of the two stands."
    done = Assessment.objects.filter(
        pk=assessment.pk, version=assessment.version, signed_at=None
    ).update(**{name: text}, version=assessment.version + 1)
    if not done:
        return MEANWHILE
    setattr(assessment, name, text)
    assessment.version += 1
    trail.record(
        TrailAction.CHANGE, by=by, row=assessment, client=assessment.client, fields=[name]
    )
    return ""


def _lines(text: str) -> str:
    """Browsers send line ends of their own."""
    return text.replace("\r\n", "\n").strip()


def is_words(post: Mapping[str, str]) -> str:
    """The name of the free text that a form carries, empty if it carries none."""
    return next((name for name in NARRATIVE if f"{WORDS}.{name}" in post), "")
