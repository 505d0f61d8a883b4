"""What every request carries: where it came from, and that a page about a person is not kept."""

from collections.abc import Callable
from contextvars import ContextVar
from ipaddress import ip_address
from uuid import UUID

from django.conf import settings
from django.http import HttpRequest, HttpResponse

Handler = Callable[[HttpRequest], HttpResponse]

# what the lines of the log and the pages of one request are found by
REFERENCE: ContextVar[str] = ContextVar("reference", default="")
ORIGIN: ContextVar[str] = ContextVar("origin", default="command line")
ACT: ContextVar[UUID | None] = ContextVar("act", default=None)
# whether a line of this request carries the act already: the others follow from it
ACT_KEPT: ContextVar[bool] = ContextVar("act_kept", default=False)


def origin(get_response: Handler) -> Handler:
    """The trail names the address that an act came from and the id that its page gave to it.

    Services read them from ORIGIN and ACT.
    """

    def handle(request: HttpRequest) -> HttpResponse:
        came = ORIGIN.set(origin_of(request))
        act = ACT.set(act_of(request.headers.get("X-Act") or request.POST.get("act", "")))
        kept = ACT_KEPT.set(False)
        try:
            return get_response(request)
        finally:
            ACT_KEPT.reset(kept)
            ACT.reset(act)
            ORIGIN.reset(came)

    return handle


def origin_of(request: HttpRequest) -> str:
    """The address of the browser: the nearest proxy's word for it, if one stands before us."""
    nearest: str = request.META.get("REMOTE_ADDR", "")
    told = request.headers.get("X-Forwarded-For", "").rpartition(",")[2].strip()
    if not settings.BEHIND_PROXY or not told:
        return nearest
    try:
        return str(ip_address(told))
    except ValueError:
        return nearest


def act_of(text: str) -> UUID | None:
    """The id that a page made for one request; None unless it is a UUID."""
    try:
        return UUID(text)
    except ValueError:
        return None


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
