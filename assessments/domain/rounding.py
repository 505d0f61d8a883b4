"""The one way of rounding."""

from decimal import ROUND_FLOOR, Context, Decimal, localcontext

# Wide enough that numbers of up to 400 decimals add up exactly, and that no quotient of two of
# them falls on the wrong side of a limit.
EXACT = Context(prec=1000)
HALF = Decimal("0.5")


def half_up(number: Decimal, places: int = 0) -> Decimal:
    """The number with so many decimals, halves up: floor(x + 1/2). Source: EVALUATION.md, 2."""
    with localcontext(EXACT):
        return (number.scaleb(places) + HALF).to_integral_value(ROUND_FLOOR).scaleb(-places)
