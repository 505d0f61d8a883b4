"""The running history as a form, made from the facts of an edition."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict

from assessments.domain.tables import AssessmentTables, Fact
from assessments.domain.vocabulary import FactKind
from assessments.forms.assessments import CommaDecimalField, SpeedField
from assessments.forms.episodes import words_of
from assessments.services.histories import DATES, Found, Told
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
LATER = {
    "injured_on": "The injury lies after the day of the history.",
    "gave_birth_on": "The birth lies after the day of the history.",
}
FOR_WOMEN = ("pregnant", "gave_birth_on")
YES_NO = [("yes", "yes"), ("no", "no")]
A_MINUTE = 60


@dataclass(frozen=True)
class Part:
    """One question as the page shows it: its field, and what is stored, typed and in words.

    overtaken: somebody saved another answer meanwhile, so that one of the two is chosen.
    """

    name: str
    field: forms.BoundField
    seen: str
    stored: str
    overtaken: bool = False


class HistoryForm(forms.Form):
    """One field a fact; an empty one is not asked. Two dates stand for months and weeks."""

    seen = forms.CharField(widget=forms.HiddenInput, required=False)
    injured_on = DateField(
        label="About when did that injury stop you from running as usual?", required=False
    )
    gave_birth_on = DateField(label="If you have given birth, when was it?", required=False)

    def __init__(
        self,
        *args: Any,
        tables: AssessmentTables,
        told: Told,
        man: bool,
        today: date,
        **kwargs: Any,
    ) -> None:
        self.tables, self.before, self.today = tables, told, today
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

    def clean_injured_on(self) -> date | None:
        return self._not_later("injured_on")

    def clean_gave_birth_on(self) -> date | None:
        return self._not_later("gave_birth_on")

    def _not_later(self, name: str) -> date | None:
        day: date | None = self.cleaned_data[name]
        if day and day > self.today:
            raise ValidationError(LATER[name])
        return day

    def show_stored(self, stored: Told, stamp: str) -> None:
        """After a clash: what is stored now beside each field that differs; saving again wins."""
        again = QueryDict(mutable=True)
        again.update(self.data)
        again["seen"] = stamp
        self.data = again
        typed = self.told
        for name in self.names:
            if stored.of(name) != typed.of(name):
                self.add_error(name, f"Stored now: {self._words(stored, name)}.")

    @property
    def names(self) -> list[str]:
        """Dates and facts that this client is asked for."""
        return [name for name in (*DATES, *self.asked) if name in self.fields]

    def groups(self) -> Iterator[tuple[str, list[Part]]]:
        """Titles with their questions, in the order of the page."""
        placed = {name for _, names in GROUPS for name in names}
        rest = tuple(name for name in self.asked if name not in placed)
        for title, names in (*GROUPS, ("Other", rest)):
            parts = [self.part(name) for name in names if name in self.fields]
            if parts:
                yield title, parts

    def part(self, name: str, *, overtaken: bool = False) -> Part:
        """One question with what was stored when the form was made."""
        found = self.before.of(name)
        return Part(name, self[name], as_sent(found), self._words(self.before, name), overtaken)

    def sent(self, name: str, text: str) -> Found:
        """The answer that a text of `as_sent` stands for; raises ValidationError.

        It is not judged: limits and choices may have changed since it was stored.
        """
        many = isinstance(self.fields[name], forms.MultipleChoiceField)
        found = self.fields[name].to_python(text.split(",") if many and text else text)
        return Told().having(name, found).of(name)

    def _words(self, told: Told, name: str) -> str:
        return in_words(told.of(name), self.tables, name)

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


def as_sent(found: Found) -> str:
    """A stored answer as the text that comes back with the next save, no digit lost."""
    if isinstance(found, Decimal):
        return f"{found.normalize():f}"
    if isinstance(found, date):
        return found.isoformat()
    return ",".join(found) if isinstance(found, list) else found or ""


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
