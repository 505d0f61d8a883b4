"""The form of a retraction: why, what happened, and who signs for it."""

from typing import Any

from django import forms

from assessments.domain.vocabulary import RetractionCause
from assessments.models import Retraction
from clinic.forms.signatures import SignatureForm


class RetractionForm(SignatureForm):
    cause = forms.ChoiceField(
        label="Why it does not count",
        choices=[
            (RetractionCause.WRONG_RECORD, "It is about another person"),
            (RetractionCause.MISTAKE, "It was opened by mistake"),
        ],
        widget=forms.RadioSelect,
        error_messages={"required": "Choose why it does not count."},
    )
    reason = forms.CharField(
        label="What happened",
        max_length=Retraction._meta.get_field("reason").max_length,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Of another person give the record number, not the name.",
        error_messages={"required": "Say what happened, so that others understand it later."},
    )
    field_order = ("cause", "reason", "signature")

    def given(self) -> dict[str, Any]:
        """What the service takes. Raises KeyError before the form is valid."""
        return {
            "cause": RetractionCause(self.cleaned_data["cause"]),
            "reason": self.cleaned_data["reason"],
        }
