"""Forms of legal holds, of reviews before a destruction, and of the destruction itself."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from clinic.forms.people import plain_helper
from clinic.forms.signatures import SignatureForm
from clinic.models import LegalHold

LONGEST = 300
DATE_EXAMPLE = "For example 12.3.2031."
NAMELESS = "Without the client’s name: this line stays when the record is gone."


def _reason(label: str = "Why", help_text: str = NAMELESS) -> forms.CharField:
    return forms.CharField(
        label=label,
        max_length=LONGEST,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=help_text,
    )


class PlainForm(forms.Form):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper()


class LegalHoldForm(forms.ModelForm):
    class Meta:
        model = LegalHold
        fields = ["reason"]
        widgets = {"reason": forms.Textarea(attrs={"rows": 3})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].label = "What the record is needed for"
        self.fields["reason"].help_text = "For example a claim, with its date and reference."
        self.helper = plain_helper()


class LegalHoldEndForm(PlainForm):
    reason = _reason("Why it ends", "For example: the claim was settled, with its date.")


class ReviewForm(PlainForm):
    basis = forms.ChoiceField(label="Why it may go", widget=forms.RadioSelect)
    reason = _reason(
        "What you looked at",
        f"What speaks for and against it, and which clinician you asked. {NAMELESS}",
    )

    def __init__(self, *args: Any, bases: Sequence[tuple[str, str]], **kwargs: Any) -> None:
        """bases: why the record may go as it stands, code and words."""
        super().__init__(*args, **kwargs)
        self.fields["basis"].choices = bases  # type: ignore[attr-defined]
        if len(bases) == 1:
            self.initial["basis"] = bases[0][0]


class KeepForm(PlainForm):
    keep_to = forms.DateField(
        label="Keep until", help_text=f"It is asked again the day after. {DATE_EXAMPLE}"
    )
    reason = _reason()


class DeclineForm(PlainForm):
    reason = _reason("Why it is not destroyed")
    keep_to = forms.DateField(
        label="Keep until",
        required=False,
        help_text=f"Left empty, the record is due for review again at once. {DATE_EXAMPLE}",
    )


class RefuseErasureForm(PlainForm):
    reason = _reason(
        "Why it must be kept",
        f"For ourselves; the client gets the sentence that is shown next. {NAMELESS}",
    )


class DestroyForm(SignatureForm):
    """The number of the record, typed, and who signs: two looks at what cannot be undone."""

    number = forms.CharField(
        label="Record number",
        max_length=12,
        help_text="Type it as it stands above, so that the right record goes.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    field_order = ("number", "signature")

    def __init__(self, *args: Any, record: str, **kwargs: Any) -> None:
        """record: the number of the record that is destroyed."""
        super().__init__(*args, **kwargs)
        self.record = record

    def clean_number(self) -> str:
        given = str(self.cleaned_data["number"]).strip()
        if given.casefold() != self.record.casefold():
            raise ValidationError(f"This is not the number of this record, {self.record}.")
        return given
