"""Pages for what went wrong: our own look, the reference that the log has, no trace.

A script gets one sentence in place of the page.
"""

import logging
import sys
from http import HTTPStatus
from typing import Any

from django.core.exceptions import RequestDataTooBig
from django.db import IntegrityError, InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string

from clinic.middleware import REFERENCE
from clinic.saving import is_script
from clinic.web.requests import new_reference, route_of
from clinic.web.typed import Typed, typed_of

logger = logging.getLogger(__name__)

SENTENCES = {
    HTTPStatus.BAD_REQUEST: "What was sent could not be read.",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "What was sent is too large.",
    HTTPStatus.FORBIDDEN: "This is not for your role.",
    HTTPStatus.NOT_FOUND: "There is no such page.",
    HTTPStatus.CONFLICT: "Nothing was saved: it does not fit what is stored by now.",
    HTTPStatus.INTERNAL_SERVER_ERROR: "Something failed on our side.",
    HTTPStatus.SERVICE_UNAVAILABLE: "The records cannot be reached at the moment.",
}


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    large = isinstance(exception, RequestDataTooBig)
    status = HTTPStatus.REQUEST_ENTITY_TOO_LARGE if large else HTTPStatus.BAD_REQUEST
    return _page(request, status, exception)


def not_allowed(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _page(request, HTTPStatus.FORBIDDEN, exception)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _page(request, HTTPStatus.NOT_FOUND, exception)


def failed(request: HttpRequest) -> HttpResponse:
    """Drawn without the request: whatever failed must not fail again in the strip."""
    error = sys.exc_info()[1]
    status = status_for(error)
    _log(logging.ERROR, request, error)
    if is_script(request):
        response = _sentence(status)
    else:
        response = HttpResponse(_drawn(status, _typed(request)), status=status)
    if status is HTTPStatus.SERVICE_UNAVAILABLE:
        response["Retry-After"] = "5"
    return response


def status_for(error: BaseException | None) -> HTTPStatus:
    """Gone or blocked database, broken promise of the database, anything else."""
    if isinstance(error, (OperationalError, InterfaceError)):
        return HTTPStatus.SERVICE_UNAVAILABLE
    if isinstance(error, IntegrityError):
        return HTTPStatus.CONFLICT
    return HTTPStatus.INTERNAL_SERVER_ERROR


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    _log(logging.WARNING, request, None, why=reason)
    if is_script(request):
        return HttpResponse(f"The page is too old. Reference: {_reference()}", status=403)
    return _with_strip(request, "403_csrf.html", HTTPStatus.FORBIDDEN)


def _page(request: HttpRequest, status: HTTPStatus, exception: Exception) -> HttpResponse:
    _log(logging.WARNING, request, None, why=type(exception).__name__)
    if is_script(request):
        return _sentence(status)
    return _with_strip(request, f"{status.value}.html", status)


def _with_strip(request: HttpRequest, template: str, status: HTTPStatus) -> HttpResponse:
    context = {"reference": _reference()}
    if hasattr(request, "user"):
        return render(request, template, context, status=status)
    # refused before anybody looked at who is signed in
    return HttpResponse(render_to_string(template, context), status=status)


def _sentence(status: HTTPStatus) -> HttpResponse:
    words = f"{SENTENCES[status]} Reference: {_reference()}"
    return HttpResponse(words, status=status, content_type="text/plain; charset=utf-8")


def _drawn(status: HTTPStatus, typed: Typed | None) -> str:
    context = {"reference": _reference(), "typed": typed, "csrf_token": typed and typed.token}
    try:
        page: str = render_to_string(f"{status.value}.html", context)
    except Exception:  # what draws the pages may be the very thing that is broken
        logger.exception("page cannot be drawn", extra={"facts": {"reference": _reference()}})
        page = f"{SENTENCES[status]} Reference: {_reference()}"
    return page


def _typed(request: HttpRequest) -> Typed | None:
    try:
        return typed_of(request)
    except Exception:  # a request that was cut cannot be read a second time
        logger.exception("form cannot be read", extra={"facts": {"reference": _reference()}})
        return None


def _log(level: int, request: HttpRequest, error: BaseException | None, **facts: Any) -> None:
    found = {"reference": _reference(), "route": route_of(request), **facts}
    logger.log(level, "error page", exc_info=error, extra={"facts": found})


def _reference() -> str:
    """The request's own; a new one where the failure lies outside all that gives it."""
    if not REFERENCE.get():
        REFERENCE.set(new_reference())
    return REFERENCE.get()
