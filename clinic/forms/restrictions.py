"""Forms of a restricted record: who may open it, and why it ends."""

from typing import Any

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError

from clinic.forms.people import plain_helper
from clinic.forms.staff import SitesField
from clinic.models import Restriction, RestrictionLine, Site, Staff
from clinic.services.free_times import clinicians_of
from clinic.services.restrictions import names, people_of, stamp_of, teams_of

WITHOUT_ME = (
    "You are not named: once this is saved, the record does not exist for you. Name yourself, or "
    "tick that you mean it."
)


class TeamsField(SitesField):
    """Teams by their keys, with who is in them."""

    def label_from_instance(self, team: Any) -> str:
        people = ", ".join(str(it.staff) for it in team.members.all() if it.until is None)
        return f"{team} ({people or 'nobody is in it'})"


class OwnerField(forms.ModelChoiceField):
    """One clinician; a key that no column can hold is nobody, on SQLite as well."""

    def to_python(self, value: Any) -> Any:
        try:
            return super().to_python(value)
        except OverflowError as too_large:
            raise ValidationError(self.error_messages["invalid_choice"]) from too_large


def owner_field(site: Site, **settings: Any) -> OwnerField:
    return OwnerField(
        label="Clinician who answers for it",
        queryset=clinicians_of(site).order_by("last_name", "first_name"),
        empty_label="choose",
        error_messages={"invalid_choice": "Choose a clinician of this list."},
        **settings,
    )


class RestrictionForm(forms.Form):
    """Who may open the record; the reason where it is set."""

    reason = forms.CharField(
        label="Why",
        max_length=300,
        help_text="Whoever opens the record may read it. It is not changed later.",
    )
    staff = SitesField(
        label="These people may open it",
        queryset=Staff.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Whoever answers for it can open it anyway. Name the receptionist who greets "
        "the client and books, and a manager who is to be able to change this. For everybody else "
        "the diary shows the time and the words “Restricted record”, and no search finds it.",
        error_messages={"invalid_choice": "Tick people of this list."},
    )
    teams = TeamsField(
        label="So may these teams",
        queryset=Staff.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Whoever is in the team at that moment.",
        error_messages={"invalid_choice": "Tick teams of this list."},
    )
    without_me = forms.BooleanField(label="I shall not be able to open it", required=False)
    seen = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(
        self,
        *args: Any,
        site: Site,
        by: Staff,
        restriction: Restriction | None = None,
        **kwargs: Any,
    ) -> None:
        """site: of the record. restriction: the one that stands, to be changed."""
        super().__init__(*args, **kwargs)
        self.by = by
        self.fields["owner"] = owner_field(site)
        people, teams = self.fields["staff"], self.fields["teams"]
        people.queryset = people_of(site).distinct()  # type: ignore[attr-defined]
        teams.queryset = teams_of(site).prefetch_related("members__staff")  # type: ignore[attr-defined]
        if restriction is None:
            if by.is_clinician:
                self.fields["owner"].initial = by.pk
            del self.fields["seen"]
        else:
            del self.fields["reason"]
            self._show(restriction)
        if not self.is_bound:
            del self.fields["without_me"]
        if not teams.queryset.exists():  # type: ignore[attr-defined]
            del self.fields["teams"]
        order = ["reason", "owner", "staff", "teams", "without_me", "seen"]
        self.helper = plain_helper(*(Div(it) for it in order if it in self.fields))

    def _show(self, restriction: Restriction) -> None:
        lines = list(RestrictionLine.objects.standing().of(restriction))
        people = [it.staff_id for it in lines if it.staff_id is not None and not it.is_owner]
        self.fields["staff"].initial = people
        self.fields["teams"].initial = [it.team_id for it in lines if it.team_id is not None]
        self.fields["owner"].initial = next((it.staff_id for it in lines if it.is_owner), None)
        self.fields["seen"].initial = stamp_of(restriction)

    def clean_reason(self) -> str:
        reason = str(self.cleaned_data["reason"]).strip()
        if not reason:
            raise ValidationError("Say why the record is restricted.")
        return reason

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        people = [*([cleaned["owner"]] if cleaned.get("owner") else []), *cleaned.get("staff", [])]
        left_out = bool(people) and not names(self.by, people, list(cleaned.get("teams") or []))
        if left_out and not cleaned.get("without_me"):
            self.add_error("without_me", WITHOUT_ME)
        return cleaned

    def said(self) -> dict[str, Any]:
        """What the service takes."""
        found = {name: value for name, value in self.cleaned_data.items() if name != "without_me"}
        return found | {"staff": list(found["staff"]), "teams": list(found.get("teams") or [])}


class RestrictionEndForm(forms.Form):
    reason = forms.CharField(
        label="Why it ends",
        max_length=300,
        help_text="From then on everybody of the site may open the record.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper()


class HandOnForm(forms.Form):
    """Another clinician where the owner is gone."""

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["owner"] = owner_field(site)
        self.helper = plain_helper()
