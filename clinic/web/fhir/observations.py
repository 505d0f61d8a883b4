"""What was seen, tested, scored and asked: Observation."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from assessments.domain.tables import AssessmentTables, Fact, Feature, Score, TestRow
from assessments.domain.vocabulary import ScoreKind
from assessments.models import (
    Addendum,
    Assessment,
    HistoryAnswer,
    Observation,
    Placement,
    RunningHistory,
    ScoreValue,
    Screening,
    ScreeningAnswer,
    TestResult,
    Trial,
)
from clinic.models import Client, Staff
from clinic.web.fhir.people import of_client
from clinic.web.fhir.sheet import Resource, Sheet, coded, quantity

Measure = Feature | TestRow | Score
Row = Observation | TestResult | ScoreValue
YES_NO = {"yes": True, "no": False}
CM_IN_M = 100
# facts that FHIR counts among the vital signs, in the unit that its profiles ask for
VITAL = {"height_m": ("cm", CM_IN_M), "mass_kg": ("kg", 1)}
SETTINGS = {
    "position": ("trial.position", ""),
    "speed_m_s": ("trial.speed", "m/s"),
    "incline_percent": ("trial.incline", "%"),
    "frame_rate_hz": ("trial.frame_rate", "Hz"),
    "steps_averaged": ("trial.steps_averaged", "steps"),
    "surface": ("trial.surface", ""),
    "shoes": ("trial.shoes", ""),
    "camera": ("trial.camera", ""),
}
# kind of answer: letter of a correction's key, word of our codes, name of the code's column
SPECIES: dict[type[Row], tuple[str, str, str]] = {
    Observation: ("o", "feature", "feature_id"),
    TestResult: ("t", "test", "test_id"),
    ScoreValue: ("s", "score", "score_id"),
}


@dataclass(frozen=True)
class Looked:
    """One assessment with its rows as amended, and what its resources share."""

    assessment: Assessment
    tables: AssessmentTables
    trials: list[Trial]
    rows: list[Row]
    addenda: list[Addendum]
    placements: list[Placement]

    @property
    def status(self) -> str:
        return "final" if self.assessment.is_signed else "preliminary"

    def position(self, row: Row) -> int:
        """Number of the row's trial, 0 for tests and scores."""
        trial = getattr(row, "trial_id", None)
        return next((one.position for one in self.trials if one.pk == trial), 0)

    def corrected(self, row: Row) -> Addendum | None:
        """The last addendum that corrected this answer."""
        letter, _, column = SPECIES[type(row)]
        key = f"{letter}.{getattr(row, column)}.{getattr(row, 'side', 'none')}"
        found = None
        for addendum in self.addenda:
            for change in addendum.changes:
                if change["key"] == key and (change["trial"] or 0) == self.position(row):
                    found = addendum
        return found


def key_of(row: Row, looked: Looked) -> str:
    """What tells one answer from all others; also for one that only a correction made."""
    letter, _, column = SPECIES[type(row)]
    side = getattr(row, "side", "none")
    code, at = getattr(row, column), looked.position(row)
    return f"{looked.assessment.pk}/{letter}/{at}/{code}/{side}"


def says_something(row: Row) -> bool:
    return bool(
        row.value is not None
        or row.choice
        or getattr(row, "grade", None) is not None
        or getattr(row, "not_seen", False)
    )


def observations(looked: Looked, sheet: Sheet) -> Iterator[Resource]:
    """One resource for each trial and each answer."""
    rows = [row for row in looked.rows if says_something(row)]
    for trial in looked.trials:
        members = [row for row in rows if getattr(row, "trial_id", None) == trial.pk]
        yield _trial(trial, members, looked, sheet)
    for row in rows:
        yield _answer(row, looked, sheet)


def _common(looked: Looked, sheet: Sheet) -> Resource:
    assessment = looked.assessment
    return {
        "status": looked.status,
        "subject": of_client(assessment.client, sheet),
        "encounter": sheet.ref("Encounter", assessment.pk),
        "effectiveDateTime": assessment.assessed_on.isoformat(),
    }


def _trial(trial: Trial, members: list[Row], looked: Looked, sheet: Sheet) -> Resource:
    parts = []
    for name, (code, unit) in SETTINGS.items():
        value = getattr(trial, name)
        if value not in (None, ""):
            parts.append({"code": sheet.concept(code), **_setting(value, code, unit, sheet)})
    return sheet.resource(
        "Observation",
        f"trial-{trial.pk}",
        **_common(looked, sheet),
        category=[_category("exam")],
        code=sheet.concept("trial.settings", text=f"Trial {trial.position}"),
        performer=[sheet.person(looked.assessment.clinician)],
        hasMember=[sheet.ref("Observation", key_of(row, looked)) for row in members],
        component=parts,
    )


