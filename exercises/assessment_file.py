"""Reading of an assessment from JSON: either the whole value, or every error with its place."""

from collections.abc import Hashable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from assessments.domain.assessment import (
    Assessment,
    FactValue,
    Lift,
    Observation,
    StrengthTest,
    Trial,
)
from assessments.domain.vocabulary import (
    Answer,
    AssessmentKind,
    Keeps,
    Method,
    Shoes,
    Side,
    Surface,
)
from clinic.json_files import checked
from clinic.schema_errors import FileError, is_number, pointer_to, shown
from exercises.domain.edition import Edition


def read_assessment(data: Any, schema: Mapping[str, Any], edition: Edition) -> Assessment:
    """The assessment that a JSON value holds.

    data: from `load_json`, or plain Python values; schema: assessment.schema.json. Raises
    BadFile with every error; nothing of a bad file is used. Source: EVALUATION.md, 2.
    """
    return _assessment(checked(data, schema, lambda one: _semantic_errors(one, edition)))


def _semantic_errors(data: Mapping[str, Any], edition: Edition) -> list[FileError]:
    """What a schema cannot say. Places of a wrong shape are left to the schema."""
    return [
        *_twice(data, "trials", ("id",), "trial"),
        *_twice(data, "observations", ("feature", "side", "trial"), "observation"),
        *_twice(data, "tests", ("test", "side"), "test"),
        *_twice(data, "scores", ("score",), "score"),
        *_unknown_trials(data),
        *_bad_lifts(data),
        *_implausible(data, edition),
    ]


def _listed(data: Mapping[str, Any], name: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    items = data.get(name)
    for place, item in enumerate(items if isinstance(items, list) else ()):
        if isinstance(item, Mapping):
            yield f"/{name}/{place}", item


def _twice(
    data: Mapping[str, Any], name: str, keys: Sequence[str], what: str
) -> Iterator[FileError]:
    seen: dict[Hashable, str] = {}
    for pointer, item in _listed(data, name):
        key = tuple(item.get(one) for one in keys)
        if not all(isinstance(part, str) for part in key):
            continue
        if key in seen:
            named = " ".join(str(part) for part in key)
            yield FileError(pointer, f"{what} {named} stands at {seen[key]} already")
        seen.setdefault(key, pointer)


def _unknown_trials(data: Mapping[str, Any]) -> Iterator[FileError]:
    known = {
        item.get("id") for _, item in _listed(data, "trials") if isinstance(item.get("id"), str)
    }
    for pointer, item in _listed(data, "observations"):
        trial = item.get("trial")
        if isinstance(trial, str) and trial not in known:
            yield FileError(f"{pointer}/trial", f"there is no trial {shown(trial)}")


def _bad_lifts(data: Mapping[str, Any]) -> Iterator[FileError]:
    assessed_on = _date(data.get("assessed_on"))
    screening = data.get("screening")
    answers = screening.get("answers") if isinstance(screening, Mapping) else None
    for code, answer in answers.items() if isinstance(answers, Mapping) else ():
        lifted_on = _date(answer.get("lifted_on")) if isinstance(answer, Mapping) else None
        if assessed_on and lifted_on and lifted_on > assessed_on:
            at = pointer_to(["screening", "answers", code, "lifted_on"])
            yield FileError(at, f"{lifted_on} is after the assessment of {assessed_on}")


def _date(value: Any) -> date | None:
    try:
        return date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return None


def _implausible(data: Mapping[str, Any], edition: Edition) -> Iterator[FileError]:
    """Codes and ranges of the edition, where the schema given is not the edition's own."""
    tables = edition.tables
    for name, key, rows in (
        ("observations", "feature", tables.features),
        ("tests", "test", tables.tests),
        ("scores", "score", tables.scores),
    ):
        known: Mapping[str, Any] = rows
        for pointer, item in _listed(data, name):
            row, value = known.get(str(item.get(key))), item.get("value")
            if row is None or value is None or not is_number(None, value):
                continue
            if not row.plausible.holds(Decimal(value)):
                low, high = row.plausible.low, row.plausible.high
                text = f"{shown(value)} is outside the plausible range {low} to {high}"
                yield FileError(f"{pointer}/value", text)


def _assessment(data: Mapping[str, Any]) -> Assessment:
    answers = data["screening"]["answers"]
    return Assessment(
        kind=AssessmentKind(data["kind"]),
        assessed_on=date.fromisoformat(data["assessed_on"]),
        facts=_facts(data),
        screened_on=_date(data["screening"].get("screened_on")),
        answers={code: _answer(answer) for code, answer in answers.items()},
        lifts={code: _lift(lift) for code, lift in answers.items() if isinstance(lift, Mapping)},
        trials=tuple(_trial(trial) for trial in data["trials"]),
        observations=tuple(_observation(one) for one in data["observations"]),
        tests=tuple(_test(one) for one in data["tests"]),
        scores={one["score"]: _number_or_word(one["value"]) for one in data["scores"]},
    )


def _facts(data: Mapping[str, Any]) -> dict[str, FactValue]:
    facts: dict[str, FactValue] = {}
    for part in ("client", "episode", "history"):
        for code, value in data[part].items():
            facts[code] = tuple(value) if isinstance(value, list) else _number_or_word(value)
    return facts


def _number_or_word(value: Any) -> Decimal | str:
    return value if isinstance(value, str) else Decimal(value)


def _answer(answer: Any) -> Answer:
    return Answer.YES_LIFTED if isinstance(answer, Mapping) else Answer(answer)


def _lift(lift: Mapping[str, Any]) -> Lift:
    return Lift(
        lifted_on=date.fromisoformat(lift["lifted_on"]),
        lifted_by=lift["lifted_by"],
        reason=lift["reason"],
        keeps=Keeps(lift.get("keeps", Keeps.NOTHING)),
    )


def _trial(trial: Mapping[str, Any]) -> Trial:
    names = ("speed_m_s", "incline_percent", "frame_rate_hz", "steps_averaged")
    numbers: dict[str, Any] = {name: Decimal(trial[name]) for name in names if name in trial}
    return Trial(
        id=trial["id"],
        surface=Surface(trial["surface"]) if "surface" in trial else None,
        shoes=Shoes(trial["shoes"]) if "shoes" in trial else None,
        **numbers,
    )


def _observation(observation: Mapping[str, Any]) -> Observation:
    return Observation(
        feature=observation["feature"],
        side=Side(observation["side"]),
        trial=observation["trial"],
        grade=int(observation["grade"]) if "grade" in observation else None,
        method=Method(observation["method"]) if "method" in observation else None,
        **_measured(observation.get("value")),
    )


def _test(test: Mapping[str, Any]) -> StrengthTest:
    return StrengthTest(test=test["test"], side=Side(test["side"]), **_measured(test["value"]))


def _measured(value: Any) -> dict[str, Any]:
    if isinstance(value, str):
        return {"choice": value}
    return {"value": None if value is None else Decimal(value)}
