"""Requests that save: told apart by an id that their page made, so that each counts once.

A form carries the id in its field `act`, a script in the header X-Act. To a script a sign-in page
or a page about a forged request would be no help: it gets 401 when the sign-in has ended, and 403
with `X-Why: person` when somebody else is signed in now.
"""

from collections.abc import Callable
from functools import wraps
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

from django.contrib.auth.middleware import LoginRequiredMiddleware
from django.db import IntegrityError
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils.cache import patch_vary_headers

from clinic.access import StaffRequest, View
from clinic.middleware import ACT
from clinic.models import Staff, TrailEntry
from clinic.services.trail import earlier
from clinic.unsent import person_of

HEADER = "X-Act"
PERSON = "X-Person"


class SignInRequired(LoginRequiredMiddleware):
    """Every page needs a sign-in; a page that saves is told so without being sent away."""

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: Any
    ) -> HttpResponseBase | None:
        person = request.headers.get(PERSON)
        if isinstance(request.user, Staff) and person and person != person_of(request.user):
            answer = HttpResponse(
                "Somebody else is signed in here now.", status=HTTPStatus.FORBIDDEN
            )
            answer["X-Why"] = "person"
            return answer
        found: HttpResponseBase | None = super().process_view(request, view, args, kwargs)
        return found

    def handle_no_permission(self, request: HttpRequest, view_func: Any) -> Any:
        request.refused = "no sign-in"  # type: ignore[attr-defined]  # read by the log
        if HEADER in request.headers:
            return HttpResponse("The sign-in has ended.", status=HTTPStatus.UNAUTHORIZED)
        answer = super().handle_no_permission(request, view_func)
        ended = getattr(request, "sign_in_ended", "")
        if ended:
            answer["Location"] += f"&ended={quote(ended)}"
        return answer


def is_script(request: HttpRequest) -> bool:
    """Whether the page's script sends this, and wants back only what changed."""
    return HEADER in request.headers or bool(getattr(request, "htmx", False))


def part(
    request: HttpRequest, template: str, context: dict[str, Any], status: int = HTTPStatus.OK
) -> HttpResponse:
    """What is answered to a script: 200 saved, 409 overtaken by another save, 422 refused."""
    response = render(request, template, context, status=status)
    patch_vary_headers(response, ["HX-Request", HEADER])
    return response


def once(where: Callable[[TrailEntry], str]) -> Callable[[View], View]:
    """A form that is sent twice is done once; the second press shows the first result.

    where: the address of what the first press made, from its line in the trail.
    """

    def decorate(view: View) -> View:
        @wraps(view)
        def guarded(request: StaffRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            done = earlier(ACT.get(), request.user) if request.method == "POST" else None
            if done:
                return redirect(where(done))
            try:
                return view(request, *args, **kwargs)
            except IntegrityError:
                # the other press was stored between the question and the answer
                done = earlier(ACT.get(), request.user)
                if done is None:
                    raise
                return redirect(where(done))

        return guarded

    return decorate
