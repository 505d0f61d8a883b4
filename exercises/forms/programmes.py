"""Dose, agreement and advice."""

from decimal import Decimal
from typing import Any, ClassVar, Self

from crispy_forms.bootstrap import InlineRadios
from crispy_forms.helper import FormHelper
from crispy_forms.layout import Div, Layout
from django import forms

from clinic.widgets import DateField
from exercises.models import Programme, ProgrammeItem

# What a hand can slip on, not what is right: a rule of this clinic.
LIMITS: dict[str, tuple[float, float]] = {
    "sets": (1, 20),
    "reps": (1, 200),
    "hold_s": (1, 600),
    "duration_min": (0.5, 120),
    "rest_s": (0, 600),
    "sessions_per_week": (0.5, 21),
    "weeks": (1, 52),
    "pain_ceiling": (0, 10),
}


class DoseForm(forms.ModelForm):
    """The dose of one line; only the parts that the exercise has."""

    class Meta:
        model = ProgrammeItem
        fields: ClassVar = [*LIMITS, "per_side", "reason"]
        labels: ClassVar = {
            "hold_s": "seconds",
            "rest_s": "rest (s)",
            "pain_ceiling": "pain up to",
            "sessions_per_week": "a week",
            "reason": "why changed or declined",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # several lines stand on one page
        self.auto_id = f"%s-{self.instance.pk}"
        for name in LIMITS:
            if getattr(self.instance, name) is None:
                del self.fields[name]
            else:
                self.fields[name].required = True
                self.fields[name].widget = forms.TextInput(
                    attrs={"inputmode": "decimal", "class": "form-control short"}
                )
                self.initial[name] = _short(self.initial[name])
        self.fields["reason"].widget.attrs["class"] = "form-control"

    def clean(self) -> dict[str, Any]:
        found: dict[str, Any] = super().clean() or {}
        for name, (low, high) in LIMITS.items():
            number = found.get(name)
            if number is not None and not low <= number <= high:
                self.add_error(name, f"Between {low:g} and {high:g}.")
        return found

    @property
    def changed(self) -> dict[str, Any]:
        """Fields of the dose that differ from what stands."""
        return {name: self.cleaned_data[name] for name in self.changed_data if name != "reason"}


def _short(number: int | Decimal) -> int | Decimal:
    """A number without zeros that say nothing; it still compares equal."""
    return int(number) if number == int(number) else number


class AgreementForm(forms.Form):
    overtaken = False  # whether somebody else saved another answer meanwhile

    seen = forms.IntegerField(widget=forms.HiddenInput)
    review_on = DateField(label="Next check")
    agreed = forms.ChoiceField(
        label="Agreed with the client",
        choices=[("yes", "yes"), ("no", "no")],
        widget=forms.RadioSelect,
        required=False,
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = FormHelper()
        self.helper.form_tag = False  # the template owns <form> and its buttons
        self.helper.layout = Layout(
            "seen", Div("review_on", InlineRadios("agreed"), css_class="pair")
        )

    def add_prefix(self, field_name: str) -> str:
        """What the page has seen is told from what was typed by its name."""
        return "was.agreement" if field_name == "seen" else super().add_prefix(field_name)

    def after(self, programme: Programme) -> Self:
        """The same answers on top of what somebody else saved meanwhile, named beside them."""
        typed = {name: self.data.get(name, "") for name in ("review_on", "agreed")}
        form = type(self)(typed | {"was.agreement": programme.version})
        form.overtaken = True
        theirs = f"{programme.review_on:%-d %b %Y}, agreed: {programme.agreed or 'not said'}"
        form.add_error(None, f"Somebody else saved meanwhile: {theirs}. Choose which stands.")
        return form


class AdviceForm(forms.Form):
    text = forms.CharField(label="What the client was told", max_length=300)
    understood = forms.BooleanField(label="The client said it back", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = FormHelper()
        self.helper.form_tag = False
        self.helper.layout = Layout("text", "understood")
