"""Where a page goes back to."""

from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme

from clinic.access import StaffRequest
from clinic.models import Client


def back_to(request: StaffRequest, client: Client) -> str:
    """Where the page was opened from, if that is a page of ours; else the client's record."""
    wanted = request.GET.get("next", "")
    if wanted and url_has_allowed_host_and_scheme(wanted, allowed_hosts=None):
        return wanted
    return reverse("client-open", args=[client.pk])
