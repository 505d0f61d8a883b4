"""What every request carries: where it came from, and that a page about a person is not kept."""

from collections.abc import Callable
from contextvars import ContextVar

from django.http import HttpRequest, HttpResponse

Handler = Callable[[HttpRequest], HttpResponse]

ORIGIN: ContextVar[str] = ContextVar("origin", default="command line")


def origin(get_response: Handler) -> Handler:
    """The trail names the address that an act came from; services read it from ORIGIN."""

    def handle(request: HttpRequest) -> HttpResponse:
        token = ORIGIN.set(request.META.get("REMOTE_ADDR", ""))
        try:
            return get_response(request)
        finally:
            ORIGIN.reset(token)

    return handle


def private_pages(get_response: Handler) -> Handler:
    """A page shown to a signed-in person is never stored by a browser or a proxy."""

    def handle(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        if not response.has_header("Cache-Control"):
            response["Cache-Control"] = "no-store"
        response["Cross-Origin-Resource-Policy"] = "same-origin"
        response["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
        return response

    return handle
