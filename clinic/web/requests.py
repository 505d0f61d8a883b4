"""Each request has a reference; the log has one line for it, found again by that reference."""

import logging
import secrets
import time
from http import HTTPStatus
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from clinic.middleware import REFERENCE, Handler, origin_of

logger = logging.getLogger(__name__)

HEADER = "X-Reference"
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


def followed(get_response: Handler) -> Handler:
    """The outermost: gives the reference, says it with every error, writes the line."""

    def handle(request: HttpRequest) -> HttpResponse:
        reference = REFERENCE.set(new_reference())
        began = time.perf_counter()
        try:
            response = get_response(request)
            if response.status_code >= HTTPStatus.BAD_REQUEST:
                response[HEADER] = REFERENCE.get()
            _write(request, response, round((time.perf_counter() - began) * 1000))
            return response
        finally:
            REFERENCE.reset(reference)

    return handle


def new_reference() -> str:
    """Eight signs in two groups, easy to read out on the telephone."""
    found = secrets.token_hex(4).upper()
    return f"{found[:4]}-{found[4:]}"


def _write(request: HttpRequest, response: HttpResponse, ms: int) -> None:
    status = response.status_code
    failed = status >= HTTPStatus.BAD_REQUEST
    if not failed and request.path_info.startswith((settings.STATIC_URL, "/health/")):
        return
    facts = {
        "reference": REFERENCE.get(),
        "route": route_of(request),
        "method": request.method if request.method in METHODS else "other",
        "status": status,
        "ms": ms,
        "staff": staff_of(request),
    }
    refused = getattr(request, "refused", "") or REFUSED.get(status, "")
    if refused or failed:
        facts |= {"refused": refused, "origin": origin_of(request)}
    logger.log(_level(status), "request", extra={"facts": facts})


REFUSED: dict[int, str] = {
    HTTPStatus.UNAUTHORIZED: "no sign-in",
    HTTPStatus.FORBIDDEN: "forbidden",
    HTTPStatus.NOT_FOUND: "not found",
}


def _level(status: int) -> int:
    if status >= HTTPStatus.INTERNAL_SERVER_ERROR:
        return logging.ERROR
    return logging.WARNING if status >= HTTPStatus.BAD_REQUEST else logging.INFO


def route_of(request: HttpRequest) -> str:
    """Name of the page, never its address: a search, a name or a secret may stand in that."""
    match = request.resolver_match
    return match.view_name or "" if match else ""


def staff_of(request: HttpRequest) -> Any:
    """Number of who is signed in, if the request asked for it: the log asks no database."""
    found = request.__dict__.get("_cached_user")  # what Django's own middleware keeps
    return found.pk if found else None
