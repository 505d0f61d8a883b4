"""Forms of joining two records of one person, and of parting them."""

from typing import Any

from crispy_forms.layout import Fieldset
from django import forms

from clinic.forms.people import plain_helper
from clinic.models import Client, RecordLink

COMPARED = ["names_compared", "births_compared", "addresses_compared"]


class OtherForm(forms.Form):
    """Which record is joined with this one."""

    number = forms.CharField(
        label="Record number of the other record",
        max_length=12,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper()

    def clean_number(self) -> str:
        return str(self.cleaned_data["number"]).strip().upper()


class JoinForm(forms.ModelForm):
    kept = forms.TypedChoiceField(
        label="The record that is kept for new entries", widget=forms.RadioSelect, coerce=int
    )

    class Meta:
        model = RecordLink
        fields = [*COMPARED, "reason", "birth_reason"]
        widgets = {
            "reason": forms.Textarea(attrs={"rows": 3}),
            "birth_reason": forms.Textarea(attrs={"rows": 2}),
        }
        help_texts = {"reason": "For example: asked at the desk, passport seen."}

    def __init__(self, *args: Any, one: Client, two: Client, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kept = self.fields["kept"]
        kept.choices = [  # type: ignore[attr-defined]
            (it.pk, f"{it.number}, {it.full_name}") for it in (one, two)
        ]
        for name in COMPARED:
            self.fields[name].required = True
        groups: list[Any] = ["kept", Fieldset("Seen side by side", *COMPARED), "reason"]
        if one.birth_date == two.birth_date:
            del self.fields["birth_reason"]
        else:
            self.fields["birth_reason"].required = True
            groups.append("birth_reason")
        self.helper = plain_helper(*groups)


class PartForm(forms.Form):
    reason = forms.CharField(
        label="Why they are parted",
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper()
