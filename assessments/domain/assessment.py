"""What one assessment holds: values only, numbers as decimals."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from assessments.domain.vocabulary import (
    Answer,
    AssessmentKind,
    Keeps,
    Method,
    Shoes,
    Side,
    Surface,
)

FactValue = Decimal | str | tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Trial:
    """One run at one speed (m/s), incline (%), surface, shoe and camera rate (frames/s).

    camera: left or right, the side of the runner that the camera stood on; None if not said.
    """

    id: str
    surface: Surface | None = None
    speed_m_s: Decimal | None = None
    incline_percent: Decimal | None = None
    frame_rate_hz: Decimal | None = None
    steps_averaged: Decimal | None = None
    shoes: Shoes | None = None
    camera: Side | None = None


@dataclass(frozen=True, slots=True)
class Observation:
    """One feature on one side in one trial: a value, a grade, both, or a choice.

    sd: standard error of a computed value in its unit, None where none was computed.
    """

    feature: str
    side: Side
    trial: str
    value: Decimal | None = None
    grade: int | None = None
    choice: str | None = None
    method: Method | None = None
    sd: Decimal | None = None


@dataclass(frozen=True, slots=True)
class StrengthTest:
    """Result of one strength or mobility test on one side: a value or a choice."""

    test: str
    side: Side
    value: Decimal | None = None
    choice: str | None = None


@dataclass(frozen=True, slots=True)
class Lift:
    """Why, when and by whom a flag was lifted, and what it keeps withholding."""

    lifted_on: date
    lifted_by: str
    reason: str
    keeps: Keeps = Keeps.NOTHING


@dataclass(frozen=True, slots=True)
class Assessment:
    """One dated look at one client's running.

    facts: history code to number, word or list; scores: score code to number or yes/no;
    answers: flag code to answer, a missing flag counts as not asked; lifts: one for each
    answer yes_lifted; trials in the order in which they count.
    """

    kind: AssessmentKind
    assessed_on: date
    facts: Mapping[str, FactValue]
    screened_on: date | None
    answers: Mapping[str, Answer]
    lifts: Mapping[str, Lift]
    trials: tuple[Trial, ...]
    observations: tuple[Observation, ...]
    tests: tuple[StrengthTest, ...]
    scores: Mapping[str, Decimal | str]

    def answer(self, flag: str) -> Answer:
        """The answer to a flag; a missing one counts as not asked."""
        return self.answers.get(flag, Answer.NOT_ASKED)
