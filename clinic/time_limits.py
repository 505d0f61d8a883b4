"""A sign-in ends when nobody has used it for a while, and in any case after twelve hours.

What counts as use: a request that a person caused. A page that only says it is still open, or asks
how much time is left, is `passive` and keeps nothing alive. Both limits are kept here, on the
server; the page warns before them (clinic/static/clinic/clock.js).

Source of the lengths: NIST SP 800-63B, 4.2 (30 minutes without activity, 12 hours in all); OWASP
ASVS 5.0.0, 7.3.1 and 7.3.2.
"""

import time
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, TypeVar

from django.conf import settings
from django.contrib.auth import SESSION_KEY, logout
from django.contrib.sessions.backends.base import SessionBase
from django.http import HttpRequest, HttpResponse

from clinic.middleware import Handler

BEGAN, ACTIVE = "sign-in-began", "sign-in-active"
WHOLE_SECONDS = 12 * 60 * 60
NOTED_EVERY = 20  # seconds; a use sooner after the last is not written
WARNED_BEFORE = 200  # seconds; a page in the background looks at its clock once a minute only

AnyView = TypeVar("AnyView", bound=Callable[..., Any])


class Left(NamedTuple):
    """Seconds until a sign-in ends: unless it is used, and in any case."""

    idle: int
    whole: int


def passive(view: AnyView) -> AnyView:
    """Mark a view that a page asks for by itself."""
    view.passive = True  # type: ignore[attr-defined]
    return view


def begin(sender: Any, request: HttpRequest, **_: Any) -> None:
    """At each sign-in, from Django's signal."""
    request.session[BEGAN] = request.session[ACTIVE] = int(time.time())


def left(session: SessionBase | Mapping[str, Any]) -> Left:
    """What is left of a sign-in; one without its times has ended."""
    now = time.time()
    idle = session.get(ACTIVE, 0) + settings.IDLE_SECONDS - now
    return Left(int(idle), int(session.get(BEGAN, 0) + WHOLE_SECONDS - now))


class TimeLimits:
    """Ends what is over before the page is looked for, and notes what is used."""

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if SESSION_KEY in request.session:
            seconds = left(request.session)
            if min(seconds) <= 0:
                why = "unused" if seconds.idle <= 0 else "twelve hours"
                request.sign_in_ended = why  # type: ignore[attr-defined]
                logout(request)
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: Any) -> None:
        if SESSION_KEY in request.session and not getattr(view, "passive", False):
            now = int(time.time())
            if now - request.session.get(ACTIVE, 0) >= NOTED_EVERY:
                request.session[ACTIVE] = now
