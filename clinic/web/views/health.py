"""Whether the system answers, for whoever watches it: two words and no detail."""

import logging
from http import HTTPStatus

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from clinic.web.health import latest

logger = logging.getLogger(__name__)


@require_safe
@login_not_required
def health(request: HttpRequest) -> HttpResponse:
    faults = latest.faults()
    if not faults:
        return HttpResponse("ok\n", content_type="text/plain")
    logger.error("not healthy", extra={"facts": {"faults": faults}})
    return HttpResponse(
        "not ok\n", content_type="text/plain", status=HTTPStatus.SERVICE_UNAVAILABLE
    )
