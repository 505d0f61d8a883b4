"""Forms of an emergency opening, and of what is said of one."""

import re
from datetime import date
from typing import Any

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError

from clinic.forms.people import plain_helper
from clinic.forms.signatures import SignatureForm

FEWEST_WORDS = 3


class EmergencyForm(SignatureForm):
    """Whose record, why, and who asks: nothing is looked up before the password was right."""

    number = forms.CharField(
        label="Record number",
        max_length=12,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )
    family_name = forms.CharField(
        label="Or family name",
        max_length=80,
        required=False,
        help_text="The whole name.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )
    birth_date = forms.DateField(
        label="and date of birth", required=False, help_text="For example 12.3.1990."
    )
    reason = forms.CharField(
        label="Why it has to be opened now",
        max_length=300,
        help_text="In some words, without the client’s name: managers read it who may not open "
        "the record.",
        error_messages={"required": "Say why the record has to be opened now."},
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper(
            "number",
            Div("family_name", "birth_date", css_class="pair"),
            "reason",
            "signature",
        )

    def clean_reason(self) -> str:
        reason = str(self.cleaned_data["reason"]).strip()
        if len(re.findall(r"\w+", reason)) < FEWEST_WORDS:
            raise ValidationError("Say it in three words or more.")
        return reason

    def clean(self) -> dict[str, Any]:
        number = self.cleaned_data.get("number")
        family_name: str | None = self.cleaned_data.get("family_name")
        born: date | None = self.cleaned_data.get("birth_date")
        if not number and not self.errors:
            if not family_name:
                self.add_error(
                    "number", "Give the record number, or family name and date of birth."
                )
            elif born is None:
                self.add_error("birth_date", "Give the date of birth with the family name.")
        return super().clean()

    def said(self) -> dict[str, Any]:
        """What the service takes."""
        return {name: value for name, value in self.cleaned_data.items() if name != "signature"}


class SeenForm(forms.Form):
    word = forms.CharField(
        label="What you say of it",
        max_length=300,
        error_messages={"required": "Say in a word what you think of it, then mark it as seen."},
    )
