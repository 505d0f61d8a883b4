"""The form that takes over an existing diary."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile

from clinic.diary_files import HEADINGS, MOST_BYTES, NEEDED
from clinic.forms.people import plain_helper
from clinic.models import AppointmentKind, Site, Staff


class DiaryFileForm(forms.Form):
    """A file, and what holds for rows that do not say it."""

    file = forms.FileField(
        help_text=(
            f"CSV whose first line names its columns ({', '.join(HEADINGS)}; needed: "
            f"{', '.join(NEEDED)}), or iCalendar. At most {MOST_BYTES // 1000} kB."
        )
    )
    kind = forms.ModelChoiceField(
        AppointmentKind.objects.none(), empty_label=None, label="Kind, where the file names none"
    )
    clinician = forms.ModelChoiceField(
        Staff.objects.none(),
        required=False,
        empty_label="leave such rows out",
        label="Clinician, where the file names none",
    )

    def __init__(self, *args: Any, site: Site, clinicians: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = AppointmentKind.objects.filter(site=site).select_related("site")
        self.fields["kind"].queryset = kinds  # type: ignore[attr-defined]
        self.fields["clinician"].queryset = clinicians  # type: ignore[attr-defined]
        self.helper = plain_helper()

    def clean_file(self) -> bytes:
        file: UploadedFile = self.cleaned_data["file"]
        if file.size is None or file.size > MOST_BYTES:
            raise ValidationError(f"The file is larger than {MOST_BYTES // 1000} kB: part it.")
        content: bytes = file.read()
        return content
