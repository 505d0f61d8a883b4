"""What a page that saves as it is typed asks for beside its answers."""

from http import HTTPStatus

from django.http import HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.urls import Resolver404, resolve
from django.utils import timezone
from django.utils.crypto import constant_time_compare
from django.views.decorators.http import require_http_methods

from clinic import presence, unsent
from clinic.access import EVERYBODY, StaffRequest, allowed
from clinic.time_limits import passive

LONGEST = 200
MOST_TICKETS = 50
NO_PAGE = "There is no such page for you."


def may_open(request: StaffRequest, address: str) -> bool:
    """Whether an address is a page of this person's roles."""
    if len(address) > LONGEST:
        return False
    try:
        view = resolve(address).func
    except Resolver404:
        return False
    return bool(request.user.roles & getattr(view, "roles", frozenset()))


@passive
@allowed(*EVERYBODY)
@require_http_methods(["POST"])
def page_opened(request: StaffRequest) -> HttpResponse:
    """A page is open: who else has it open, and the key for what it cannot send."""
    address, staff = request.POST.get("address", ""), request.user
    if not may_open(request, address):
        return HttpResponse(NO_PAGE, status=HTTPStatus.BAD_REQUEST)
    # who has it open is told to whoever was shown the page: not all who may open such pages may
    # open this one, or know that it exists
    shown = constant_time_compare(request.POST.get("shown", ""), unsent.shown_to(staff, address))
    others = presence.opened(address, staff) if shown else []
    return JsonResponse(
        {
            "key": unsent.key_of(staff, address),
            "slot": unsent.slot_of(staff, address),
            "ticket": unsent.ticket_of(staff, address),
            "person": unsent.person_of(staff),
            "token": get_token(request),
            "others": [
                {"name": one.name, "since": f"{timezone.localtime(one.since):%H:%M}"}
                for one in others
            ],
        }
    )


@passive
@allowed(*EVERYBODY)
@require_http_methods(["POST"])
def page_closed(request: StaffRequest) -> HttpResponse:
    presence.closed(request.POST.get("address", "")[:LONGEST], request.user)
    return HttpResponse(status=HTTPStatus.NO_CONTENT)


@passive
@allowed(*EVERYBODY)
@require_http_methods(["POST"])
def unsent_pages(request: StaffRequest) -> HttpResponse:
    """Which of the tickets that a device holds are this person's, and where they lead."""
    tickets = request.POST.getlist("ticket")[:MOST_TICKETS]
    found = {ticket: unsent.address_in(ticket, request.user) for ticket in tickets}
    return JsonResponse({ticket: address for ticket, address in found.items() if address})
