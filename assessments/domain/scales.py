"""Totals of scales that are read off a form: arithmetic and ranges only, no item's words."""

from collections.abc import Sequence
from decimal import Decimal
from enum import StrEnum

from assessments.domain.measured import SettingError

ITEMS_OF_FOOT_POSTURE = 6


class FootPosture(StrEnum):
    """Classes of the foot posture total, from the outer to the inner edge."""

    HIGHLY_SUPINATED = "highly supinated"
    SUPINATED = "supinated"
    NORMAL = "normal"
    PRONATED = "pronated"
    HIGHLY_PRONATED = "highly pronated"


# lowest total of each class, from the top; Redmond 2006
LOWEST_TOTAL = (
    (10, FootPosture.HIGHLY_PRONATED),
    (6, FootPosture.PRONATED),
    (0, FootPosture.NORMAL),
    (-4, FootPosture.SUPINATED),
)


def activity_scale_mean(scores: Sequence[int]) -> Decimal:
    """Mean of the scores of the activities that the client named, 0 to 10.

    scores: one or more, each 0 to 10; SettingError otherwise. Source: Stratford P et al. 1995,
    Physiotherapy Canada 47:258-263.
    """
    if not scores or not all(0 <= score <= 10 for score in scores):
        raise SettingError("activities", f"need one or more scores from 0 to 10, got {scores}")
    return Decimal(sum(scores)) / len(scores)


def foot_posture_total(items: Sequence[int]) -> int:
    """Sum of the six items, -12 to 12.

    items: six, each -2 to 2; SettingError otherwise. Source: Redmond AC, Crosbie J, Ouvrier RA
    2006, Clinical Biomechanics 21:89-98.
    """
    if len(items) != ITEMS_OF_FOOT_POSTURE or not all(-2 <= item <= 2 for item in items):
        raise SettingError("foot posture", f"need six items from -2 to 2, got {items}")
    return sum(items)


def foot_posture(total: int) -> FootPosture:
    """The class of a total, -12 to 12; SettingError beyond.

    Source: Redmond AC, Crosbie J, Ouvrier RA 2006, Clinical Biomechanics 21:89-98.
    """
    if not -12 <= total <= 12:
        raise SettingError("foot posture", f"a total lies from -12 to 12, is {total}")
    for lowest, posture in LOWEST_TOTAL:
        if total >= lowest:
            return posture
    return FootPosture.HIGHLY_SUPINATED
