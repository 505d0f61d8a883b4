"""Fields that many forms share."""

from typing import Any

from django import forms


class DateField(forms.DateField):
    """A day, typed in any of the formats of clinic/formats."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("help_text", "For example 12.3.2027 or 12 Mar 2027.")
        kwargs.setdefault("widget", forms.DateInput(attrs={"class": "short"}))
        super().__init__(**kwargs)
        self.error_messages["invalid"] = "Write a day such as 12.3.2027 or 12 Mar 2027."
