"""Who signs, asked again at the moment of signing."""

from typing import Any

from allauth.account.adapter import get_adapter
from allauth.mfa.base.forms import ReauthenticateForm
from allauth.mfa.models import Authenticator
from allauth.mfa.utils import is_mfa_enabled
from django import forms
from django.core.exceptions import ValidationError

from clinic.forms.people import plain_helper
from clinic.models import Staff


class SignatureForm(forms.Form):
    """The password, or for those who have an authenticator app the code that it shows.

    Wrong tries count with those of the sign-in; a code works once.
    """

    signature = forms.CharField(strip=False)

    def __init__(self, *args: Any, by: Staff, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.by = by
        self.coded = is_mfa_enabled(by, [Authenticator.Type.TOTP])
        field = self.fields["signature"]
        if self.coded:
            field.label = "Code from your authenticator app"
            kept, empty = "one-time-code", "Write the code that the app shows now."
            field.widget = forms.TextInput(attrs={"inputmode": "numeric"})
        else:
            field.label, kept, empty = "Your password", "current-password", "Write your password."
            field.widget = forms.PasswordInput()
        field.widget.attrs |= {"autocomplete": kept, "required": True}
        field.error_messages["required"] = empty
        self.helper = plain_helper()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not self.errors:  # a code works once: it is not spent on a form that is refused anyway
            self._check(str(cleaned["signature"]))
        return cleaned

    def _check(self, given: str) -> None:
        """Put an error beside the field for a wrong one, and after too many wrong ones."""
        try:
            if self.coded:
                code = ReauthenticateForm({"code": given.strip()}, user=self.by)
                if not code.is_valid():
                    self.add_error("signature", code.errors["code"])
            elif not get_adapter().reauthenticate(self.by, given):
                raise get_adapter().validation_error("incorrect_password")
        except ValidationError as refusal:
            self.add_error("signature", refusal)
