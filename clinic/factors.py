"""A second factor is asked of everybody: without one only the pages that set it up open.

Everybody, because every role sees names, addresses and alerts of clients; OWASP ASVS 5.0.0, 6.3.3.
Whoever has one is asked for it at each sign-in by the package; here is only what happens before.
"""

import time
from http import HTTPStatus
from typing import Any

from allauth.account.internal.flows.login import get_authentication_records
from allauth.core import context
from allauth.mfa.models import Authenticator
from allauth.mfa.utils import is_mfa_enabled
from django.conf import settings
from django.contrib.auth import SESSION_KEY
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from clinic.middleware import Handler
from clinic.models import Staff

KNOWN, FIRST = "second-factor-known", "second-factor-first"
FRESH_SECONDS = 10 * 60
FACTORS = [Authenticator.Type.TOTP, Authenticator.Type.WEBAUTHN]
SET_UP = frozenset(
    {
        "account_logout",
        "account_reauthenticate",
        "mfa_index",
        "mfa_activate_totp",
        "mfa_add_webauthn",
        "mfa_reauthenticate",
        "mfa_reauthenticate_webauthn",
        "mfa_view_recovery_codes",
        "mfa_generate_recovery_codes",
        "mfa_download_recovery_codes",
        "sign-in-left",
        "sign-in-extend",
        "invitation-open",
    }
)


class SecondFactorRequired:
    """Leads whoever has no second factor to the page that sets it up."""

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: Any
    ) -> HttpResponse | None:
        session = request.session
        if not settings.SECOND_FACTOR or SESSION_KEY not in session or session.get(KNOWN):
            return None
        match = request.resolver_match
        if match and match.view_name in SET_UP:
            return None
        if isinstance(request.user, Staff) and has_factor(request.user):
            session[KNOWN] = True  # asked once for each sign-in
            session.pop(FIRST, None)
            return None
        session[FIRST] = True
        if "X-Act" in request.headers:
            return HttpResponse("Set up the second step first.", status=HTTPStatus.FORBIDDEN)
        return redirect("mfa_index")


def has_factor(staff: Staff) -> bool:
    """Whether something beside the password is asked of this person."""
    return bool(is_mfa_enabled(staff, FACTORS))


def forget_known(request: HttpRequest) -> None:
    """Ask again whether there is a factor: one was taken away."""
    request.session.pop(KNOWN, None)


def may_set_up_first(request: HttpRequest) -> bool:
    """Whether the password of this sign-in still counts for setting up the first factor."""
    return bool(request.session.get(FIRST)) and _given_lately(request, "password")


def has_given_factor_lately() -> bool:
    """Whether this person has just shown the factor that is to be taken away."""
    return _given_lately(context.request, "mfa")


def _given_lately(request: HttpRequest, method: str) -> bool:
    records = get_authentication_records(request, request.user)
    times = [one["at"] for one in records if one["method"] == method]
    return bool(times) and time.time() - max(times) < FRESH_SECONDS