def _setting(value: Any, code: str, unit: str, sheet: Sheet) -> Resource:
    if unit:
        return {"valueQuantity": quantity(value, unit)}
    if isinstance(value, int):
        return {"valueInteger": value}
    return {"valueCodeableConcept": _choice(value, code, sheet)}


def _choice(word: str, code: str, sheet: Sheet) -> Resource:
    plain = word.replace("_", " ")
    return sheet.concept(f"{code}.{word}", plain, f"The answer “{plain}” to {code}.")


def _category(code: str) -> Resource:
    return coded("observation-category", code)


def _answer(row: Row, looked: Looked, sheet: Sheet) -> Resource:
    _, word, column = SPECIES[type(row)]
    code = getattr(row, column)
    measure = _measure(word, code, looked.tables)
    correction = looked.corrected(row)
    authors = [row.saved_by, *([correction.author] if correction else [])]
    elements = _common(looked, sheet)
    if correction:
        elements["status"] = "amended"
    method = getattr(row, "method", "")
    return sheet.resource(
        "Observation",
        key_of(row, looked),
        **elements,
        category=[_category("survey" if word == "score" else "exam")],
        code=_code(word, measure, sheet),
        issued=sheet.instant(correction.entered_at if correction else row.saved_at),
        performer=_people(authors, sheet),
        **_value(row, f"{word}.{code}", measure, sheet),
        bodySite=sheet.side(getattr(row, "side", "none")),
        method=sheet.concept(f"method.{method}") if method else None,
        component=_components(row, measure, sheet),
    )


def _measure(word: str, code: str, tables: AssessmentTables) -> Measure:
    named: Mapping[str, Mapping[str, Measure]] = {
        "feature": tables.features,
        "test": tables.tests,
        "score": tables.scores,
    }
    return named[word][code]


def _people(staff: list[Staff], sheet: Sheet) -> list[Resource]:
    return [sheet.person(one) for one in {one.pk: one for one in staff}.values()]


def _code(word: str, measure: Measure, sheet: Sheet) -> Resource:
    return sheet.concept(f"{word}.{measure.code}", measure.name, definition(measure))


def definition(measure: Measure) -> str:
    """What a measure is, how it is taken, in which unit and direction, by its table."""
    parts = [f"{measure.name}."]
    if isinstance(measure, Feature):
        parts.append(f"{measure.how_to_observe} At: {_words(measure.instant)}.")
        parts += [f"Grade {at}: {text}." for at, text in enumerate(measure.grades) if text]
    elif isinstance(measure, TestRow):
        parts.append(measure.how_to_do)
    else:
        parts.append(measure.note)
    if measure.unit and measure.unit != "grade":
        parts.append(f"Unit: {measure.unit}.")
    higher = getattr(measure, "higher_means", "")
    if higher:
        parts.append(f"Higher means: {higher}.")
    return " ".join(part for part in parts if part)


def _words(code: str) -> str:
    return str(code).replace("_", " ")


def _value(row: Row, code: str, measure: Measure, sheet: Sheet) -> Resource:
    if row.value is not None:
        if isinstance(measure, Score) and measure.kind is ScoreKind.YES_NO:
            return {"valueBoolean": bool(row.value)}
        return {"valueQuantity": quantity(row.value, measure.unit)}
    if row.choice in YES_NO:
        return {"valueBoolean": YES_NO[row.choice]}
    if row.choice:
        return {"valueCodeableConcept": _choice(row.choice, code, sheet)}
    if getattr(row, "not_seen", False):
        return {"dataAbsentReason": coded("data-absent-reason", "unknown", text="not seen")}
    return {"valueCodeableConcept": _grade(row, measure, sheet)}


def _grade(row: Any, measure: Any, sheet: Sheet) -> Resource:
    words = measure.grades[row.grade] if row.grade < len(measure.grades) else ""
    return sheet.concept(f"grade.{row.grade}", text=words)


def _components(row: Row, measure: Any, sheet: Sheet) -> list[Resource]:
    """The grade beside a value, and the error that a value has."""
    if row.value is None:
        return []
    parts = []
    if getattr(row, "grade", None) is not None:
        parts.append(
            {
                "code": sheet.concept("part.grade"),
                "valueCodeableConcept": _grade(row, measure, sheet),
            }
        )
    sd = getattr(row, "sd", None)
    if sd is not None:
        error = quantity(sd, measure.unit)
        parts.append({"code": sheet.concept("part.standard_error"), "valueQuantity": error})
    steps = getattr(row, "steps", None)
    if steps is not None:
        parts.append({"code": sheet.concept("part.mean_of"), "valueInteger": steps})
    if measure.detectable_difference is not None:
        error = quantity(measure.detectable_difference, measure.unit)
        parts.append({"code": sheet.concept("part.detectable_difference"), "valueQuantity": error})
    return parts


