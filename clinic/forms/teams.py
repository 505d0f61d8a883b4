"""Form of a team."""

from typing import Any

from django import forms

from clinic.forms.people import plain_helper
from clinic.forms.staff import SitesField
from clinic.models import Site, Staff
from clinic.services.restrictions import people_of


class TeamForm(forms.Form):
    name = forms.CharField(label="Name of the team", max_length=60)
    members = SitesField(
        label="In the team",
        queryset=Staff.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Whoever leaves it opens nothing by it from that moment.",
        error_messages={"invalid_choice": "Tick people of this list."},
    )
    seen = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["members"].queryset = people_of(site)  # type: ignore[attr-defined]
        self.helper = plain_helper()

    def said(self) -> dict[str, Any]:
        """What the services take."""
        return {
            "name": self.cleaned_data["name"],
            "members": list(self.cleaned_data["members"]),
        }
