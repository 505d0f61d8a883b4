"""Calendar files: of one appointment, sent by e-mail, and of a clinician's own appointments."""

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic.access import STAFF, StaffRequest, allowed
from clinic.calendar_files import appointment_file, feed_file
from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Appointment, CalendarFeed
from clinic.services import record_links, reminders, trail
from clinic.views.booking import appointment_or_404

BACK, AHEAD = timedelta(days=14), timedelta(days=180)
CALENDAR = "text/calendar; charset=utf-8"


@require_safe
@allowed(*STAFF)
def appointment_calendar(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = appointment_or_404(request.user, pk)
    trail.record(
        TrailAction.EXPORT,
        by=request.user,
        row=appointment,
        client=appointment.client,
        sequence=appointment.sequence,
    )
    appointment.client = record_links.where_new_goes(appointment.client)  # only for the file
    content, method = appointment_file(appointment)
    response = HttpResponse(content, content_type=f"{CALENDAR}; method={method}")
    response["Content-Disposition"] = f'attachment; filename="appointment-{pk}.ics"'
    return response


@require_POST
@allowed(*STAFF)
def appointment_send(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = appointment_or_404(request.user, pk)
    try:
        reminders.send_appointment(appointment=appointment, by=request.user)
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    else:
        client = record_links.where_new_goes(appointment.client)
        messages.success(request, f"Sent to {client.email}.")
    return redirect("appointment-open", pk)


@require_http_methods(["GET", "POST"])
@allowed(Role.CLINICIAN)
def calendar_open(request: StaffRequest) -> HttpResponse:
    """The clinician's own calendar address: made, shown once, ended."""
    context: dict[str, Any] = {}
    if request.method == "POST" and "end" in request.POST:
        reminders.end_feed(staff=request.user)
        messages.success(request, "The address leads nowhere from now on.")
        return redirect("calendar-open")
    if request.method == "POST":
        secret = reminders.make_feed(staff=request.user)
        context["address"] = request.build_absolute_uri(reverse("calendar-feed", args=[secret]))
    context["feed"] = CalendarFeed.objects.filter(
        staff=request.user, revoked_at__isnull=True
    ).first()
    return render(request, "clinic/calendar_open.html", context)


@login_not_required
@require_safe
def calendar_feed(request: HttpRequest, secret: str) -> HttpResponse:
    """What a calendar program reads; the secret part of its address is the only key."""
    feed = reminders.feed_of(secret)
    if feed is None or not feed.staff.is_clinician:
        raise Http404
    now = timezone.now()
    rows = (
        Appointment.objects.standing()
        .filter(clinician=feed.staff, starts_at__range=(now - BACK, now + AHEAD))
        .select_related("room", "site")
        .order_by("starts_at")
    )
    response = HttpResponse(feed_file(rows, str(feed.staff)), content_type=CALENDAR)
    response["Cache-Control"] = "no-store"
    response["Referrer-Policy"] = "no-referrer"
    return response
