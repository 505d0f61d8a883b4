"""Requests that save what was just typed: told apart by the header X-Act, answered in words.

A script sends them, so a sign-in page or a page about a forged request would help nobody: it gets
401 when the sign-in has ended, and 403 with `X-Why: person` when somebody else is signed in now.
"""

from http import HTTPStatus
from typing import Any

from django.contrib.auth.middleware import LoginRequiredMiddleware
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils.cache import patch_vary_headers

from clinic.models import Staff
from clinic.unsent import person_of

ACT = "X-Act"
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
        if ACT in request.headers:
            return HttpResponse("The sign-in has ended.", status=HTTPStatus.UNAUTHORIZED)
        return super().handle_no_permission(request, view_func)


def is_script(request: HttpRequest) -> bool:
    """Whether the page's script sends this, and wants back only what changed."""
    return ACT in request.headers or bool(getattr(request, "htmx", False))


def part(
    request: HttpRequest, template: str, context: dict[str, Any], status: int = HTTPStatus.OK
) -> HttpResponse:
    """What is answered to a script: 200 saved, 409 overtaken by another save, 422 refused."""
    response = render(request, template, context, status=status)
    patch_vary_headers(response, ["HX-Request", ACT])
    return response
