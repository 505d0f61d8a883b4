"""Forms of an episode, its goals and its discharge."""

from collections.abc import Sequence
from typing import Any

from crispy_forms.layout import Div, Fieldset
from django import forms

from assessments.domain.tables import AssessmentTables
from assessments.models import Episode, Goal
from clinic.forms.people import plain_helper
from clinic.models import Referrer, Site

DATE_EXAMPLE = "For example 12.3.2027."
# how the codes of the fact tables read on a page; a code that is not here reads as it is written
WORDS = {
    "knee_front": "front of the knee",
    "knee_outer": "outer side of the knee",
    "shin_inner": "inner edge of the shin",
    "shin_bone": "shin, on the bone",
    "achilles": "Achilles tendon, middle",
    "achilles_insertional": "Achilles tendon, at the heel bone",
    "plantar": "sole of the foot, at the heel",
    "ankle_inner": "inner side of the ankle",
    "foot_outer": "outer edge of the foot",
    "hip_side": "side of the hip",
    "hip_front": "front of the hip",
    "hamstring": "back of the thigh",
    "low_back": "low back",
    "pain_relief": "less pain",
    "return_to_running": "back to running",
    "performance": "running better",
    "prevention": "staying well",
}


def words_of(code: str) -> str:
    """A code of the fact tables as it reads on a page."""
    return WORDS.get(code, code.replace("_", " "))


def choices_of(tables: AssessmentTables | None, fact: str) -> list[tuple[str, str]]:
    """Choices of one fact, the empty one first; none before the tables are loaded."""
    codes: Sequence[str] = tables.facts[fact].choices if tables else ()
    return [("", "not said"), *((code, words_of(code)) for code in codes)]


class EpisodeForm(forms.ModelForm):
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    class Meta:
        model = Episode
        fields = [
            "reason",
            "opened_on",
            "complaint_present",
            "complaint_region",
            "complaint_side",
            "goal",
            "onset_on",
            "mechanism",
            "aggravating",
            "easing",
            "referrer",
        ]
        help_texts = {"opened_on": DATE_EXAMPLE, "onset_on": "The day, or about when."}

    def __init__(
        self, *args: Any, site: Site, tables: AssessmentTables | None, **kwargs: Any
    ) -> None:
        """site: whose referrers are offered; tables: whose regions and goals are offered."""
        super().__init__(*args, **kwargs)
        for name in ("complaint_region", "goal"):
            label = self.fields[name].label
            # a code of an older edition stays choosable, or editing would lose it
            offered = choices_of(tables, name)
            held = getattr(self.instance, name)
            if held and held not in dict(offered):
                offered.append((held, words_of(held)))
            self.fields[name] = forms.ChoiceField(label=label, choices=offered, required=False)
        for name in ("complaint_present", "complaint_side"):
            choices = self.fields[name].choices  # type: ignore[attr-defined]
            self.fields[name].choices = [("", "not said"), *list(choices)[1:]]  # type: ignore[attr-defined]
        referrers = self.fields["referrer"]
        referrers.queryset = Referrer.objects.filter(site=site)  # type: ignore[attr-defined]
        referrers.empty_label = "came by themselves"  # type: ignore[attr-defined]
        if self.instance.pk:
            self.fields["version"].initial = self.instance.version
        self.helper = plain_helper(
            "reason",
            Fieldset(
                "Complaint",
                Div("complaint_present", "complaint_side", css_class="pair"),
                Div("complaint_region", "onset_on", css_class="pair"),
                "mechanism",
                "aggravating",
                "easing",
            ),
            Fieldset("Aim and origin", Div("goal", "opened_on", css_class="pair"), "referrer"),
            "version",
        )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("complaint_present") == "no":
            for name in ("complaint_region", "complaint_side"):
                if cleaned.get(name):
                    self.add_error(
                        name, "Without a complaint there is no place: choose “not said”."
                    )
        opened, onset = cleaned.get("opened_on"), cleaned.get("onset_on")
        if opened and onset and onset > opened:
            self.add_error("onset_on", "The complaint began after the episode was opened.")
        return cleaned


class GoalForm(forms.ModelForm):
    class Meta:
        model = Goal
        fields = ["text", "by", "reached_on"]
        labels = {"text": "Goal", "by": "By"}
        help_texts = {"by": "The day of the event, or a day to aim for."}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.empty_permitted:  # a line that may stay empty is not marked as needed
            self.fields["text"].required = False

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if self.has_changed() and not cleaned.get("text") and "text" not in self.errors:
            self.add_error("text", "Name the goal.")
        by = cleaned.get("by")
        if by and by < self.instance.set_on:
            self.add_error("by", "The date of the goal lies before the day it was set.")
        return cleaned


GoalForms = forms.modelformset_factory(Goal, form=GoalForm, extra=2)


class DischargeForm(forms.Form):
    on = forms.DateField(label="Discharged on", help_text=DATE_EXAMPLE)
    reason = forms.CharField(
        label="Why the episode ends",
        max_length=200,
        help_text="For example: goal reached; no longer comes; referred on.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper()
