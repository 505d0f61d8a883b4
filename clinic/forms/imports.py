"""The steps of an import: the file, what its columns are, what to do with each row."""

from collections.abc import Sequence
from typing import Any

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile

from clinic.domain.client_rows import FIELDS, LEFT_OUT, DayOrder, mapping_faults
from clinic.domain.tables_from_files import ENCODINGS, LARGEST, SEPARATORS
from clinic.forms.people import plain_helper
from clinic.telephones import is_region

COLUMNS = [(LEFT_OUT, "leave out"), *FIELDS.items()]


class FileForm(forms.Form):
    file = forms.FileField(
        label="File of clients",
        help_text="CSV with a row of headings; at most 5 MB and 20,000 rows.",
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,text/csv"}),
        allow_empty_file=True,
    )
    encoding = forms.ChoiceField(
        label="Letters are written in",
        required=False,
        choices=[("", "UTF-8, or what the file says"), *ENCODINGS.items()],
        help_text="Choose another only if the file is refused or names look wrong.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper("file", "encoding")

    def clean_file(self) -> bytes:
        """The bytes: a file that is too large is not read into memory."""
        file: UploadedFile = self.cleaned_data["file"]
        if (file.size or 0) > LARGEST:
            raise ValidationError(f"The file has more than {LARGEST // 1_000_000} MB: part it.")
        return bytes(file.read())


class ColumnsForm(forms.Form):
    separator = forms.ChoiceField(label="Columns are parted by", choices=list(SEPARATORS.items()))
    order = forms.ChoiceField(
        label="A date such as 03/04/1990 is",
        choices=[
            (DayOrder.UNKNOWN.value, "not known"),
            (DayOrder.DAY_FIRST.value, "3 April, the day first"),
            (DayOrder.MONTH_FIRST.value, "4 March, the month first"),
        ],
        help_text="Not known: dates that can be two days are refused.",
    )
    region = forms.CharField(
        label="Country of telephone numbers without a country code",
        max_length=2,
        help_text="Two letters, such as GB or DE.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    def __init__(self, *args: Any, headings: Sequence[str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.names = [f"column-{place}" for place in range(len(headings))]
        for name, heading in zip(self.names, headings, strict=True):
            self.fields[name] = forms.ChoiceField(
                label=heading or "column without a heading",
                required=False,
                choices=COLUMNS,
                widget=forms.Select(attrs={"class": "form-select"}),
            )
        self.helper = plain_helper(Div("separator", "order", css_class="pair"), "region")

    def clean_region(self) -> str:
        region = str(self.cleaned_data["region"]).strip().upper()
        if not is_region(region):
            raise ValidationError("Write the two letters of a country (ISO 3166), such as GB.")
        return region

    @property
    def columns(self) -> list[str]:
        """The field of each column, in order."""
        return [self.cleaned_data.get(name, LEFT_OUT) for name in self.names]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for words in mapping_faults(self.columns):
            self.add_error(None, ValidationError(words))
        return cleaned
