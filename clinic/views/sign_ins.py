"""How long a sign-in lasts, for the page that warns before it ends."""

from django.http import HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.views.decorators.http import require_POST, require_safe

from clinic.access import EVERYBODY, StaffRequest, allowed
from clinic.time_limits import left, passive
from clinic.unsent import person_of


def told(request: StaffRequest) -> HttpResponse:
    """Seconds left, whose sign-in it is, and the present token against forged requests."""
    seconds = left(request.session)
    person, token = person_of(request.user), get_token(request)
    return JsonResponse(seconds._asdict() | {"person": person, "token": token})


@passive
@allowed(*EVERYBODY)
@require_safe
def sign_in_left(request: StaffRequest) -> HttpResponse:
    return told(request)


@allowed(*EVERYBODY)
@require_POST
def sign_in_extend(request: StaffRequest) -> HttpResponse:
    """A person is at the page; the request itself is the use that counts."""
    return told(request)
