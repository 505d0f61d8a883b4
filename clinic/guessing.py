"""Guessing is slowed before it leads anywhere; nobody is locked out by somebody else's guesses.

Tries are counted under the name that was typed, whether an account has it or not. A browser in
which the person signed in before carries a signed cookie and has a count of its own; all others
share counts by name and address, by name, and by address. After a count is used up a try is not
looked at. The counts run out by themselves.

The rates stand in the settings (ACCOUNT_RATE_LIMITS). Source of the bound: NIST SP 800-63B, 5.2.2,
at most 100 failures in a row on one account; OWASP ASVS 5.0.0, 6.3.1.
"""

import secrets
from typing import Any

from allauth.core.internal import ratelimit
from django.conf import settings
from django.core import signing
from django.http import HttpRequest, HttpResponse

from clinic.models import Staff

SALT = "clinic.known-browser"
KEPT_SECONDS = 90 * 24 * 60 * 60
MOST_PEOPLE = 8  # of one browser, as at a reception desk
APP = "allauth.account"
KNOWN, BY_PAIR, BY_NAME, BY_ADDRESS = "known_browser", "name_address", "name", "address"


def allowed_try(request: HttpRequest, name: str) -> ratelimit.RateLimitUsage | None:
    """Count one try under this name; None when there were too many.

    What is returned can be rolled back when the try was right.
    """
    typed = name.strip().casefold()
    own = _mark_of(request, typed)
    if own:
        return ratelimit.consume(request, app=APP, action=KNOWN, key=f"{typed}:{own}")
    whole = ratelimit.RateLimitUsage(usage=[])
    pair = f"{typed}:{ratelimit.get_ip(request)}"
    for action, key in ((BY_PAIR, pair), (BY_NAME, typed), (BY_ADDRESS, None)):
        one = ratelimit.consume(request, app=APP, action=action, key=key)
        if one is None:
            whole.rollback()
            return None
        whole.usage += one.usage
    return whole


def forget_name(request: HttpRequest, name: str) -> None:
    """Strangers' tries under a name count no more: its owner has a new password."""
    ratelimit.clear(request, app=APP, action=BY_NAME, key=name.casefold())


def remember_browser(request: HttpRequest, response: HttpResponse, staff: Staff) -> None:
    """Mark the browser as one in which this person has signed in."""
    marks = {pk: mark for pk, mark in _marks(request).items() if pk != staff.pk}
    newest = [*marks.items()][-(MOST_PEOPLE - 1) :]
    response.set_cookie(
        settings.KNOWN_COOKIE_NAME,
        signing.dumps([*newest, (staff.pk, secrets.token_urlsafe(16))], salt=SALT),
        max_age=KEPT_SECONDS,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )


def _mark_of(request: HttpRequest, name: str) -> str:
    """The mark of this name's owner in this browser, or none."""
    marks = _marks(request)
    if not marks:
        return ""
    owner = Staff.objects.filter(pk__in=marks, username__iexact=name).values_list("pk", flat=True)
    return next((marks[pk] for pk in owner), "")


def _marks(request: HttpRequest) -> dict[int, str]:
    sealed: str = request.COOKIES.get(settings.KNOWN_COOKIE_NAME, "")
    try:
        found: Any = signing.loads(sealed, salt=SALT, max_age=KEPT_SECONDS)
    except signing.BadSignature:
        return {}
    return dict(found)
