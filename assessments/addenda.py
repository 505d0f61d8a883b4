"""Addenda as pages show them, and what an addendum can be about."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.utils import timezone

from assessments.answer_states import FIELDS, State
from assessments.domain.tables import AssessmentTables
from assessments.grid import NARRATIVE, Cell, Line, sections
from assessments.measure_words import METHOD_WORDS, Measure, measure_of, state_words
from assessments.models import Addendum, Trial
from assessments.stored_answers import OBSERVATION, Stored

WHOLE = "the whole assessment"


@dataclass(frozen=True)
class Target:
    """An answer that can be corrected, with what it says now."""

    line: Line
    cell: Cell
    trial: Trial

    @property
    def key(self) -> str:
        return self.cell.key

    @property
    def place(self) -> str:
        """Where the answer stands, in words."""
        many = self.cell.kind == OBSERVATION
        return f"{self.cell.label}, trial {self.trial.position}" if many else self.cell.label

    @property
    def now(self) -> str:
        return words_of(self.cell.state, self.line.measure)


@dataclass(frozen=True)
class Shown:
    """One addendum with its words."""

    row: Addendum
    about: str
    changes: tuple[str, ...]
    late_days: int


def shown(row: Addendum, tables: AssessmentTables) -> Shown:
    changes = tuple(change_words(one, tables) for one in row.changes)
    return Shown(row, about_words(row.about, tables), changes, late(row.acted_on, row.entered_at))


def late(acted_on: date, entered_at: datetime) -> int:
    """Days between an act and its entry, 0 when it was written on the same day.

    Source: CSP Quality Assurance Standards 2012, 6.1.1: records are written on the day.
    """
    return max((timezone.localtime(entered_at).date() - acted_on).days, 0)


def answers_late(held: Stored) -> int:
    """Days after its own day on which the last answer of an assessment was given."""
    given = [row.saved_at for row in held.rows.values() if row.pk]
    return max((late(held.assessment.assessed_on, one) for one in given), default=0)


def change_words(change: Mapping[str, Any], tables: AssessmentTables) -> str:
    """A corrected answer in words: what it was and what it is."""
    kind, code, side = change["key"].split(".")
    measure = measure_of(kind, code, tables)
    if measure is None:
        raise ValueError(f"no measure {code} of kind {kind}")
    named = [measure.name, *([side] if side != "none" else [])]
    if change["trial"]:
        named.append(f"trial {change['trial']}")
    was, now = (words_of(State(**change[word]), measure) for word in ("was", "now"))
    return f"{', '.join(named)}: was {was}, is {now}"


def words_of(state: State, measure: Measure) -> str:
    """An answer in words, also one of which the method alone is given, or nothing."""
    methods = {str(one): words for one, words in METHOD_WORDS.items()}
    return state_words(state, measure) or methods.get(state.method, "not answered")


def about_words(about: str, tables: AssessmentTables) -> str:
    """What an addendum is about."""
    if about.count(".") != 2:
        return PARTS.get(about, "") or about.replace("_", " ") or WHOLE
    kind, code, side = about.split(".")
    measure = measure_of(kind, code, tables)
    name = measure.name if measure else code
    return name if side == "none" else f"{name}, {side}"


PARTS = {
    **{name: label for name, (label, _) in NARRATIVE.items()},
    "tests": "Tests",
    "scores": "Pain and function",
}


def parts(held: Stored, tables: AssessmentTables) -> list[tuple[str, str]]:
    """Parts of an assessment that an addendum can be about, by code."""
    found = [(one.code, one.name) for one in sections(held, held.trials[0], tables)]
    return [*found, *((name, label) for name, (label, _) in NARRATIVE.items())]


def targets(held: Stored, tables: AssessmentTables) -> list[tuple[str, list[tuple[str, str]]]]:
    """Keys and names of all answers, by section."""
    return [
        (one.name, [(cell.key, cell.label) for line in one.lines for cell in line.cells])
        for one in sections(held, held.trials[0], tables)
    ]


def target_of(key: str, held: Stored, trial: Trial, tables: AssessmentTables) -> Target | None:
    """The answer of a key, None where the edition asks no such thing."""
    for section in sections(held, trial, tables) if key else []:
        for line in section.lines:
            for cell in line.cells:
                if cell.key == key:
                    return Target(line, cell, trial)
    return None


def wanted_state(data: Mapping[str, Any], seen: State) -> State:
    """The answer that a form gives, with the stored method where it does not ask for one."""
    given = {name: str(data.get(name) or "").strip() for name in FIELDS if name != "method"}
    return State(**given, method=seen.method)


def standing(held: Stored, tables: AssessmentTables) -> dict[str, Any]:
    """What the assessment page says of its addenda and of late entries."""
    signed = held.assessment.is_signed
    rows = held.assessment.addenda.all() if signed else []
    return {
        "addenda": [shown(one, tables) for one in rows],
        "answers_late": answers_late(held) if signed else 0,
    }
