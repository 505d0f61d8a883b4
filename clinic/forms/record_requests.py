"""Forms of requests about the record."""

from collections.abc import Sequence
from typing import Any

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError

from clinic.domain.vocabulary import RequestOutcome
from clinic.forms.people import plain_helper
from clinic.models import RecordRequest

DATE_EXAMPLE = "For example 12.3.2027."
LONGEST = 4000
Choices = Sequence[tuple[str, str]]


class RequestForm(forms.ModelForm):
    class Meta:
        model = RecordRequest
        fields = ["kind", "received_on", "manner", "about", "words"]
        widgets = {
            "kind": forms.RadioSelect,
            "manner": forms.RadioSelect,
            "about": forms.Select,
            "words": forms.Textarea(attrs={"rows": 6}),
        }
        help_texts = {
            "received_on": f"The time to answer runs from this day. {DATE_EXAMPLE}",
            "words": "As the client said or wrote it. It is not changed later.",
        }

    def __init__(self, *args: Any, about: Choices, **kwargs: Any) -> None:
        """about: what the request can be about, code and words."""
        super().__init__(*args, **kwargs)
        for name in ("kind", "manner"):
            self.fields[name].choices = self.fields[name].choices[1:]  # type: ignore[attr-defined]
        self.fields["about"] = _about(about)
        self.helper = plain_helper("kind", Div("received_on", "manner"), "about", "words")


def _about(choices: Choices) -> forms.ChoiceField:
    return forms.ChoiceField(label="What it is about", choices=choices)


class StepForm(forms.Form):
    """One step of answering; `given` are the fields as the service takes them."""

    def __init__(self, *args: Any, request: RecordRequest, about: Choices, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.request, self.about = request, about
        self.helper = plain_helper()


class ExtendForm(StepForm):
    reason = forms.CharField(
        label="Why the time is not enough",
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="The client is told this reason and the new day.",
    )


class DecideForm(StepForm):
    outcome = forms.ChoiceField(
        label="Answer",
        widget=forms.RadioSelect,
        choices=[
            (RequestOutcome.ACCEPTED.value, "accepted"),
            (RequestOutcome.DENIED.value, "denied"),
            (RequestOutcome.WITHDRAWN.value, "taken back by the client, or noted by mistake"),
        ],
    )
    answer = forms.CharField(
        label="What was done, or why not",
        max_length=LONGEST,
        widget=forms.Textarea(attrs={"rows": 6}),
        help_text="In plain words: the client reads this. It is not changed later.",
    )
    answered_with = forms.ChoiceField(
        label="The addendum that says it",
        required=False,
        help_text="For an accepted amendment of a signed assessment.",
    )

    def __init__(self, *args: Any, addenda: Choices, **kwargs: Any) -> None:
        """addenda: those of the client's assessments, code and words."""
        super().__init__(*args, **kwargs)
        self.fields["about"] = _about(self.about)
        self.fields["about"].initial = self.request.about
        chosen = self.fields["answered_with"]
        chosen.choices = [("", "none"), *addenda]  # type: ignore[attr-defined]
        self.order_fields(["about", "outcome", "answer", "answered_with"])


class ToldForm(StepForm):
    told_on = forms.DateField(label="The client got the answer on", help_text=DATE_EXAMPLE)
    goes_along = forms.BooleanField(
        label="The client asks that the request and the denial go along with later letters",
        required=False,
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.request.is_denied_amendment:
            del self.fields["goes_along"]


class StatementForm(StepForm):
    statement_on = forms.DateField(label="Received on", help_text=DATE_EXAMPLE)
    statement = forms.CharField(
        label="The client’s statement of disagreement",
        max_length=LONGEST,
        widget=forms.Textarea(attrs={"rows": 6}),
        help_text="In the client’s own words. It goes along with later letters to others.",
    )


class RebuttalForm(StepForm):
    rebuttal = forms.CharField(
        label="The clinic’s answer to the statement",
        max_length=LONGEST,
        widget=forms.Textarea(attrs={"rows": 6}),
        help_text="The client gets a copy. It goes along with later letters to others.",
    )

    def clean_rebuttal(self) -> str:
        text = str(self.cleaned_data["rebuttal"]).strip()
        if not text:
            raise ValidationError("Write the answer, or leave without saving.")
        return text
