"""Accounts are opened by the clinic's manager; nobody signs themselves up."""

import time
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.mfa.adapter import DefaultMFAAdapter
from django.http import HttpRequest

from clinic.sealing import seal
from clinic.steady import wait_for_step

FACTORS = "second factor"


class ClosedAccounts(DefaultAccountAdapter):  # type: ignore[misc]
    error_messages = {
        **DefaultAccountAdapter.error_messages,
        # the same answer for an unknown name: it must not tell who works here
        "username_password_mismatch": "Name and password do not belong together. Try again.",
        "too_many_login_attempts": (
            "Too many wrong tries. Wait five minutes, then try again. If it goes on, ask the "
            "clinic’s manager."
        ),
        "incorrect_password": "This is not your password.",
        "enter_current_password": "This is not your password.",
    }

    def pre_authenticate(self, request: HttpRequest, **credentials: Any) -> None:
        """A try after too many wrong ones is not looked at, and stands in the trail as well."""
        from clinic import guessing, sign_ins  # app ready

        self._asked_at = time.monotonic()
        name = credentials.get("username") or ""
        self._login_failed_rl_usage = guessing.allowed_try(request, name)
        if self._login_failed_rl_usage is None:
            sign_ins.failed(name, why="too many")
            raise self.validation_error("too_many_login_attempts")

    def authentication_failed(self, request: HttpRequest, **credentials: Any) -> None:
        wait_for_step(self._asked_at)

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False


class SealedFactors(DefaultMFAAdapter):  # type: ignore[misc]
    """Secrets of authenticator apps are stored sealed, so that a copy of the database is no key.

    The seal comes from SECRET_KEY: keep the old key in SECRET_KEY_FALLBACKS when it changes.
    """

    error_messages = {
        **DefaultMFAAdapter.error_messages,
        "incorrect_code": "This code is not right. Write the one the app shows now.",
    }

    def get_totp_issuer(self) -> str:
        return "Gait Clinic Records"

    def encrypt(self, text: str) -> str:
        return seal(FACTORS).encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        return seal(FACTORS).decrypt(encrypted_text.encode()).decode()
