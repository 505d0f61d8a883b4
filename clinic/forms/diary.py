"""Forms of the diary: finding a time, booking it, and closing what will not happen."""

import calendar
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError

from clinic.domain.diary import Hours, MissingTimeError, moment
from clinic.domain.vocabulary import ReassessmentState
from clinic.forms.people import plain_helper
from clinic.models import Appointment, AppointmentKind, Room, Site, Staff
from clinic.widgets import day_of_our_time

DAY_EXAMPLE = "For example 12.3.2027."


class DayForm(forms.Form):
    """Which day of the diary, and of which site."""

    day = forms.DateField(required=False, help_text=DAY_EXAMPLE, validators=[day_of_our_time])
    site = forms.ModelChoiceField(Site.objects.none(), required=False, empty_label=None)

    def __init__(self, *args: Any, staff: Staff, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        sites = Site.objects.filter(staff=staff)
        self.fields["site"].queryset = sites  # type: ignore[attr-defined]
        self.helper = plain_helper()
        self.helper.disable_csrf = True


WHICH = [("no", "the first, before the clocks go back"), ("yes", "the second, after it")]
WEEKDAYS = [(str(number), name) for number, name in enumerate(calendar.day_abbr)]


class HoursFields(forms.Form):
    """Weekdays and times of day that suit; empty for any."""

    weekdays = forms.MultipleChoiceField(
        label="On", choices=WEEKDAYS, required=False, widget=forms.CheckboxSelectMultiple
    )
    opens = forms.TimeField(label="Between", required=False, help_text="For example 9 or 14:30.")
    closes = forms.TimeField(label="and", required=False)

    def clean_weekdays(self) -> frozenset[int]:
        return frozenset(int(day) for day in self.cleaned_data["weekdays"])

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        opens, closes = cleaned.get("opens"), cleaned.get("closes")
        if (opens is None) != (closes is None) and not self.errors:
            self.add_error("opens" if opens is None else "closes", "Give both times, or neither.")
        elif opens and closes and opens >= closes:
            self.add_error("closes", "This lies before the first time.")
        else:
            cleaned["hours"] = Hours(opens, closes) if opens and closes else None
        return cleaned


class FindForm(HoursFields):
    """What to look for: kind, clinician, near which day, on what days and hours."""

    kind = forms.ModelChoiceField(AppointmentKind.objects.none(), empty_label=None)
    clinician = forms.ModelChoiceField(Staff.objects.none(), required=False, empty_label="anybody")
    day = forms.DateField(label="On or after", help_text=DAY_EXAMPLE, validators=[day_of_our_time])
    after = forms.DateTimeField(
        required=False, widget=forms.HiddenInput, validators=[day_of_our_time]
    )

    def __init__(
        self, *args: Any, site: Site, clinicians: Any, moving: bool = False, **kwargs: Any
    ) -> None:
        # the page holds a second form with the same fields
        super().__init__(*args, **({"auto_id": "find_%s"} | kwargs))
        kinds = AppointmentKind.objects.filter(site=site)
        self.fields["kind"].queryset = kinds  # type: ignore[attr-defined]
        self.fields["clinician"].queryset = clinicians  # type: ignore[attr-defined]
        names = ["clinician", "day"] if moving else ["kind", "clinician", "day"]
        if moving:
            del self.fields["kind"]
        self.helper = plain_helper(
            Div(*names, css_class="diary-find"),
            Div("weekdays", "opens", "closes", css_class="diary-find diary-hours"),
            "after",
        )
        self.helper.disable_csrf = True


class BookingForm(forms.ModelForm):
    """One time, from a button of the list or typed."""

    seen = forms.IntegerField(required=False, widget=forms.HiddenInput)
    second = forms.TypedChoiceField(
        label="Which of the two",
        choices=WHICH,
        required=False,
        empty_value=None,
        coerce=lambda word: word == "yes",
        widget=forms.HiddenInput,
    )

    class Meta:
        model = Appointment
        fields = ["kind", "local_date", "local_time", "clinician", "room"]
        help_texts = {"local_date": DAY_EXAMPLE, "local_time": "For example 14:30."}

    def __init__(
        self,
        *args: Any,
        site: Site,
        clinicians: Any,
        today: date,
        moving: bool = False,
        **kwargs: Any,
    ) -> None:
        """today: at the site; nothing is booked before it."""
        super().__init__(*args, **kwargs)
        self.today = today
        kinds = AppointmentKind.objects.filter(site=site).select_related("site")
        self.fields["kind"].queryset = kinds  # type: ignore[attr-defined]
        self.fields["room"].queryset = Room.objects.filter(site=site)  # type: ignore[attr-defined]
        self.fields["clinician"].queryset = clinicians  # type: ignore[attr-defined]
        for name in ("kind", "room", "clinician"):
            self.fields[name].empty_label = "choose"  # type: ignore[attr-defined]
        rows: list[Any] = [Div("local_date", "local_time", css_class="pair"), "second"]
        if moving:
            del self.fields["kind"]
            rows.append(Div("clinician", "room", css_class="pair"))
            self.helper = plain_helper(*rows, "seen")
        else:
            del self.fields["seen"]
            rows.append(Div("kind", "clinician", "room", css_class="pair"))
            self.helper = plain_helper(*rows)

    def ask_which(self) -> None:
        """Ask which of two equal times is meant; without two there is nothing to ask."""
        self.fields["second"].widget = forms.RadioSelect(choices=WHICH)

    def clean_local_date(self) -> date:
        day: date = self.cleaned_data["local_date"]
        day_of_our_time(day)
        if day < self.today:
            raise ValidationError("This day is over: choose today or later.")
        return day

    def _post_clean(self) -> None:
        """The row is made and checked by the service, once it has its instants."""


class KeepForm(BookingForm):
    """A time of the list that is kept while the client decides."""

    def wanted(self) -> dict[str, Any]:
        """What the service keeps; raises ValidationError for a time that is not one."""
        found = self.cleaned_data
        zone = ZoneInfo(found["kind"].site.time_zone)
        day, at, second = found["local_date"], found["local_time"], bool(found["second"])
        try:
            start = moment(day, at, zone, second=second)
        except MissingTimeError as missing:
            raise ValidationError(str(missing)) from missing
        named = {name: found[name] for name in ("kind", "clinician", "room")}
        return named | {"starts_at": start.at}


class ReasonForm(forms.Form):
    """Why an appointment is cancelled."""

    reason = forms.CharField(label="Why", max_length=160, help_text="No health details.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper()


class CloseForm(ReasonForm):
    """What became of a reassessment that will not be booked."""

    state = forms.TypedChoiceField(
        label="What happened",
        choices=[
            (ReassessmentState.DECLINED, "the client declined"),
            (ReassessmentState.LOST, "the client could not be reached"),
        ],
        widget=forms.RadioSelect,
        coerce=ReassessmentState,
    )
    field_order = ["state", "reason"]


class DueForm(forms.Form):
    """When a client is to be looked at again, and by whom."""

    due_on = forms.DateField(label="Due on", help_text=DAY_EXAMPLE, validators=[day_of_our_time])
    clinician = forms.ModelChoiceField(Staff.objects.none(), empty_label=None)

    def __init__(self, *args: Any, today: date, clinicians: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.today = today
        self.fields["clinician"].queryset = clinicians  # type: ignore[attr-defined]
        self.helper = plain_helper()

    def clean_due_on(self) -> date:
        day: date = self.cleaned_data["due_on"]
        if day < self.today:
            raise ValidationError("This day is over: choose today or later.")
        return day
