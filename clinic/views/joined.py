"""Records that are joined to another one: what is new begins in the kept record."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from clinic.access import StaffRequest
from clinic.models import Client


def led_to_kept(request: StaffRequest, client: Client) -> HttpResponse | None:
    """The same page of the kept record, where new entries go; None for a record by itself.

    What was typed before the records were joined is not led away: the service refuses it, and it
    stays on the page.
    """
    match = request.resolver_match
    key = getattr(client, "joined_to_key", None)
    if request.method != "GET" or key is None or match is None:
        return None
    number = getattr(client, "joined_to", "")
    messages.info(request, f"{client.number} is joined to {number}: new entries go here.")
    where = reverse(match.view_name, kwargs=match.kwargs | {"pk": key})
    asked = request.GET.urlencode()
    return redirect(f"{where}?{asked}" if asked else where)
