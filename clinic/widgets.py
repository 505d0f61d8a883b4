"""Fields that many forms share."""

from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

FIRST_YEAR, LAST_YEAR = 1900, 2199


def day_of_our_time(day: date) -> None:
    """Refuse a day that no diary needs; days near the ends of the calendar cannot be counted from.

    day: a date, or an instant. Raises ValidationError.
    """
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValidationError(f"Write a day between {FIRST_YEAR} and {LAST_YEAR}.")


class DateField(forms.DateField):
    """A day, typed in any of the formats of clinic/formats."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("help_text", "For example 12.3.2027 or 12 Mar 2027.")
        kwargs.setdefault("widget", forms.DateInput(attrs={"class": "short"}))
        super().__init__(**kwargs)
        self.validators.append(day_of_our_time)
        self.error_messages["invalid"] = "Write a day such as 12.3.2027 or 12 Mar 2027."
