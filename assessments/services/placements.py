"""Landmarks and events of a trial: each save a new version; what they give goes into answers."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from hashlib import sha256
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from assessments.answer_states import State, number_words, seen_of
from assessments.domain.measured import EventError
from assessments.domain.measurement import timing_of, trial_features
from assessments.domain.moments import Moment, Named
from assessments.domain.placed import PlacedTrial
from assessments.domain.tables import AssessmentTables
from assessments.domain.vocabulary import Method, Side
from assessments.measurement_file import SCHEMA, event_error, read_measurement
from assessments.models import Placement, Trial
from assessments.services.answers import Computed, Saving, Typed, save_answers
from assessments.services.assessments import edit_trial, refuse_fixed
from assessments.stored_answers import OBSERVATION, Stored
from clinic.domain.vocabulary import ConsentPurpose, TrailAction
from clinic.json_files import BadFile, load_json
from clinic.models import Staff
from clinic.schema_errors import FileError
from clinic.services import consents, trail

STALE = "Somebody saved other landmarks or events meanwhile. Look at them, then save again."
OF_TRIAL = {
    "frame_rate_hz": "frames a second",
    "speed_m_s": "speed",
    "grade_percent": "incline",
}
COLUMNS = {
    "frame_rate_hz": "frame_rate_hz",
    "speed_m_s": "speed_m_s",
    "grade_percent": "incline_percent",
}
MOST_STEPS = 1000  # the most that a trial can say
# beyond these the page would take seconds; a run of 30 s has 80 contacts and as many toe-offs
MOST = {"frames": 1000, "events": 1600}


def placed_trial(content: str, trial: Trial) -> PlacedTrial:
    """The landmarks and events of a text by the schema; raises BadFile with every error.

    Capture rate, speed and incline are those of the trial: a text that gives others is refused,
    and so are events that contradict one another.
    """
    data = load_json(content)
    placed = read_measurement(data, _schema())
    errors = [*_too_many(data), *_other_settings(data, trial)]
    errors = errors or _contradictions(placed)
    if errors:
        raise BadFile(errors)
    return placed


@lru_cache(maxsize=1)
def _schema() -> Any:
    return load_json((settings.REFERENCE_DIR / SCHEMA).read_text(encoding="utf-8"))


def _too_many(data: Mapping[str, Any]) -> list[FileError]:
    return [
        FileError(f"/{name}", f"{most} at most")
        for name, most in MOST.items()
        if len(data.get(name, [])) > most
    ]


def _other_settings(data: Mapping[str, Any], trial: Trial) -> list[FileError]:
    errors = []
    for key, words in OF_TRIAL.items():
        own, given = getattr(trial, COLUMNS[key]), data.get(key)
        if given != own:
            here, there = (number_words(one) or "not given" for one in (given, own))
            text = f"{words} {here}, of the trial {there}: make the two agree"
            errors.append(FileError(f"/{key}", text))
    return errors


def _contradictions(placed: PlacedTrial) -> list[FileError]:
    try:
        timing_of(placed)
    except EventError as error:
        return [event_error(error)]
    return []


def settings_of(trial: Trial) -> dict[str, float]:
    """Capture rate, speed and incline of a trial, as its content names them."""
    found = {key: getattr(trial, column) for key, column in COLUMNS.items()}
    return {key: float(value) for key, value in found.items() if value is not None}


def named_moments(moments: Sequence[Sequence[Any]]) -> Named:
    """The instants that somebody named, from how they are stored."""
    return {
        (int(frame), Side(side) if side else None): Moment(moment)
        for frame, side, moment in moments
    }


@transaction.atomic
def save_placement(
    *,
    trial: Trial,
    view: str,
    content: Mapping[str, Any],
    moments: Sequence[Sequence[Any]],
    seen: int,
    by: Staff,
) -> Placement:
    """Save and return the next version of what was placed on one view of a trial.

    content: by the schema, numbers of any kind; what it does not give of the trial is taken from
    there; moments: as Placement has them, those of frames that are gone are left out; seen: the
    version that the page showed, 0 for none. Raises BadFile for content that is refused,
    ValidationError when the assessment is signed, another version was saved, or the client has
    refused or withdrawn filming.
    """
    refuse_fixed(trial.assessment)
    consents.refuse_stopped(trial.assessment.client, ConsentPurpose.FILMING)
    text = content_text({**settings_of(trial), **content, "view": view})
    placed = placed_trial(text, trial)
    frames = {(frame.frame, frame.side) for frame in placed.frames}
    kept = [
        [frame, side.value if side else None, moment.value]
        for (frame, side), moment in named_moments(moments).items()
        if (frame, side) in frames
    ]
    row = Placement(
        site_id=trial.site_id,
        assessment=trial.assessment,
        trial=trial,
        view=view,
        version=seen + 1,
        content=text,
        moments=kept,
        sha256=sha256(text.encode()).hexdigest(),
        saved_at=timezone.now(),
        saved_by=by,
    )
    row.full_clean(validate_unique=False, validate_constraints=False)
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError as error:
        there = Placement.objects.newest(trial, view)
        if there and (there.version, there.content, there.saved_by) == (row.version, text, by):
            return there  # sent twice
        raise ValidationError(STALE) from error
    trail.record(
        TrailAction.CHANGE,
        by=by,
        row=trial,
        client=trial.assessment.client,
        view=view,
        placement=row.version,
        frames=len(placed.frames),
        events=len(placed.events),
    )
    return row


def content_text(content: Mapping[str, Any]) -> str:
    """Content as JSON text, the same bytes for the same content."""
    return json.dumps(content, sort_keys=True, default=float, allow_nan=False, ensure_ascii=False)


@dataclass
class Put:
    """What became of each value that was put into the assessment, by key of its answer.

    kept: keys of answers given by hand that stayed; steps: what the trial now says, None if its
    number of steps was left alone.
    """

    saving: Saving = field(default_factory=Saving)
    kept: list[str] = field(default_factory=list)
    steps: int | None = None


@transaction.atomic
def put_features(
    *,
    held: Stored,
    trial: Trial,
    placement: Placement,
    seen: Mapping[str, str],
    over: frozenset[str],
    by: Staff,
    tables: AssessmentTables,
) -> Put:
    """Write the features of a placement into the assessment and return what became of each.

    seen: key of an answer to what the page had seen of it; a value without one is left alone;
    over: keys of answers given by hand that may be written over, and "steps" for the number of
    steps of the trial. Raises BadFile where the placement does not fit the trial any more,
    ValidationError when it is signed or is not the newest.
    """
    refuse_fixed(trial.assessment)
    if placement != Placement.objects.newest(trial, placement.view):
        raise ValidationError(STALE)
    placed = placed_trial(placement.content, trial)
    put, typed = Put(), []
    for one in trial_features(placed, named_moments(placement.moments)):
        key = f"{OBSERVATION}.{one.feature}.{one.side}"
        feature = tables.features.get(one.feature)
        if key not in seen or feature is None:
            continue
        if by_hand(held, trial, one.feature, one.side.value) and key not in over:
            put.kept.append(key)
            continue
        value = one.observation(trial.code, feature.decimals)
        before = seen_of(seen[key])
        grade = before.grade if before.grade in {"0", "1", "2", "3"} else ""
        wanted = State(grade, number_words(value.value), method=Method.VIDEO_2D.value)
        computed = Computed(value.sd, int(one.measured.n))
        typed.append(Typed(OBSERVATION, one.feature, one.side.value, wanted, before, computed))
    put.saving = save_answers(held=held, trial=trial, typed=typed, by=by, tables=tables)
    steps = [one.computed.steps for one in typed if one.computed and one.key in put.saving.saved]
    put.steps = _steps(trial, steps, by=by, over="steps" in over)
    return put


def by_hand(held: Stored, trial: Trial, code: str, side: str) -> bool:
    """Whether somebody typed the value, or said that it was not seen."""
    row: Any = held.row(OBSERVATION, trial, code, side)
    return row is not None and (row.not_seen or (row.value is not None and row.steps is None))


def _steps(trial: Trial, steps: Sequence[int], *, by: Staff, over: bool) -> int | None:
    """Let the trial say of how few steps its values are the mean; a number given stays."""
    fewest = min((*steps, MOST_STEPS))
    given = trial.steps_averaged
    if not steps or fewest == given or (given is not None and not over):
        return None
    edit_trial(trial=trial, by=by, seen=trial.version, steps_averaged=fewest)
    return fewest
