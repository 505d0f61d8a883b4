"""The running history as a form, made from the facts of an edition."""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from crispy_forms.helper import FormHelper
from crispy_forms.layout import Div, Fieldset, Layout
from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict

from assessments.domain.tables import AssessmentTables, Fact
from assessments.domain.vocabulary import FactKind
from assessments.forms.assessments import CommaDecimalField, SpeedField
from assessments.forms.episodes import words_of
from assessments.services.histories import Told
from clinic.widgets import DateField

SPEED = "usual_speed_m_s"
# asked elsewhere (episode, client), or counted from a date on the day of the assessment
ELSEWHERE = frozenset(
    {
        "complaint_present",
        "complaint_region",
        "complaint_side",
        "goal",
        "age_years",
        "sex",
        "previous_injury_months",
        "weeks_postnatal",
    }
)
GROUPS: Sequence[tuple[str, tuple[str, ...]]] = (
    ("Body", ("height_m", "mass_kg")),
    (
        "Running",
        (
            "weekly_distance_km",
            "runs_per_week",
            "longest_run_km",
            SPEED,
            "load_change_percent",
            "years_running",
            "surfaces",
        ),
    ),
    ("Last injury", ("previous_injury_region", "injured_on")),
    ("Exercises at home", ("minutes_a_day", "equipment")),
    ("General health", ("osteoporosis", "lumbar_complaint", "pelvic_floor_signs")),
    ("Pregnancy and birth", ("pregnant", "gave_birth_on")),
    ("Shoes", ("shoe_stack_mm", "shoe_drop_mm", "shoe_distance_km", "orthoses")),
)
DATES = ("injured_on", "gave_birth_on")
FOR_WOMEN = ("pregnant", "gave_birth_on")
YES_NO = [("yes", "yes"), ("no", "no")]
A_MINUTE = 60


class HistoryForm(forms.Form):
    """One field a fact; an empty one is not asked. Two dates stand for months and weeks."""

    seen = forms.CharField(widget=forms.HiddenInput, required=False)
    injured_on = DateField(
        label="About when did that injury stop you from running as usual?", required=False
    )
    gave_birth_on = DateField(label="If you have given birth, when was it?", required=False)

    def __init__(
        self, *args: Any, tables: AssessmentTables, told: Told, man: bool, **kwargs: Any
    ) -> None:
        first = {"injured_on": told.injured_on, "gave_birth_on": told.gave_birth_on}
        kwargs["initial"] = first | shown(told, tables) | kwargs.get("initial", {})
        super().__init__(*args, **kwargs)
        facts = [fact for fact in tables.facts.values() if fact.code not in ELSEWHERE]
        for fact in facts:
            self.fields[fact.code] = field_of(fact)
        for name in FOR_WOMEN if man else ():
            del self.fields[name]
        speed = told.answers.get(SPEED)
        if isinstance(speed, Decimal) and SPEED in self.fields:
            self.fields[SPEED].help_text += f" Last time: {both_ways(speed)}."
        self.asked = [fact.code for fact in facts if fact.code in self.fields]
        self.helper = FormHelper()
        self.helper.form_tag = False  # the template owns <form> and its buttons
        self.helper.layout = Layout("seen", *self._groups())

    def show_stored(self, stored: Told, stamp: str, tables: AssessmentTables) -> None:
        """After a clash: what is stored now beside each field that differs; saving again wins."""
        again = QueryDict(mutable=True)
        again.update(self.data)
        again["seen"] = stamp
        self.data = again
        dates = {name: getattr(stored, name) for name in DATES}
        now = dates | {code: stored.answers.get(code) for code in self.asked}
        typed = {name: self.cleaned_data.get(name) for name in (*DATES, *self.asked)}
        for name, found in now.items():
            if name in self.fields and _empty_as_none(found) != _empty_as_none(typed[name]):
                self.add_error(name, f"Stored now: {in_words(found, tables, name)}.")

    def _groups(self) -> list[Fieldset]:
        placed = {name for _, names in GROUPS for name in names}
        rest = tuple(name for name in self.asked if name not in placed)
        groups = [*GROUPS, ("Other", rest)]
        kept = [
            (title, [name for name in names if name in self.fields]) for title, names in groups
        ]
        return [Fieldset(title, Div(*names, css_class="pair")) for title, names in kept if names]

    @property
    def told(self) -> Told:
        """What was typed, for the service."""
        found = self.cleaned_data
        return Told(
            injured_on=found.get("injured_on"),
            gave_birth_on=found.get("gave_birth_on"),
            answers={code: found.get(code) for code in self.asked},
        )


def shown(told: Told, tables: AssessmentTables) -> dict[str, Any]:
    """Earlier answers as they are typed: numbers without zeros that say nothing."""
    return {
        code: f"{found:.{tables.facts[code].decimals}f}" if isinstance(found, Decimal) else found
        for code, found in told.answers.items()
        if code in tables.facts  # a newer edition may have dropped it
    }


def both_ways(speed: Decimal) -> str:
    """A speed in m/s, and as minutes and seconds for a kilometre."""
    minutes, seconds = divmod(round(1000 / speed), A_MINUTE)
    return f"{speed.normalize():f} m/s, {minutes}:{seconds:02d} for a kilometre"


def _empty_as_none(found: object) -> object:
    return None if found in ("", []) else found


def in_words(found: object, tables: AssessmentTables, name: str) -> str:
    """A stored answer as a page says it."""
    if isinstance(found, Decimal):
        return f"{found:.{tables.facts[name].decimals}f}"
    if isinstance(found, date):
        return f"{found:%d %b %Y}"
    if isinstance(found, list):
        return ", ".join(words_of(code) for code in found) or "nothing"
    return words_of(str(found)) if found else "nothing"


def field_of(fact: Fact) -> forms.Field:
    """The field of a fact with its question, its choices or its limits."""
    if fact.kind is FactKind.NUMBER:
        return _number(fact)
    if fact.kind is FactKind.LIST:
        return forms.MultipleChoiceField(
            label=fact.question,
            required=False,
            choices=[(code, words_of(code)) for code in fact.choices],
            widget=forms.CheckboxSelectMultiple,
        )
    yes_no = fact.kind is FactKind.YES_NO
    choices = YES_NO if yes_no else [(code, words_of(code)) for code in fact.choices]
    return forms.ChoiceField(
        label=fact.question, required=False, choices=[("", "not asked"), *choices]
    )


def _number(fact: Fact) -> forms.Field:
    low, high = fact.plausible.low, fact.plausible.high
    kind = SpeedField if fact.code == SPEED else CommaDecimalField
    unit = "m/s, or min:s for a kilometre such as 5:40" if fact.code == SPEED else fact.unit
    field: forms.Field = kind(
        label=fact.question,
        required=False,
        help_text=f"{unit}; from {low} to {high}.",
        widget=forms.TextInput(attrs={"inputmode": "decimal", "class": "short"}),
    )
    field.validators.append(_within(fact))
    return field


def _within(fact: Fact) -> Any:
    def check(number: Decimal) -> None:
        if not fact.plausible.holds(number):
            low, high = fact.plausible.low, fact.plausible.high
            raise ValidationError(f"Between {low} and {high} {fact.unit}.")
        if -number.normalize().as_tuple().exponent > fact.decimals:  # type: ignore[operator]
            whole = "a whole number" if not fact.decimals else f"{fact.decimals} decimals at most"
            raise ValidationError(f"Write {whole}.")

    return check
