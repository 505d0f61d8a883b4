"""Guards: what a trial must meet before a value of it may count."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from assessments.domain.assessment import Observation, StrengthTest, Trial
from assessments.domain.vocabulary import Method

PELVIS_HELD_TEST = "modified_thomas_pelvis_held"


class GuardKind(StrEnum):
    MIN_STEPS = "min_steps"
    MIN_FRAME_RATE = "min_frame_rate"
    SPEED = "speed"
    METHOD = "method"
    PELVIS_HELD = "pelvis_held"


@dataclass(frozen=True, slots=True)
class Guard:
    """One condition as written, with its numbers (steps, frames/s, m/s) or its method."""

    text: str
    kind: GuardKind
    low: Decimal | None = None
    high: Decimal | None = None
    method: Method | None = None

    def met(
        self, observation: Observation | None, trial: Trial | None, pelvis: StrengthTest | None
    ) -> bool:
        """Whether the condition holds; a fact that is not given does not meet it.

        pelvis: the test of a held pelvis on the same side. Source: EVALUATION.md, 5.
        """
        if self.kind is GuardKind.PELVIS_HELD:
            return pelvis is not None and pelvis.choice == "yes"
        if observation is None or trial is None:
            return False
        if self.kind is GuardKind.METHOD:
            return observation.method is self.method
        return self._reached(_fact(trial, self.kind))

    def _reached(self, number: Decimal | None) -> bool:
        if number is None:
            return False
        above = self.low is None or number >= self.low
        return above and (self.high is None or number <= self.high)


def unmet(
    guards: Iterable[Guard],
    observation: Observation | None,
    trial: Trial | None,
    pelvis: StrengthTest | None,
) -> tuple[str, ...]:
    """The guards that are not met, in the order written. Source: EVALUATION.md, 5."""
    return tuple(guard.text for guard in guards if not guard.met(observation, trial, pelvis))


def parsed_guard(text: str) -> Guard | None:
    """The guard that a text writes, None if it writes none. Source: fixtures/README.md."""
    kind, _, value = text.partition("=")
    number = r"\d+(?:\.\d+)?"
    if kind in (GuardKind.MIN_STEPS, GuardKind.MIN_FRAME_RATE) and re.fullmatch(number, value):
        return Guard(text, GuardKind(kind), low=Decimal(value))
    if text == "speed=known":
        return Guard(text, GuardKind.SPEED)
    if kind == GuardKind.SPEED and (ends := re.fullmatch(rf"({number})\.\.({number})", value)):
        low, high = map(Decimal, ends.groups())
        return Guard(text, GuardKind.SPEED, low, high) if low < high else None
    if kind == GuardKind.METHOD and value in list(Method):
        return Guard(text, GuardKind.METHOD, method=Method(value))
    return Guard(text, GuardKind.PELVIS_HELD) if text == "pelvis_held=yes" else None


def _fact(trial: Trial, kind: GuardKind) -> Decimal | None:
    if kind is GuardKind.MIN_STEPS:
        return trial.steps_averaged
    return trial.frame_rate_hz if kind is GuardKind.MIN_FRAME_RATE else trial.speed_m_s
