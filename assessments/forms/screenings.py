"""Lifting what an answer stops."""

from typing import Any

from crispy_forms.helper import FormHelper
from crispy_forms.layout import Layout
from django import forms

from clinic.widgets import DateField


class LiftForm(forms.Form):
    lifted_on = DateField(label="Lifted on")
    reason = forms.CharField(
        label="Why it may be lifted",
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 3}),
    )
    keeps = forms.ChoiceField(
        label="What it still stops",
        choices=[
            ("nothing", "Nothing: lifted whole"),
            ("no_impact", "Running and hops: lifted in part, strength work may go on"),
        ],
        widget=forms.RadioSelect,
    )

    def __init__(self, *args: Any, needed: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].help_text = f"It takes: {needed}"
        self.helper = FormHelper()
        self.helper.form_tag = False  # the template owns <form> and its buttons
        self.helper.layout = Layout("lifted_on", "reason", "keeps")
