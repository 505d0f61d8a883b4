"""The cadence plan: targets in steps a minute from the measured cadence."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from assessments.domain.guards import unmet
from assessments.domain.record import Record, Seen
from assessments.domain.rounding import half_up
from assessments.domain.tables import AssessmentTables, Criterion
from assessments.domain.vocabulary import Side, Stage
from exercises.domain.edition import Edition
from exercises.domain.programme import Item

CADENCE = "cadence"
# Share of the measured cadence, and least and most steps of the first target (EVALUATION.md, 15).
FIRST, SECOND = Decimal("1.05"), Decimal("1.10")
LEAST_STEPS, MOST_STEPS = 5, 10
# Week of the second target (R48), and with weak calves to be trained first (R71).
SECOND_FROM_WEEK, SECOND_AFTER_CALVES = 3, 5
CALVES_FIRST = "R71"


@dataclass(frozen=True, slots=True)
class CadencePlan:
    """Targets in steps/min with what each adds to the measured cadence; speed in m/s."""

    measured: Decimal
    speed_m_s: Decimal | None
    first_target: int
    first_plus: int
    second_target: int
    second_plus: int
    second_from_week: int


def paced_now(items: Iterable[Item], edition: Edition) -> bool:
    """Whether an exercise to a click is in stage now."""
    return any(
        item.stage is Stage.NOW and edition.exercises[item.exercise].paced for item in items
    )


def counted_cadence(record: Record, tables: AssessmentTables) -> Seen | None:
    """The observation of cadence that its criterion takes, None if none was counted.

    Source: EVALUATION.md, 15 and 3.
    """
    seen = [
        one for one in record.observed(CADENCE, Side.NONE) if one.observation.value is not None
    ]
    row = next((one for one in tables.criteria if one.subject == CADENCE), None)
    reliable = [one for one in seen if row is None or _meets(row, one)]
    return next(iter(reliable or seen), None)


def cadence_plan(
    measured: Decimal, speed_m_s: Decimal | None, *, calves_first: bool
) -> CadencePlan:
    """The plan from a cadence in steps/min and its speed in m/s. Source: EVALUATION.md, 15."""
    base = int(half_up(measured))
    first = int(half_up(measured * FIRST))
    first = min(max(first, base + LEAST_STEPS), base + MOST_STEPS)
    second = max(int(half_up(measured * SECOND)), first)
    return CadencePlan(
        measured=measured,
        speed_m_s=speed_m_s,
        first_target=first,
        first_plus=first - base,
        second_target=second,
        second_plus=second - base,
        second_from_week=SECOND_AFTER_CALVES if calves_first else SECOND_FROM_WEEK,
    )


def _meets(row: Criterion, seen: Seen) -> bool:
    return not unmet(row.guards, seen.observation, seen.trial, None)
