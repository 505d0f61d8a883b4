"""The form of an addendum: what is added, why, on which day it was done, and who signs."""

from collections.abc import Sequence
from typing import Any

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError

from assessments.addenda import Target, wanted_state
from assessments.domain.tables import AssessmentTables
from assessments.domain.vocabulary import NOT_SEEN, AddendumKind
from assessments.measure_words import About
from assessments.services.addenda import Change, correction, refuse_unfit
from assessments.stored_answers import Stored
from clinic.forms.people import plain_helper, show_refusal
from clinic.forms.signatures import SignatureForm

KINDS = [
    (AddendumKind.CORRECTION, "Correction: an entry is wrong"),
    (AddendumKind.AMENDMENT, "Amendment: an entry should read otherwise"),
    (AddendumKind.ADDITION, "Addition: something was left out"),
    (AddendumKind.STATEMENT, "The client’s own statement on an entry they dispute"),
]


class AddendumForm(SignatureForm):
    """About the whole assessment, one of its parts, or one answer (`target`) to correct."""

    kind = forms.ChoiceField(label="Kind", choices=KINDS, widget=forms.RadioSelect)
    about = forms.ChoiceField(label="About", required=False)
    text = forms.CharField(label="What is added", widget=forms.Textarea(attrs={"rows": 4}))
    reason = forms.CharField(label="Why", widget=forms.Textarea(attrs={"rows": 2}))
    acted_on = forms.DateField(
        label="Day it was found, done or said",
        widget=forms.DateInput,
        help_text="For example 12.3.2027. What you enter on a later day is marked late.",
    )

    def __init__(
        self,
        *args: Any,
        held: Stored,
        tables: AssessmentTables,
        target: Target | None,
        parts: Sequence[tuple[str, str]],
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.held, self.tables, self.target = held, tables, target
        self.changes: list[Change] = []
        about: Any = self.fields["about"]
        about.choices = [("", "the whole assessment"), *parts]
        answer = answer_fields(target.line.about) if target else {}
        if target:
            del self.fields["about"]
            self.fields |= answer
        self.order_fields(["kind", "about", *answer, "text", "reason", "acted_on", "signature"])
        named = [Div(*answer, css_class="pair")] if answer else ["about"]
        self.helper = plain_helper("kind", *named, "text", "reason", "acted_on", "signature")

    def clean(self) -> dict[str, Any]:
        if not self.errors:
            self._correct()
        return super().clean()

    def _correct(self) -> None:
        """Hold what is typed against the limits, before anything is signed."""
        data = self.cleaned_data
        try:
            if self.target and data["kind"] == AddendumKind.CORRECTION:
                self.changes = [self._change(self.target)]
            refuse_unfit(
                self.held.assessment,
                kind=data["kind"],
                acted_on=data["acted_on"],
                changes=self.changes,
            )
        except ValidationError as refusal:
            show_refusal(self, refusal)

    def _change(self, target: Target) -> Change:
        return correction(
            held=self.held,
            trial=target.trial,
            key=target.key,
            state=wanted_state(self.cleaned_data, target.cell.state),
            tables=self.tables,
        )

    def given(self) -> dict[str, Any]:
        """What the service takes."""
        data = self.cleaned_data
        about = self.target.key if self.target else data["about"]
        plain = {name: data[name] for name in ("reason", "text", "acted_on")}
        return {
            **plain,
            "kind": AddendumKind(data["kind"]),
            "about": about,
            "changes": self.changes,
        }


def answer_fields(about: About) -> dict[str, forms.Field]:
    """A field for each way in which a measure is answered; empty takes the answer away."""
    found: dict[str, forms.Field] = {}
    graded = [(str(number), f"{number}, {text}") for number, text in enumerate(about.grades)]
    if about.graded:
        choices = [("", "no grade"), *graded, (NOT_SEEN, "not seen")]
        found["grade"] = forms.ChoiceField(label="Right grade", choices=choices, required=False)
    if about.valued:
        unit = f" ({about.unit})" if about.unit else ""
        number = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
        found["value"] = forms.CharField(
            label=f"Right number{unit}", required=False, widget=number
        )
    if about.choices:
        choices = [("", "no answer"), *about.choices]
        found["choice"] = forms.ChoiceField(label="Right answer", choices=choices, required=False)
    return found
