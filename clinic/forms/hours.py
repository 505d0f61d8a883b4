"""Forms of opening hours, of changes of them, of kinds of appointment and of the waiting list."""

import calendar
import re
from datetime import time
from typing import Any

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError

from clinic.domain.diary import Hours
from clinic.domain.opening import ChangeKind
from clinic.forms.diary import DAY_EXAMPLE, HoursFields
from clinic.forms.people import plain_helper
from clinic.models import AppointmentKind, HoursChange, Site, Staff
from clinic.widgets import day_of_our_time

STRETCH = re.compile(r"(\d{1,2})(?:[:.](\d{2}))?\s*(?:-|–|to)\s*(\d{1,2})(?:[:.](\d{2}))?")
EXAMPLE = "For example 9:00-12:30, 13:30-17:30. Empty: not to be booked."


class StretchesField(forms.CharField):
    """Stretches of one day: "9:00-12:30, 13:30-17:30"."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**({"required": False, "max_length": 80} | kwargs))

    def clean(self, value: str | None) -> list[tuple[time, time]]:
        text = super().clean(value) or ""
        return [_stretch(part) for part in re.split(r"[,;]|\band\b", text) if part.strip()]


def _stretch(text: str) -> tuple[time, time]:
    unclear = ValidationError(f"“{text.strip()}” is not a stretch such as 9:00-12:30.")
    found = STRETCH.fullmatch(text.strip())
    if found is None:
        raise unclear
    hour, minute, end_hour, end_minute = (int(part or 0) for part in found.groups())
    try:
        opens, closes = time(hour, minute), time(end_hour, end_minute)
    except ValueError as bad:
        raise unclear from bad
    if opens >= closes:
        raise ValidationError(f"“{text.strip()}” ends before it begins.")
    return opens, closes


class WeeklyForm(forms.Form):
    """The usual hours of one clinician, a line for each weekday."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for number, name in enumerate(calendar.day_name):
            help_text = EXAMPLE if number == 0 else ""
            self.fields[f"day_{number}"] = StretchesField(label=name, help_text=help_text)
        self.helper = plain_helper()

    def hours(self) -> dict[int, list[tuple[time, time]]]:
        """Weekday, 0 is Monday, to its stretches."""
        return {number: self.cleaned_data[f"day_{number}"] for number in range(7)}


class ChangeForm(forms.ModelForm):
    """Leave, a closed day, or other hours."""

    class Meta:
        model = HoursChange
        fields = ["clinician", "kind", "first_day", "last_day", "opens", "closes", "why"]
        labels = {"first_day": "First day", "last_day": "Last day", "opens": "From what time"}
        help_texts = {"clinician": "", "first_day": DAY_EXAMPLE}

    def __init__(self, *args: Any, site: Site, clinicians: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.instance.site = site
        self.fields["clinician"].queryset = clinicians  # type: ignore[attr-defined]
        self.fields["clinician"].empty_label = f"everybody at {site}"  # type: ignore[attr-defined]
        for name in ("first_day", "last_day"):
            self.fields[name].validators.append(day_of_our_time)
        self.fields["kind"] = forms.TypedChoiceField(
            label="These days are",
            choices=[
                (ChangeKind.CLOSED.value, "closed: nobody is booked"),
                (ChangeKind.OPEN.value, "open at other hours than usual"),
            ],
            widget=forms.RadioSelect,
            coerce=ChangeKind,
        )
        self.fields[
            "why"
        ].help_text = "Such as leave or training. Everybody reads it: no health details."
        self.helper = plain_helper(
            "clinician",
            "kind",
            Div("first_day", "last_day", css_class="pair"),
            Div("opens", "closes", css_class="pair"),
            "why",
        )

    def wanted(self) -> dict[str, Any]:
        """What the service saves."""
        found = {name: self.cleaned_data[name] for name in ("clinician", "kind", "why")}
        days = {name: self.cleaned_data[name] for name in ("first_day", "last_day")}
        opens, closes = self.cleaned_data["opens"], self.cleaned_data["closes"]
        return found | days | {"hours": Hours(opens, closes) if opens and closes else None}


class KindForm(forms.ModelForm):
    """One kind of appointment: how long it is and what it needs."""

    class Meta:
        model = AppointmentKind
        fields = ["name", "minutes", "clear_minutes", "needs_treadmill"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper()


class WaitingForm(HoursFields):
    """What a client waits for."""

    kind = forms.ModelChoiceField(AppointmentKind.objects.none(), empty_label=None)
    clinician = forms.ModelChoiceField(Staff.objects.none(), required=False, empty_label="anybody")
    earliest = forms.DateField(
        label="Not before",
        required=False,
        help_text=DAY_EXAMPLE,
        validators=[day_of_our_time],
    )
    latest = forms.DateField(label="Not after", required=False, validators=[day_of_our_time])

    def __init__(self, *args: Any, site: Site, clinicians: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = AppointmentKind.objects.filter(site=site)
        self.fields["kind"].queryset = kinds  # type: ignore[attr-defined]
        self.fields["clinician"].queryset = clinicians  # type: ignore[attr-defined]
        self.helper = plain_helper(
            Div("kind", "clinician", css_class="pair"),
            Div("earliest", "latest", css_class="pair"),
            Div("weekdays", "opens", "closes", css_class="diary-find diary-hours"),
        )

    def wanted(self) -> dict[str, Any]:
        """What the service saves."""
        names = ("kind", "clinician", "earliest", "latest", "weekdays", "hours")
        return {name: self.cleaned_data[name] for name in names}
