"""A line in the trail for each page that a signed-in person was refused or guessed at.

Without a sign-in there is nobody to name: those refusals stand in the log only.
"""

from http import HTTPStatus
from typing import Any

from django.http import HttpRequest, HttpResponse

from clinic.acts import without_act
from clinic.domain.vocabulary import TrailAction
from clinic.middleware import Handler
from clinic.models import Staff
from clinic.services import trail

KINDS: dict[int, str] = {HTTPStatus.FORBIDDEN: "page", HTTPStatus.NOT_FOUND: "not found"}


def recorded(get_response: Handler) -> Handler:
    """After the view and its transaction: what was rolled back takes no line along."""

    def handle(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        kind = KINDS.get(response.status_code)
        staff = getattr(request, "user", None)
        # an address that leads nowhere says nothing about anybody
        if kind and isinstance(staff, Staff) and request.resolver_match:
            with without_act():
                trail.record(TrailAction.REFUSE, by=staff, kind=kind, **_sought(request))
        return response

    return handle


def _sought(request: HttpRequest) -> dict[str, Any]:
    """Name of the page and numbers of its rows; words of an address may be anything."""
    match = request.resolver_match
    if match is None:
        return {}
    numbers = {name: value for name, value in match.kwargs.items() if isinstance(value, int)}
    return {"page": match.view_name} | numbers
