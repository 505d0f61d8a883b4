"""Accounts are opened by the clinic's manager; nobody signs themselves up."""

import time
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.core import context
from allauth.mfa.adapter import DefaultMFAAdapter
from allauth.mfa.models import Authenticator
from django.conf import settings
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

    def is_reauthentication_required(self, *, app: str, **kwargs: Any) -> bool:
        """Not a second time for the password of who sets up the first factor."""
        from clinic.factors import may_set_up_first  # app ready

        asked = super().is_reauthentication_required(app=app, **kwargs)
        return bool(asked) and not may_set_up_first(context.request)

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False


class SealedFactors(DefaultMFAAdapter):  # type: ignore[misc]
    """Secrets of authenticator apps are stored sealed, so that a copy of the database is no key.

    The seal comes from SECRET_KEY: keep the old key in SECRET_KEY_FALLBACKS when it changes.
    """

    error_messages = {
        **DefaultMFAAdapter.error_messages,
        "incorrect_code": "This code is not right. Write the one the app shows now.",
        "cannot_delete_authenticator": (
            "A second step is asked of everybody here. For another telephone sign out, sign in "
            "with a code of the app or a recovery code, and come back within ten minutes."
        ),
    }

    def can_delete_authenticator(self, authenticator: Authenticator) -> bool:
        """The last factor goes only from the hand that has just shown it."""
        from clinic.factors import FACTORS, has_given_factor_lately  # app ready

        others = Authenticator.objects.filter(user=authenticator.user_id, type__in=FACTORS)
        if not settings.SECOND_FACTOR or others.exclude(pk=authenticator.pk).exists():
            return True
        return has_given_factor_lately()

    def get_totp_issuer(self) -> str:
        return "Gait Clinic Records"

    def encrypt(self, text: str) -> str:
        return seal(FACTORS).encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        return seal(FACTORS).decrypt(encrypted_text.encode()).decode()
