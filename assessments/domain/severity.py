"""Severity of a row that leads its group."""

from decimal import Decimal

from assessments.domain.tables import Criterion
from assessments.domain.vocabulary import Severity

BY_GRADE = {1: Severity.BORDERLINE, 2: Severity.CLEAR, 3: Severity.MARKED}


def severity_of(criterion: Criterion, number: Decimal | None, grade: int | None) -> Severity:
    """Severity of a met row from the number compared (unit of the row) or the grade.

    A choice, a fact, a finding, and a limit without direction are clear. Source:
    EVALUATION.md, 6.
    """
    if grade is not None:
        return BY_GRADE[grade]
    beyond = None if number is None else criterion.limit.beyond(number)
    if beyond is None:
        return Severity.CLEAR
    if criterion.band is not None:
        return _by_band(beyond, criterion.band)
    half = abs(criterion.limit.number or Decimal(0)) / 2
    return Severity.MARKED if half and beyond >= half else Severity.CLEAR


def _by_band(beyond: Decimal, band: Decimal) -> Severity:
    if beyond < band:
        return Severity.BORDERLINE
    return Severity.CLEAR if beyond < 2 * band else Severity.MARKED
