"""What a form says of bad input says what to do."""

from datetime import time
from decimal import Decimal

import pytest
from django import forms
from django.core.exceptions import ValidationError

from clinic.models import Client, Staff

WORDS = [
    (forms.CharField(), "", "Fill this in."),
    (forms.CharField(max_length=3), "four", "Write at most 3 characters: it has 4."),
    (forms.CharField(min_length=3), "no", "Write at least 3 characters: it has 2."),
    (forms.BooleanField(), False, "Tick this to go on."),
    (forms.ChoiceField(choices=[("a", "a")]), "", "Choose one."),
    (forms.ChoiceField(choices=[("a", "a")]), "b", "Choose one of the list. b is not in it."),
    (forms.MultipleChoiceField(choices=[("a", "a")]), [], "Choose at least one."),
    (forms.DateField(), "31.4.2027", "Write a day that exists, such as 12.3.2027."),
    (forms.TimeField(), "25:00", "Write a time such as 14:30."),
    (forms.IntegerField(), "two", "Write a whole number."),
    (forms.IntegerField(min_value=1), "0", "Write 1 or more."),
    (forms.DecimalField(max_value=9), "10", "Write 9 or less."),
    (forms.DecimalField(), "two", "Write a number such as 2.5."),
    (forms.DecimalField(decimal_places=1), "2.25", "Digits after the point: at most 1."),
    (forms.EmailField(), "nowhere", "Write an address such as name@example.org."),
    (forms.FileField(), None, "Choose a file."),
]


@pytest.mark.parametrize(("field", "typed", "said"), WORDS, ids=lambda it: str(it)[:40])
def test_a_form_says_what_to_do(field, typed, said):
    with pytest.raises(ValidationError) as refused:
        field.clean(typed)

    assert refused.value.messages == [said]


@pytest.mark.parametrize(
    ("field", "typed"), [(forms.DateField(), "12.3.2027"), (forms.TimeField(), "14:30")]
)
def test_the_example_that_is_given_is_taken(field, typed):
    assert field.clean(typed)
    assert forms.DecimalField().clean("2.5") == Decimal("2.5")
    assert forms.TimeField().clean("14:30") == time(14, 30)


def test_a_model_says_the_same():
    with pytest.raises(ValidationError) as refused:
        Client(family_name="").clean_fields()
    assert refused.value.message_dict["family_name"] == ["Fill this in."]

    with pytest.raises(ValidationError, match="without spaces"):
        Staff(username="two words").clean_fields()
