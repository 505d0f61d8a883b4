"""Reading of exercises, sentences and policy; every bad cell stays in the reader."""

import re
from collections.abc import Mapping
from decimal import Decimal

from assessments.domain.tables import AssessmentTables
from assessments.domain.vocabulary import Area, Evidence, FactKind
from clinic.domain.tables import Reader, Row
from exercises.domain.dose import Dose
from exercises.domain.library import (
    Exercise,
    PolicyRow,
    Sentence,
    SentenceKind,
    WorkKind,
)

EXERCISE_COLUMNS = [
    "code",
    "source_id",
    "area",
    "name",
    "purpose",
    "targets",
    "kit",
    "kit_alternative",
    "impact",
    "running_cue",
    "tissue_loaded",
    "sets",
    "reps",
    "hold_s",
    "duration_min",
    "per_side",
    "tempo_s_per_rep",
    "rest_s",
    "sessions_per_week",
    "weeks",
    "intensity",
    "pain_ceiling",
    "easier",
    "harder",
    "start_position",
    "movement",
    "cues",
    "feel",
    "cautions",
    "contraindicated_by",
    "dose_source",
    "evidence",
    "work_kind",
    "distance_m",
]
NOTE_COLUMNS = ("code", "kind", "page_sentence", "letter_sentence", "handout_sentence")
POLICY_COLUMNS = ("code", "topic", "question", "default", "affects", "source", "evidence")
TISSUES = frozenset(
    [
        "achilles_calf",
        "bone",
        "foot",
        "hamstring",
        "hip_flexor",
        "lateral_hip",
        "lumbar",
        "patellofemoral",
        "plantar",
        "shoulder",
    ]
)
DOSE_NUMBERS = (
    "sets", "reps", "hold_s", "duration_min", "tempo_s_per_rep", "rest_s", "sessions_per_week",
    "weeks",
)  # fmt: skip
SETTINGS = frozenset(
    f"setting:{name}"
    for name in (
        "pain_zones",
        "possible_bone_regions",
        "blood_pressure_limit",
        "screening_age_days",
        "rules_may_propose",
    )
)


def read_exercises(reader: Reader, tables: AssessmentTables) -> dict[str, Exercise]:
    """Exercises by code in file order, each easier or harder step being one of them or a text."""
    rows = reader.rows("exercises.csv", EXERCISE_COLUMNS)
    reader.once(rows, "code")
    reader.once(rows, "source_id")
    codes = {row["code"] for row in rows}
    for row in rows:
        for column in ("easier", "harder"):
            step = reader.text(row, column)
            if " " not in step and step not in codes:
                reader.refuse(row, f"{column}: unknown exercise {step!r}")
            if step == row["code"]:
                reader.refuse(row, f"{column}: the exercise names itself")
    return {row["code"]: _exercise(reader, row, tables) for row in rows}


def _exercise(reader: Reader, row: Row, tables: AssessmentTables) -> Exercise:
    kit = tables.facts["equipment"].choices if "equipment" in tables.facts else ()
    asked = {code for code, fact in tables.facts.items() if fact.kind is FactKind.YES_NO}
    if row["impact"] not in ("0", "1", "2"):
        reader.refuse(row, f"impact: {row['impact']!r} is not 0, 1 or 2")
    if not re.fullmatch(r"[a-z0-9_]+", row["code"]):
        reader.refuse(row, f"code: {row['code']!r} has other signs than a to z, 0 to 9 and _")
    return Exercise(
        code=row["code"],
        source_id=reader.text(row, "source_id"),
        area=reader.word(row, "area", Area),
        name=reader.text(row, "name"),
        purpose=reader.text(row, "purpose"),
        targets=reader.known_list(row, "targets", tables.findings, "finding"),
        kit=reader.known_list(row, "kit", kit, "kit"),
        kit_alternative=row["kit_alternative"],
        impact=int(row["impact"]) if row["impact"] in ("0", "1", "2") else 0,
        running_cue=reader.yes(row, "running_cue"),
        tissue_loaded=reader.known_list(row, "tissue_loaded", TISSUES, "tissue"),
        dose=_dose(reader, row),
        intensity=row["intensity"],
        pain_ceiling=_pain_ceiling(reader, row),
        easier=row["easier"],
        harder=row["harder"],
        start_position=reader.text(row, "start_position"),
        movement=_steps(reader, row, "movement"),
        cues=_steps(reader, row, "cues"),
        feel=row["feel"],
        cautions=reader.text(row, "cautions"),
        contraindicated_by=reader.known_list(
            row, "contraindicated_by", {*tables.flags, *asked}, "flag or yes/no fact"
        ),
        dose_source=reader.text(row, "dose_source"),
        evidence=reader.word(row, "evidence", Evidence),
        work_kind=reader.word(row, "work_kind", WorkKind),
        distance_m=reader.positive(row, "distance_m"),
    )


def _steps(reader: Reader, row: Row, column: str) -> tuple[str, ...]:
    reader.text(row, column)
    return reader.listed(row, column)


def _pain_ceiling(reader: Reader, row: Row) -> Decimal:
    ceiling = reader.needed_number(row, "pain_ceiling")
    if not 0 <= ceiling <= 10:
        reader.refuse(row, f"pain_ceiling: {ceiling} is not between 0 and 10")
    return ceiling


def _dose(reader: Reader, row: Row) -> Dose:
    numbers = {column: reader.positive(row, column) for column in DOSE_NUMBERS}
    dose = Dose(per_side=reader.yes(row, "per_side"), **numbers)
    reps = dose.reps is not None
    if dose.sessions_per_week is None or dose.weeks is None:
        reader.refuse(row, "sessions_per_week and weeks must be given")
    if (dose.duration_min is None) == (dose.sets is None):
        reader.refuse(row, "either sets or duration_min must be given")
    if dose.sets is not None and not reps and dose.hold_s is None:
        reader.refuse(row, "sets need reps or hold_s")
    if reps != (dose.tempo_s_per_rep is not None):
        reader.refuse(row, "reps and tempo_s_per_rep belong together")
    return dose


def read_sentences(reader: Reader) -> dict[tuple[str, SentenceKind], Sentence]:
    """Sentences of notes.csv by code and kind."""
    rows = reader.rows("notes.csv", NOTE_COLUMNS)
    reader.once(rows, "code", "kind")
    sentences = [
        Sentence(
            code=reader.text(row, "code"),
            kind=reader.word(row, "kind", SentenceKind),
            page=reader.text(row, "page_sentence"),
            letter=row["letter_sentence"],
            handout=row["handout_sentence"],
        )
        for row in rows
    ]
    return {(sentence.code, sentence.kind): sentence for sentence in sentences}


def read_policy(
    reader: Reader, tables: AssessmentTables, rules: Mapping[str, object]
) -> tuple[PolicyRow, ...]:
    """Rows of policy.csv; what they affect must exist."""
    rows = reader.rows("policy.csv", POLICY_COLUMNS)
    reader.once(rows, "code")
    affected = {*rules, *tables.flags, *SETTINGS}
    return tuple(
        PolicyRow(
            code=reader.text(row, "code"),
            topic=reader.text(row, "topic"),
            question=reader.text(row, "question"),
            default=reader.text(row, "default"),
            affects=reader.known_list(row, "affects", affected, "rule, flag or setting"),
            source=reader.text(row, "source"),
            evidence=reader.word(row, "evidence", Evidence),
        )
        for row in rows
    )
