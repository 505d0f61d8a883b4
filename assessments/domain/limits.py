"""Limits that criteria and rules compare with."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from operator import eq, ge, gt, le, lt, ne

from assessments.domain.vocabulary import Operator

COMPARED: dict[Operator, Callable[[Decimal, Decimal], bool]] = {
    Operator.LT: lt,
    Operator.LE: le,
    Operator.GT: gt,
    Operator.GE: ge,
    Operator.EQ: eq,
    Operator.NE: ne,
}


@dataclass(frozen=True, slots=True)
class Limit:
    """An operator with a number, two numbers (between) or words (eq, ne, in)."""

    operator: Operator
    number: Decimal | None = None
    upper: Decimal | None = None
    words: tuple[str, ...] = ()

    def met(self, actual: Decimal | int | str) -> bool:
        """Whether a number or a word meets the limit; between includes both ends."""
        if isinstance(actual, str):
            return (actual in self.words) != (self.operator is Operator.NE)
        if self.number is None:
            raise ValueError(f"a number cannot be compared with {self.words}")
        if self.upper is not None:
            return self.number <= actual <= self.upper
        return COMPARED[self.operator](Decimal(actual), self.number)

    def beyond(self, actual: Decimal) -> Decimal | None:
        """How far a number lies beyond the limit in the direction of the operator.

        None where there is no direction (eq, ne, in, between). Source: EVALUATION.md, 6.
        """
        if self.number is None:
            return None
        if self.operator in (Operator.GT, Operator.GE):
            return actual - self.number
        if self.operator in (Operator.LT, Operator.LE):
            return self.number - actual
        return None

    @property
    def printed(self) -> Decimal | str:
        """The limit as a proposal prints it: a number, `a..b`, or the words as written."""
        if self.number is None:
            return "|".join(self.words)
        return self.number if self.upper is None else f"{self.number}..{self.upper}"
