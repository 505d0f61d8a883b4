"""What is exported, and whom it is for."""

from datetime import date
from typing import Any

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError

from clinic.forms.people import plain_helper
from clinic.models import Consent, Staff
from clinic.web.exports import Reader
from clinic.web.fhir.reading import Wish

DAY_EXAMPLE = "For example 12.3.2027."


class WishForm(forms.Form):
    drafts = forms.BooleanField(
        label="Also what nobody has signed yet",
        required=False,
        help_text="Drafts are marked as preliminary.",
    )
    papers = forms.BooleanField(
        label="Also the papers themselves",
        required=False,
        help_text="Otherwise their titles, dates and checksums.",
    )

    def wish(self, first: date | None = None, last: date | None = None) -> Wish:
        """What was chosen. The form must be valid."""
        chosen = self.cleaned_data
        return Wish(chosen["drafts"], chosen["papers"], first, last)


class ClientExportForm(WishForm):
    reader = forms.ChoiceField(
        label="For whom",
        widget=forms.RadioSelect,
        choices=[
            (Reader.PROFESSIONAL.value, "another professional, as the client agreed to"),
            (Reader.CLINIC.value, "the clinic's own use, such as moving to another system"),
        ],
    )
    limits_kept = forms.BooleanField(
        label="This export keeps the limits of the client's consent", required=False
    )

    field_order = ["reader", "limits_kept", "drafts", "papers"]

    def __init__(self, *args: Any, by: Staff, consent: Consent | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not by.is_manager:
            reader: Any = self.fields["reader"]
            reader.choices = reader.choices[:1]
            reader.initial = Reader.PROFESSIONAL.value
        if consent is None or not consent.limits:
            del self.fields["limits_kept"]
        self.helper = plain_helper(*self.fields)


class PeriodExportForm(WishForm):
    first = forms.DateField(label="First day", help_text=DAY_EXAMPLE)
    last = forms.DateField(label="Last day", help_text=DAY_EXAMPLE)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper(Div("first", "last", css_class="pair"), "drafts", "papers")

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        first, last = cleaned.get("first"), cleaned.get("last")
        if first and last and last < first:
            self.add_error("last", ValidationError("The last day lies before the first."))
        return cleaned
