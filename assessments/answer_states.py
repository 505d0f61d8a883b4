"""What one cell of the assessment page holds, as the texts of its fields."""

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from assessments.domain.vocabulary import (
    NOT_SEEN,
    Method,
)
from assessments.stored_answers import Row

FIELDS = ("grade", "value", "choice", "method")


@dataclass(frozen=True, slots=True)
class State:
    """What one cell holds, as the texts of its fields; `grade` n stands for not seen."""

    grade: str = ""
    value: str = ""
    choice: str = ""
    method: str = ""

    @property
    def empty(self) -> bool:
        return not (self.grade or self.value or self.choice)


def state_of(row: Row | None) -> State:
    """What a stored row holds."""
    if row is None:
        return State()
    grade = getattr(row, "grade", None)
    return State(
        grade=NOT_SEEN if getattr(row, "not_seen", False) else "" if grade is None else str(grade),
        value=number_words(row.value),
        choice=row.choice,
        method=getattr(row, "method", ""),
    )


def seen_token(row: Row | None) -> str:
    """What the page saw of a row; it comes back with the next save."""
    state = state_of(row)
    version = row.version if row else 0
    return ";".join([str(version), *(getattr(state, name) for name in FIELDS)])


def seen_of(token: str) -> State:
    """The state that a token names; a token of no sense counts as an empty cell."""
    parts = token.split(";")
    return State(*parts[1:]) if len(parts) == len(FIELDS) + 1 else State()


def number_words(number: Decimal | None) -> str:
    """A stored number without the zeros that were not typed."""
    if number is None:
        return ""
    text = format(number, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def number_of(text: str) -> Decimal | None:
    """The number typed, with point or comma; None if it is none."""
    try:
        number = Decimal(text.strip().replace(",", ".").replace("−", "-"))
    except InvalidOperation:
        return None
    return number if number.is_finite() else None


def default_method(state: State) -> str:
    """By eye for grades, film for values, until another is chosen."""
    if state.value:
        return Method.VIDEO_2D
    return Method.BY_EYE if state.grade not in ("", NOT_SEEN) or state.choice else ""
