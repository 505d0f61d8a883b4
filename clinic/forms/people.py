"""Forms of clients, referrers, consents and alerts."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from crispy_forms.helper import FormHelper
from crispy_forms.layout import Div, Fieldset, Layout
from django import forms
from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db.models import Model
from django.http import QueryDict
from django.utils import timezone

from clinic.domain.vocabulary import Known
from clinic.forms.seen import SeenMixin
from clinic.models import Alert, Client, Consent, Referrer, Site

DATE_EXAMPLE = "For example 12.3.1990."
EARLIEST_BIRTH = date(1900, 1, 1)
NAMES = ["given_names", "family_name", "preferred_name", "birth_date", "sex_for_norms"]
CONTACT = ["address", "telephone", "email", "preferred_channel", "next_of_kin", "doctor"]
READING = ["document_format", "language", "communication_needs"]
CLINICAL = ["allergies_known", "allergies", "medicines_known", "medicines"]


def plain_helper(*parts: Any) -> FormHelper:
    """A layout whose <form> and buttons belong to the template."""
    helper = FormHelper()
    helper.form_tag = False
    if parts:
        helper.layout = Layout(*parts)
    return helper


def show_refusal(form: forms.BaseForm, refusal: ValidationError) -> None:
    """What a service refused, next to its field, or above the form when it has no field there."""
    if not hasattr(refusal, "error_dict"):
        form.add_error(None, refusal)
        return
    for name, errors in refusal.error_dict.items():
        place = name if name in form.fields and name != NON_FIELD_ERRORS else None
        for error in errors:
            form.add_error(place, error)


class SearchForm(forms.Form):
    q = forms.CharField(
        label="Find a client",
        required=False,
        max_length=120,
        help_text="Part of a name, record number, telephone or date of birth.",
        widget=forms.TextInput(
            attrs={
                "autofocus": True,
                "autocomplete": "off",
                "class": "form-control",
                "aria-describedby": "id_q_helptext",
            }
        ),
    )


class AddressMixin:
    """An address with the line ends that are stored, or an unchanged one would seem changed."""

    cleaned_data: dict[str, Any]

    def clean_address(self) -> str:
        return "\n".join(str(self.cleaned_data["address"]).splitlines())


class ClientForm(AddressMixin, forms.ModelForm):
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    class Meta:
        model = Client
        fields = [*NAMES, "died_on", *CONTACT, *READING, *CLINICAL]
        widgets = {
            "allergies_known": forms.RadioSelect,
            "medicines_known": forms.RadioSelect,
            "address": forms.Textarea(attrs={"rows": 3, "autocomplete": "off"}),
        }

    def __init__(self, *args: Any, site: Site | None, clinical: bool, **kwargs: Any) -> None:
        """site: whose doctors are offered; clinical: whether allergies and medicines are asked."""
        super().__init__(*args, **kwargs)
        if not clinical:
            for name in CLINICAL:
                del self.fields[name]
        self.fields["given_names"].required = False
        self.fields["given_names"].help_text = "Empty for a person with one name."
        self.fields["birth_date"].help_text = DATE_EXAMPLE
        self.fields["sex_for_norms"].choices = [  # type: ignore[attr-defined]
            ("", "not asked"),
            *Client._meta.get_field("sex_for_norms").choices,  # type: ignore[misc]
        ]
        doctors = self.fields["doctor"]
        doctors.queryset = Referrer.objects.filter(site=site)  # type: ignore[attr-defined]
        doctors.empty_label = "none named"  # type: ignore[attr-defined]
        if not self.instance.pk:
            del self.fields["died_on"]
        else:
            self.fields["died_on"].label = "Day of death"
            self.fields["version"].initial = self.instance.version
        self.helper = plain_helper(*self._groups(clinical=clinical))

    def _groups(self, *, clinical: bool) -> list[Any]:
        groups = [
            Fieldset(
                "Person",
                Div("given_names", "family_name", css_class="pair"),
                "preferred_name",
                Div("birth_date", "sex_for_norms", css_class="pair"),
                *(["died_on"] if self.instance.pk else []),
            ),
            Fieldset(
                "Contact",
                "address",
                Div("telephone", "email", css_class="pair"),
                Div("preferred_channel", "next_of_kin", css_class="pair"),
                "doctor",
            ),
            Fieldset(
                "Reading and speaking",
                Div("document_format", "language", css_class="pair"),
                "communication_needs",
            ),
        ]
        if clinical:
            groups.append(Fieldset("Allergies and medicines", *CLINICAL))
        return [*groups, "version"]

    def clean_birth_date(self) -> date:
        born: date = self.cleaned_data["birth_date"]
        if born > timezone.localdate():
            raise ValidationError("The date of birth lies in the future: check the year.")
        if born < EARLIEST_BIRTH:
            raise ValidationError("The date of birth lies before 1900: check the year.")
        return born

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for name in ("allergies", "medicines"):
            known, listed = cleaned.get(f"{name}_known"), cleaned.get(name)
            if known == Known.LISTED and not listed:
                self.add_error(name, f"Name the {name}, or choose another answer above.")
            elif known and known != Known.LISTED and listed:
                self.add_error(name, f"Choose “listed” above, or take the {name} out.")
        born, died = cleaned.get("birth_date"), cleaned.get("died_on")
        if born and died and died < born:
            self.add_error("died_on", "The day of death lies before the birth: check both days.")
        return cleaned


class ReferrerForm(AddressMixin, forms.ModelForm):
    class Meta:
        model = Referrer
        fields = ["name", "kind", "practice", "address", "telephone", "email"]
        widgets = {"address": forms.Textarea(attrs={"rows": 4})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper(
            "name",
            Div("kind", "practice", css_class="pair"),
            "address",
            Div("telephone", "email", css_class="pair"),
        )


class ReferrerEditForm(SeenMixin, ReferrerForm):
    seen = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper.layout.append("seen")

    def said(self) -> dict[str, Any]:
        """What the service takes."""
        return {name: self.cleaned_data[name] for name in self.Meta.fields}


class ConsentForm(forms.ModelForm):
    given = forms.TypedChoiceField(
        label="Answer",
        choices=[("yes", "given"), ("no", "refused")],
        widget=forms.RadioSelect,
        coerce=lambda answer: answer == "yes",
    )

    # the version of the text that stood on the page
    read = forms.IntegerField(widget=forms.HiddenInput, required=False)

    class Meta:
        model = Consent
        fields = ["given", "given_on", "manner", "given_as", "given_by", "limits"]
        widgets = {"manner": forms.RadioSelect}
        help_texts = {
            "given_on": "For example 12.3.2027.",
            "limits": "What the client left out, if anything.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["manner"].choices = self.fields["manner"].choices[1:]  # type: ignore[attr-defined]
        footing = self.fields["given_as"]
        footing.choices = footing.choices[:-1]  # type: ignore[attr-defined]
        self.helper = plain_helper(
            "given",
            "manner",
            "given_on",
            Div("given_as", "given_by", css_class="pair"),
            "limits",
            "read",
        )


class AlertForm(forms.ModelForm):
    class Meta:
        model = Alert
        fields = ["kind", "text", "since"]
        help_texts = {
            "text": "Everybody who opens the record sees this, reception too.",
            "since": "For example 12.3.2027.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper(Div("kind", "since", css_class="pair"), "text")


class EndForm(forms.Form):
    """The day on which something ends."""

    on = forms.DateField(label="On", help_text="For example 12.3.2027.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper()


def resolved(posted: QueryDict, form: forms.ModelForm) -> QueryDict:
    """What was typed, with the stored value where the person chose to keep it.

    form: unbound, of the row as it is stored.
    """
    data = posted.copy()
    for name in form.fields:
        if data.get(f"keep-{name}") == "stored":
            shown = form[name].value()
            data[name] = "" if shown is None else str(shown)
        data.pop(f"keep-{name}", None)
    return data


def clashes(form: forms.ModelForm, stored: Model) -> list[dict[str, str]]:
    """Fields whose typed and stored values differ, both as words."""
    found = []
    for name in form.Meta.fields:  # type: ignore[attr-defined]
        if name not in form.fields:
            continue
        here, there = form.cleaned_data.get(name), getattr(stored, name)
        if here != there:
            words = _words_of(form.fields[name])
            found.append(
                {
                    "name": name,
                    "label": str(form.fields[name].label),
                    "typed": words.get(here, str(here or "")),
                    "stored": words.get(there, str(there or "")),
                }
            )
    return found


def _words_of(field: forms.Field) -> Mapping[Any, str]:
    plain = isinstance(field, forms.ChoiceField) and not isinstance(field, forms.ModelChoiceField)
    return {value: str(word) for value, word in field.choices} if plain else {}  # type: ignore[attr-defined]
