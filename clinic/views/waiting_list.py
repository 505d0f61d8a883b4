"""Pages of the waiting list."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic.access import STAFF, StaffRequest, allowed, client_or_404
from clinic.forms.hours import WaitingForm
from clinic.forms.people import show_refusal
from clinic.models import WaitingEntry
from clinic.models.limits import as_kept, of_my_clients
from clinic.saving import once
from clinic.services import free_times, waiting_list
from clinic.views.joined import led_to_kept


@require_safe
@allowed(*STAFF)
def waiting_open(request: StaffRequest) -> HttpResponse:
    rows = as_kept(of_my_clients(WaitingEntry.objects.waiting().for_listing(), request.user))
    return render(request, "clinic/waiting_list.html", {"rows": rows})


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
@once(lambda line: reverse("waiting-list"))
def waiting_new(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    led = led_to_kept(request, client)
    if led:
        return led
    form = WaitingForm(
        request.POST or None,
        site=client.site,
        clinicians=free_times.clinicians_of(client.site),
    )
    if form.is_valid():
        try:
            waiting_list.wait(client=client, by=request.user, **form.wanted())
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, f"{client} is on the waiting list.")
            return redirect("waiting-list")
    return render(request, "clinic/waiting_new.html", {"client": client, "form": form})


@require_POST
@allowed(*STAFF)
def waiting_end(request: StaffRequest, pk: int) -> HttpResponse:
    entry = get_object_or_404(
        of_my_clients(WaitingEntry.objects.select_related("client"), request.user), pk=pk
    )
    waiting_list.stop_waiting(entry=entry, by=request.user)
    messages.success(request, f"{entry.client} is off the waiting list.")
    return redirect("waiting-list")