# Running history and screening


@dataclass(frozen=True)
class Round:
    """One history or screening with its answers; `fixed` once a signed assessment rests on it."""

    row: RunningHistory | Screening
    answers: list[Any]
    tables: AssessmentTables
    client: Client
    fixed: bool

    @property
    def common(self) -> tuple[str, date, Staff]:
        status = "final" if self.fixed else "preliminary"
        if isinstance(self.row, Screening):
            return status, self.row.screened_on, self.row.screened_by
        return status, self.row.taken_on, self.row.taken_by


def _asked(one: Round, key: str, sheet: Sheet, **elements: Any) -> Resource:
    status, on, by = one.common
    return sheet.resource(
        "Observation",
        key,
        status=status,
        subject=of_client(one.client, sheet),
        effectiveDateTime=on.isoformat(),
        performer=[sheet.person(by)],
        **elements,
    )


def history(one: Round, sheet: Sheet) -> Iterator[Resource]:
    """One resource for each fact of a running history."""
    for answer in one.answers:
        fact = one.tables.facts[answer.fact_id]
        value = _fact_value(answer, fact, sheet)
        if value:
            yield _asked(
                one,
                f"history-{answer.pk}",
                sheet,
                category=[_category("vital-signs" if fact.code in VITAL else "social-history")],
                code=sheet.concept(f"fact.{fact.code}", fact.name, fact.question),
                **value,
            )
    for name in ("injured_on", "gave_birth_on"):
        day = getattr(one.row, name)
        if day:
            yield _asked(
                one,
                f"history-{one.row.pk}/{name}",
                sheet,
                category=[_category("social-history")],
                code=sheet.concept(f"record.{name}"),
                valueDateTime=day.isoformat(),
            )


def _fact_value(answer: HistoryAnswer, fact: Fact, sheet: Sheet) -> Resource:
    code = f"fact.{fact.code}"
    if answer.value is not None:
        unit, times = VITAL.get(fact.code, (fact.unit, 1))
        return {"valueQuantity": quantity(Decimal(answer.value) * times, unit)}
    if answer.items:
        part = sheet.concept("part.item")
        items = [_choice(str(item), code, sheet) for item in answer.items]
        return {"component": [{"code": part, "valueCodeableConcept": one} for one in items]}
    if answer.items is not None:
        return {"valueString": "none"}
    if answer.choice in YES_NO:
        return {"valueBoolean": YES_NO[answer.choice]}
    return {"valueCodeableConcept": _choice(answer.choice, code, sheet)} if answer.choice else {}


def screening(one: Round, sheet: Sheet) -> Iterator[Resource]:
    """One resource for each question, with its lift where a yes was lifted."""
    for answer in one.answers:
        flag = one.tables.flags[answer.flag_id]
        words = flag.question or flag.clinician_sign  # a sign is seen, not asked for
        yield _asked(
            one,
            f"screening-{answer.pk}",
            sheet,
            category=[_category("survey")],
            code=sheet.concept(f"flag.{flag.code}", words, words),
            **_flag_value(answer),
            component=_lift(answer, sheet),
        )


def _flag_value(answer: ScreeningAnswer) -> Resource:
    if answer.answer in YES_NO:
        return {"valueBoolean": YES_NO[answer.answer]}
    return {"dataAbsentReason": coded("data-absent-reason", "not-asked", text="not asked")}


def _lift(answer: ScreeningAnswer, sheet: Sheet) -> list[Resource]:
    if not answer.lifted_on:
        return []
    return [
        {
            "code": sheet.concept("part.lift"),
            "valueCodeableConcept": _choice(answer.keeps, "part.lift", sheet),
        },
        {"code": sheet.concept("part.lifted_on"), "valueDateTime": answer.lifted_on.isoformat()},
        {"code": sheet.concept("part.lift_reason"), "valueString": answer.reason},
    ]


def sex_for_norms(client: Client, sheet: Sheet, fact: Fact) -> Resource | None:
    """Which norms results are compared with; no statement on gender."""
    if not client.sex_for_norms:
        return None
    return sheet.resource(
        "Observation",
        f"sex-{client.pk}",
        status="final",
        category=[_category("social-history")],
        code=sheet.concept(f"fact.{fact.code}", fact.name, fact.question),
        subject=of_client(client, sheet),
        valueCodeableConcept=_choice(client.sex_for_norms, f"fact.{fact.code}", sheet),
    )
