"""Forms that open an assessment and set up a trial."""

import re
from decimal import Decimal
from typing import Any

from crispy_forms.helper import FormHelper
from crispy_forms.layout import Div, Layout
from django import forms
from django.core.exceptions import ValidationError

from assessments.models import Assessment, Trial
from assessments.services.assessments import refuse_day
from clinic.models import Client

PACE = re.compile(r"^(\d{1,2}):([0-5]\d)$")


class CommaDecimalField(forms.DecimalField):
    """A decimal typed with a point or a comma."""

    widget = forms.TextInput(attrs={"inputmode": "decimal"})

    def to_python(self, value: Any) -> Any:
        return super().to_python(value.replace(",", ".") if isinstance(value, str) else value)

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        """A text field takes no step."""
        return {}


class SpeedField(CommaDecimalField):
    """Metres a second, or minutes and seconds for a kilometre."""

    def to_python(self, value: Any) -> Any:
        pace = PACE.match(value.strip()) if isinstance(value, str) else None
        if pace is None:
            return super().to_python(value)
        seconds = int(pace[1]) * 60 + int(pace[2])
        if not seconds:
            raise ValidationError("Write a pace such as 5:30, or a speed such as 3.2.")
        return (Decimal(1000) / seconds).quantize(Decimal("0.01"))


class TrialForm(forms.ModelForm):
    speed_m_s = SpeedField(
        label="Speed", required=False, help_text="m/s, e.g. 3.2; or min:s for a km, e.g. 5:12."
    )
    incline_percent = CommaDecimalField(label="Incline (%)", required=False)
    frame_rate_hz = CommaDecimalField(label="Frames a second", required=False)
    seen = forms.IntegerField(widget=forms.HiddenInput, required=False)

    class Meta:
        model = Trial
        fields = [
            "surface",
            "speed_m_s",
            "incline_percent",
            "frame_rate_hz",
            "steps_averaged",
            "shoes",
            "camera",
        ]
        widgets = {"steps_averaged": forms.TextInput(attrs={"inputmode": "numeric"})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            self.fields["seen"].initial = self.instance.version
        self.helper = FormHelper()
        self.helper.form_tag = False
        self.helper.layout = Layout(
            Div("surface", "shoes", css_class="pair"),
            Div("speed_m_s", "incline_percent", css_class="pair"),
            Div("frame_rate_hz", "steps_averaged", css_class="pair"),
            "camera",
            "seen",
        )

    def settings(self) -> dict[str, Any]:
        """What was given, without the bookkeeping."""
        return {name: self.cleaned_data[name] for name in self.Meta.fields}


class AssessmentForm(forms.ModelForm):
    history_unchanged = forms.BooleanField(
        label="Nothing has changed since the running history", required=False
    )

    class Meta:
        model = Assessment
        fields = ["kind", "assessed_on", "episode"]
        widgets = {"assessed_on": forms.DateInput}
        labels = {"assessed_on": "Date", "episode": "Episode"}
        help_texts = {"assessed_on": "For example 12.3.2027."}

    def __init__(self, *args: Any, client: Client, today: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.client, self.today = client, today
        episodes: Any = self.fields["episode"]
        episodes.queryset = client.episodes.open()
        episodes.empty_label = None
        self.helper = FormHelper()
        self.helper.form_tag = False
        self.helper.layout = Layout(
            Div("kind", "assessed_on", css_class="pair"), "episode", "history_unchanged"
        )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        day, episode = cleaned.get("assessed_on"), cleaned.get("episode")
        if day and episode:
            refuse_day(day, client=self.client, episode=episode, today=self.today)
        return cleaned
