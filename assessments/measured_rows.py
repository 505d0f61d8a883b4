"""What was placed on film in words: values with their errors, what is missing, what to know."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from assessments.answer_states import number_words, seen_token, state_of
from assessments.domain.frame_results import FrameResult, frame_results
from assessments.domain.measured import Measured, printed
from assessments.domain.measured_features import MeasuredFeature
from assessments.domain.measurement import measurement, trial_features
from assessments.domain.missing_features import MissingFeature, missing_features
from assessments.domain.placed import PlacedTrial
from assessments.domain.tables import AssessmentTables, Feature
from assessments.domain.vocabulary import Side
from assessments.measure_words import computed_words, state_words, with_error
from assessments.models import Placement, Trial
from assessments.services.placements import by_hand, named_moments, placed_trial
from assessments.stored_answers import OBSERVATION, Row, Stored
from clinic.json_files import BadFile
from clinic.schema_errors import FileError

# codes of which no feature comes: words and unit. Source: MEASUREMENT.md, last paragraph
FRAME_WORDS = {
    "body_line_lean": ("lean of the line from ankle to hip", "deg"),
    "hip_flexion": ("hip flexion, thigh against trunk", "deg"),
    "ankle_dorsiflexion": ("ankle dorsiflexion", "deg"),
    "heel_to_hip": ("heel ahead of the hip", "cm"),
    "knee_gap": ("distance between the knees", "cm"),
}
TIMING_WORDS = {
    "step_time": ("step time", "s"),
    "stride_time": ("stride time", "s"),
    "stride_length": ("stride length", "m"),
    "contact_time_symmetry_index": ("contact time, symmetry index", "%"),
    "contact_time_symmetry_angle": ("contact time, symmetry angle", "%"),
    "flight_time_symmetry_index": ("flight time, symmetry index", "%"),
    "flight_time_symmetry_angle": ("flight time, symmetry angle", "%"),
    "step_time_symmetry_index": ("step time, symmetry index", "%"),
    "step_time_symmetry_angle": ("step time, symmetry angle", "%"),
}
MODEL_WORDS = {
    "f_max": ("largest force on the ground, by the model", "N"),
    "com_displacement": ("drop of the centre of mass, by the model", "m"),
    "leg_compression": ("shortening of the leg, by the model", "m"),
    "k_vert": ("vertical stiffness, by the model", "kN/m"),
    "k_leg": ("leg stiffness, by the model", "kN/m"),
    "oxygen_cost": ("oxygen cost", "ml/kg/min"),
}


# names of the schema as the page calls them
PLAIN = {
    "mass_kg": "mass",
    "height_m": "height",
    "leg_length_m": "leg length",
    "speed_m_s": "speed",
    "frame_rate_hz": "frames a second",
    "standing_foot_deg": "foot angle in quiet standing",
    "scale_m_per_unit": "scale",
    "click_sd": "error of placing a point",
    "y_axis": "direction of y",
    "facing": "direction of running",
}


@dataclass(frozen=True)
class Offer:
    """One computed value beside the answer that stands there now.

    ask: somebody gave that answer by hand, so that one of the two is chosen.
    """

    key: str
    label: str
    words: str
    recorded: str
    method: str
    now: str
    seen: str
    ask: bool
    refused: str = ""

    @property
    def dom(self) -> str:
        return self.key.replace(".", "-")


@dataclass(frozen=True)
class Line:
    """One value that is shown and not recorded, with what must be said of it."""

    label: str
    words: str
    said: str = ""


@dataclass(frozen=True)
class Preview:
    """Everything that one placement gives; `errors` where it does not fit its trial any more."""

    offers: list[Offer] = field(default_factory=list)
    missing: list[Line] = field(default_factory=list)
    frames: list[Line] = field(default_factory=list)
    timing: list[Line] = field(default_factory=list)
    model: list[Line] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    errors: tuple[FileError, ...] = ()
    steps: int | None = None

    @property
    def asks(self) -> bool:
        return any(one.ask for one in self.offers)


def preview(placement: Placement, held: Stored, trial: Trial, tables: AssessmentTables) -> Preview:
    """What a placement gives, beside what the assessment holds."""
    try:
        placed = placed_trial(placement.content, trial)
    except BadFile as refusal:
        return Preview(errors=refusal.errors)
    named = named_moments(placement.moments)
    features = trial_features(placed, named)
    known = [one for one in features if one.feature in tables.features]
    results, whole = frame_results(placed), _json(placed)
    return Preview(
        offers=[_offer(one, held, trial, tables.features[one.feature]) for one in known],
        missing=[
            _missing(one, tables)
            for one in missing_features(placed, results, features, named)
            if one.feature in tables.features
        ],
        frames=list(_frame_lines(results)),
        timing=list(_timing_lines(whole["timing"])),
        model=list(_model_lines(whole["model"])),
        faults=[_fault(one) for one in whole["timing"]["missed_events"]],
        # missed and doubled events are named above
        warnings=[plain(one) for one in whole["warnings"] if not one.endswith(": left out")],
        steps=min((int(one.measured.n) for one in known), default=None),
    )


def plain(text: str) -> str:
    """A reason or warning of the domain without the names that only files use."""
    for name, words in PLAIN.items():
        text = text.replace(name, words)
    return text.replace("_", " ")


def _json(placed: PlacedTrial) -> Any:
    return measurement(placed)


def _offer(one: MeasuredFeature, held: Stored, trial: Trial, feature: Feature) -> Offer:
    row = held.row(OBSERVATION, trial, one.feature, one.side.value)
    value = one.observation(trial.code, feature.decimals).value
    return Offer(
        key=f"{OBSERVATION}.{one.feature}.{one.side}",
        label=_label(feature.name, one.side),
        words=measured_words(one.measured, feature.unit),
        recorded=f"{number_words(value)} {feature.unit}".strip(),
        method=one.measured.method,
        now=now_words(row, feature),
        seen=seen_token(row),
        ask=by_hand(held, trial, one.feature, one.side.value),
    )


def now_words(row: Row | None, feature: Feature) -> str:
    """The answer that stands there, with its error."""
    return with_error(state_words(state_of(row), feature), computed_words(row, feature))


def measured_words(measured: Measured, unit: str) -> str:
    """A value with its error, `7.3 ± 1.6 deg`."""
    return f"{measured} {unit}".strip()


def _label(name: str, side: Side) -> str:
    return name if side is Side.NONE else f"{name}, {side}"


def _missing(one: MissingFeature, tables: AssessmentTables) -> Line:
    return Line(_label(tables.features[one.feature].name, one.side), "", plain(str(one.reason)))


def _frame_lines(results: Iterable[FrameResult]) -> Iterable[Line]:
    for result in results:
        for code, (label, unit) in FRAME_WORDS.items():
            measured = result.values.get(code)
            if measured is not None:
                side = f", {result.side}" if result.side else ""
                yield Line(f"Frame {result.frame}{side}: {label}", measured_words(measured, unit))


def _timing_lines(rows: Mapping[str, Any]) -> Iterable[Line]:
    for code, (label, unit) in TIMING_WORDS.items():
        row = rows[code]
        if row["value"] is not None:
            there = [side for side in ("left", "right") if row[side] is not None]
            # an index has no side of its own
            sides = "" if unit == "%" else ", ".join(f"{side} {row[side]:.4g}" for side in there)
            yield Line(label.capitalize(), _json_words(row, unit), sides)


def _model_lines(rows: Mapping[str, Any]) -> Iterable[Line]:
    for code, (label, unit) in MODEL_WORDS.items():
        row = rows[code]
        words = "" if row["value"] is None else _json_words(row, unit)
        yield Line(label.capitalize(), words, plain(row["warning"] or ""))


def _json_words(row: Mapping[str, Any], unit: str) -> str:
    if row["sd"] is None:
        return f"{row['value']:.3g} {unit}, error not known"
    return f"{printed(row['value'], row['sd'])} {unit}"


def _fault(one: Mapping[str, Any]) -> str:
    kind = str(one["kind"]).replace("_", "-")
    at = f"frame {one['frame']}" if one["frame"] is not None else f"about {one['time_s']:.3g} s"
    return f"{str(one['fault']).capitalize()} {kind} of the {one['side']} foot, {at}"


def content_of(placement: Placement | None) -> dict[str, Any]:
    """The content as plain JSON values, empty where nothing was placed yet."""
    return json.loads(placement.content) if placement else {}
