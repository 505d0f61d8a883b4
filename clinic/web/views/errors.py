"""Pages for what went wrong: our own look, a reference to find the log line by, no trace."""

import logging
import secrets
import sys
from http import HTTPStatus

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string

logger = logging.getLogger(__name__)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _page(request, HTTPStatus.BAD_REQUEST, exception)


def not_allowed(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _page(request, HTTPStatus.FORBIDDEN, exception)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _page(request, HTTPStatus.NOT_FOUND, exception)


def failed(request: HttpRequest) -> HttpResponse:
    """Drawn without the request: whatever failed must not fail again in the strip."""
    reference = _reference()
    logger.error("%s %s %s", reference, request.method, request.path, exc_info=sys.exc_info())
    try:
        page: str = render_to_string("500.html", {"reference": reference})
    except Exception:  # what draws the pages may be the very thing that is broken
        logger.exception("%s: the page for it cannot be drawn", reference)
        page = f"Something failed on our side. Reference: {reference}"
    return HttpResponse(page, status=HTTPStatus.INTERNAL_SERVER_ERROR)


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    reference = _reference()
    logger.warning("%s %s %s: %s", reference, request.method, request.path, reason)
    return render(request, "403_csrf.html", {"reference": reference}, status=403)


def _page(request: HttpRequest, status: HTTPStatus, exception: Exception) -> HttpResponse:
    reference = _reference()
    # the path only: a search for a name stands in the query
    name = type(exception).__name__
    logger.warning("%s %s %s: %s", reference, request.method, request.path, name)
    return render(request, f"{status.value}.html", {"reference": reference}, status=status)


def _reference() -> str:
    """Eight signs in two groups, easy to read out on the telephone."""
    found = secrets.token_hex(4).upper()
    return f"{found[:4]}-{found[4:]}"
