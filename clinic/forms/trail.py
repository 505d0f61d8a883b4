"""What is looked for in the trail."""

from typing import Any

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError

from clinic.domain.trail_words import ACTS
from clinic.domain.vocabulary import TrailAction
from clinic.forms.people import plain_helper
from clinic.models import Staff
from clinic.widgets import day_of_our_time

DAY_EXAMPLE = "For example 12.3.2027."


class TrailForm(forms.Form):
    """Every field narrows; an empty form is the whole trail of the person's sites."""

    runner = forms.CharField(
        label="Client",
        required=False,
        max_length=120,
        help_text="Record number or part of the name.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    person = forms.ModelChoiceField(
        label="Member of staff", queryset=Staff.objects.none(), required=False, empty_label="all"
    )
    first = forms.DateField(
        label="From day", required=False, help_text=DAY_EXAMPLE, validators=[day_of_our_time]
    )
    last = forms.DateField(
        label="To day",
        required=False,
        help_text="Empty: that one day.",
        validators=[day_of_our_time],
    )
    action = forms.ChoiceField(
        label="What was done",
        required=False,
        choices=[("", "anything"), *((action.value, ACTS[action]) for action in TrailAction)],
    )

    def __init__(self, *args: Any, by: Staff, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        people: Any = self.fields["person"]
        people.queryset = Staff.objects.filter(sites__staff=by).distinct()
        self.helper = plain_helper(
            Div("runner", "person", css_class="pair"),
            Div("first", "last", css_class="pair"),
            "action",
        )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        first, last = cleaned.get("first"), cleaned.get("last")
        if last and not first:
            self.add_error("first", ValidationError("Write the first day as well."))
        elif first and last and last < first:
            self.add_error("last", ValidationError("The last day lies before the first."))
        return cleaned
