"""Forms of accounts, sites and rooms, and of a password chosen by invitation."""

from typing import Any

from allauth.account.forms import SetPasswordForm
from crispy_forms.layout import Div, Field
from django import forms
from django.core.exceptions import ValidationError

from clinic.domain.sites import zones
from clinic.domain.vocabulary import Role
from clinic.forms.people import AddressMixin, plain_helper
from clinic.forms.seen import SeenMixin
from clinic.models import Room, Site, Staff
from clinic.public_holidays import regions

ROLE_WORDS = {
    Role.CLINICIAN: "clinician: assesses, signs, writes letters; sees the whole record",
    Role.RECEPTION: "reception: clients' contact data, diary, what is due; nothing clinical",
    Role.MANAGER: "manager: accounts, sites, hours, trail",
    Role.AUDITOR: "auditor: looks at records, papers and trail; changes nothing",
}


class SitesField(forms.ModelMultipleChoiceField):
    """Sites by their keys; a key that no column can hold is no site, on SQLite as well."""

    def clean(self, value: Any) -> Any:
        try:
            return super().clean(value)
        except OverflowError as too_large:
            raise ValidationError(self.error_messages["invalid_choice"]) from too_large


class PersonForm(SeenMixin, forms.ModelForm):
    seen = forms.CharField(widget=forms.HiddenInput, required=False)
    roles = forms.MultipleChoiceField(
        label="Roles",
        choices=[(role.value, ROLE_WORDS.get(role, role.value)) for role in Role],
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Tick at least one role."},
    )
    sites = SitesField(
        label="Works at",
        queryset=Site.objects.all(),
        widget=forms.CheckboxSelectMultiple,
        help_text="Clients of other sites are not shown.",
        error_messages={
            "required": "Tick at least one site.",
            "invalid_choice": "Tick sites of this list.",
        },
    )

    class Meta:
        model = Staff
        fields = [
            "first_name",
            "last_name",
            "email",
            "profession",
            "registration_number",
            "home_site",
        ]
        labels = {"first_name": "Given name", "last_name": "Family name", "email": "E-mail"}
        help_texts = {
            "email": "For the invitation, and for a link when the password is forgotten.",
            "registration_number": "Clinicians: as it prints on letters.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("first_name", "last_name", "home_site"):
            self.fields[name].required = True
        self.helper = plain_helper(
            *self.head(),
            Div("first_name", "last_name", css_class="pair"),
            "email",
            Div("profession", "registration_number", css_class="pair"),
            "roles",
            "sites",
            "home_site",
            "seen",
        )

    def head(self) -> list[Any]:
        return []

    def said(self) -> dict[str, Any]:
        """What the service takes."""
        found = {name: self.cleaned_data[name] for name in self.Meta.fields}
        found |= {"roles": [Role(role) for role in self.cleaned_data["roles"]]}
        return found | {"sites": list(self.cleaned_data["sites"])}


class InvitationForm(PersonForm):
    username = forms.CharField(
        label="Name to sign in with",
        max_length=150,
        help_text="Small letters and figures; it cannot be changed later.",
        widget=forms.TextInput(attrs={"autocapitalize": "none", "spellcheck": "false"}),
    )

    def head(self) -> list[Any]:
        return [Field("username", autocomplete="off")]

    def said(self) -> dict[str, Any]:
        return super().said() | {"username": self.cleaned_data["username"]}


class SiteForm(SeenMixin, AddressMixin, forms.ModelForm):
    seen = forms.CharField(widget=forms.HiddenInput, required=False)

    class Meta:
        model = Site
        fields = [
            "clinic_name",
            "name",
            "code",
            "address",
            "telephone",
            "email",
            "time_zone",
            "holiday_region",
        ]
        labels = {
            "clinic_name": "Name of the clinic",
            "name": "Name of the site",
            "email": "E-mail",
        }
        widgets = {"address": forms.Textarea(attrs={"rows": 4})}
        help_texts = {
            "time_zone": "Appointments that are agreed keep the zone of that moment.",
            "holiday_region": "Nobody is booked on them, unless the hours of that day say so. "
            "A local holiday that is missing is entered as a closed day.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        names = zones()
        if self.instance.pk and self.instance.time_zone not in names:
            names = [self.instance.time_zone, *names]
        self.fields["time_zone"].widget = forms.Select(choices=[(name, name) for name in names])
        holidays = [(code, f"{name} ({code})") for code, name in regions().items()]
        kept = self.instance.holiday_region
        if kept and kept not in regions():
            holidays.insert(0, (kept, f"{kept}: not known, choose another"))
        self.fields["holiday_region"].widget = forms.Select(
            choices=[("", "none are kept"), *holidays]
        )
        self.helper = plain_helper(
            "clinic_name",
            Div("name", "code", css_class="pair"),
            "address",
            Div("telephone", "email", css_class="pair"),
            Div("time_zone", "holiday_region", css_class="pair"),
            "seen",
        )

    def said(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in self.Meta.fields}


class RoomForm(forms.ModelForm):
    class Meta:
        model = Room
        fields = ["name", "has_treadmill"]
        labels = {"has_treadmill": "A treadmill stands in it"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper()

    def said(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in self.Meta.fields}


class ChoosePasswordForm(SetPasswordForm):  # type: ignore[misc]
    """The first password of an account, or another one, by invitation."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["password1"].label = "Password"
        self.fields["password2"].label = "The same again"
        self.fields["password1"].help_text = ""
        for field in self.fields.values():
            field.widget.attrs.pop("placeholder", None)
        self.helper = plain_helper()
