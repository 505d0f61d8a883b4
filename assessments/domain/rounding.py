"""The one way of rounding."""

from decimal import ROUND_FLOOR, Decimal

HALF = Decimal("0.5")


def half_up(number: Decimal, places: int = 0) -> Decimal:
    """The number with so many decimals, halves up: floor(x + 1/2). Source: EVALUATION.md, 2."""
    unit = Decimal(1).scaleb(-places)
    return (number / unit + HALF).to_integral_value(ROUND_FLOOR) * unit
