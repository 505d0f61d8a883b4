"""Forms of signing in that differ from those of the package."""

import time
from typing import Any

from allauth.account.forms import ResetPasswordForm
from django.http import HttpRequest

from clinic.steady import wait_for_step


class AskForLinkForm(ResetPasswordForm):  # type: ignore[misc]
    """Takes as long for an address that nobody has as for one that somebody has."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.asked_at = time.monotonic()
        super().__init__(*args, **kwargs)

    def save(self, request: HttpRequest, **kwargs: Any) -> str:
        email = str(super().save(request, **kwargs))
        wait_for_step(self.asked_at)
        return email
