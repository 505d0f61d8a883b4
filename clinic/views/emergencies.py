"""Pages of a record opened in an emergency: the opening, its end, who looks at it afterwards."""

import time

from allauth.core.internal import ratelimit
from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role
from clinic.forms.emergencies import EmergencyForm, SeenForm
from clinic.forms.people import show_refusal
from clinic.guessing import APP
from clinic.models import EmergencyOpening
from clinic.services import emergencies as services
from clinic.steady import wait_for_step

PAGE = 50
# the same words whether there is no such record, it is not restricted, or it is open to them
NOTHING = "No restricted record fits. Records that are open to you stand under Clients."
TOO_MANY = (
    "Too many tries that opened nothing. Wait a quarter of an hour, or ask somebody who may open "
    "the record."
)


@require_http_methods(["GET", "POST"])
@allowed(Role.CLINICIAN)
def emergency_open(request: StaffRequest) -> HttpResponse:
    asked_at = time.monotonic()
    form = EmergencyForm(request.POST or None, by=request.user)
    if form.is_valid():
        opening = _opened(request, form)
        if opening:
            messages.warning(request, "Open to you. The owner and the managers are told.")
            return redirect("client-open", opening.client_id)
        wait_for_step(asked_at)
    elif form.is_bound and form.has_error("signature"):
        services.record_try(by=request.user, why="password or code")
    running = EmergencyOpening.objects.running(timezone.now()).of(request.user)
    context = {
        "form": form,
        "hours": settings.EMERGENCY_HOURS,
        "running": running.select_related("client").distinct(),
    }
    return render(request, "clinic/emergency_open.html", context)


def _opened(request: StaffRequest, form: EmergencyForm) -> EmergencyOpening | None:
    """The opening; where there is none, the form says so and the try counts."""
    key = str(request.user.pk)
    counted = ratelimit.consume(request, app=APP, action="emergency", key=key)
    if counted is None:
        services.record_try(by=request.user, why="too many tries")
        form.add_error(None, TOO_MANY)
        return None
    opening = services.open_in_emergency(by=request.user, **form.said())
    if opening is None:
        form.add_error(None, NOTHING)
        return None
    counted.rollback()
    return opening


@require_POST
@allowed(Role.CLINICIAN)
def emergency_end(request: StaffRequest, pk: int) -> HttpResponse:
    mine = EmergencyOpening.objects.filter(staff=request.user)
    opening = get_object_or_404(mine.select_related("client"), pk=pk)
    services.end_opening(opening=opening, by=request.user)
    messages.success(request, "The emergency opening has ended.")
    return redirect("today")


@require_safe
@allowed(Role.CLINICIAN, Role.MANAGER, Role.AUDITOR)
def emergency_list(request: StaffRequest) -> HttpResponse:
    rows = services.to_look_at(request.user)
    page = Paginator(rows, PAGE).get_page(request.GET.get("page"))
    keys = [row.pk for row in page]
    told = services.told(EmergencyOpening.objects.filter(pk__in=keys), request.user)
    return render(request, "clinic/emergency_list.html", {"page": page, "rows": told})


@require_POST
@allowed(Role.CLINICIAN, Role.MANAGER)
def emergency_seen(request: StaffRequest, pk: int) -> HttpResponse:
    opening = get_object_or_404(services.to_look_at(request.user), pk=pk)
    form = SeenForm(request.POST)
    if form.is_valid():
        try:
            services.mark_seen(opening=opening, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "Marked as seen.")
    for said in form.errors.values():
        messages.error(request, " ".join(map(str, said)))
    return redirect("today")
