"""What a form says of bad input: what to do, instead of what is wrong.

The framework keeps its sentences on the classes of fields and validators; they are replaced there,
so that every form of ours and of the library of sign-in says the same. A field with words of its
own keeps them.
"""

from django import forms
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core import validators
from django.db import models

FILL_IN = "Fill this in."
CHOOSE, FROM_LIST = "Choose one.", "Choose one of the list."
WORDS: dict[type[forms.Field], dict[str, str]] = {
    forms.Field: {"required": FILL_IN},
    forms.BooleanField: {"required": "Tick this to go on."},
    forms.ChoiceField: {
        "required": CHOOSE,
        "invalid_choice": f"{FROM_LIST} %(value)s is not in it.",
    },
    forms.ModelChoiceField: {"required": CHOOSE, "invalid_choice": FROM_LIST},
    forms.MultipleChoiceField: {
        "required": "Choose at least one.",
        "invalid_choice": "Choose from the list. %(value)s is not in it.",
    },
    forms.ModelMultipleChoiceField: {
        "required": "Choose at least one.",
        "invalid_choice": "Choose from the list. %(value)s is not in it.",
    },
    forms.DateField: {"invalid": "Write a day that exists, such as 12.3.2027."},
    forms.TimeField: {"invalid": "Write a time such as 14:30."},
    forms.IntegerField: {"invalid": "Write a whole number."},
    forms.DecimalField: {"invalid": "Write a number such as 2.5."},
    forms.FloatField: {"invalid": "Write a number such as 2.5."},
    forms.FileField: {
        "required": "Choose a file.",
        "missing": "Choose a file.",
        "empty": "This file is empty: choose another one.",
    },
}
DIGITS = {
    "invalid": "Write a number such as 2.5.",
    "max_digits": "Digits: at most %(max)s.",
    "max_decimal_places": "Digits after the point: at most %(max)s.",
    "max_whole_digits": "Digits before the point: at most %(max)s.",
}
LIMITS: dict[type[validators.BaseValidator], str] = {
    validators.MinValueValidator: "Write %(limit_value)s or more.",
    validators.MaxValueValidator: "Write %(limit_value)s or less.",
    validators.MinLengthValidator: "Write at least %(limit_value)d characters: it has "
    "%(show_value)d.",
    validators.MaxLengthValidator: "Write at most %(limit_value)d characters: it has "
    "%(show_value)d.",
}
ADDRESS = "Write an address such as name@example.org."
NAME = "Use letters, digits and the signs @ . + - _ only, without spaces."


def use() -> None:
    """Replace the framework's sentences by ours, once, while the site starts."""
    for field, words in WORDS.items():
        field.default_error_messages = {**field.default_error_messages, **words}
    for validator, sentence in LIMITS.items():
        validator.message = sentence
    validators.DecimalValidator.messages = {**validators.DecimalValidator.messages, **DIGITS}
    validators.EmailValidator.message = ADDRESS
    validators.validate_email.message = ADDRESS
    UnicodeUsernameValidator.message = NAME
    empty = {"null": FILL_IN, "blank": FILL_IN, "invalid_choice": FROM_LIST}
    models.Field.default_error_messages = {**models.Field.default_error_messages, **empty}
