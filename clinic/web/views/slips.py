"""The slip with the next appointment, as PDF and as page."""

from datetime import datetime

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from clinic.access import STAFF, StaffRequest, allowed
from clinic.documents.slip import render_slip
from clinic.domain.paper import PaperHead, PrintSize, Unprintable
from clinic.domain.slip import Slip
from clinic.domain.vocabulary import DocumentFormat, TrailAction
from clinic.models import Appointment, Staff
from clinic.models.limits import of_my_clients
from clinic.services import trail
from clinic.web.letter_record import letterhead_of, person_of

SECONDS = 60
BRING = ("The shoes you usually run in", "Shorts and a top you can move in")


def appointment_or_404(staff: Staff, pk: int) -> Appointment:
    """An appointment of a record that this person may open."""
    mine = of_my_clients(Appointment.objects.all(), staff)
    return get_object_or_404(
        mine.select_related("client__site", "clinician", "room", "kind"), pk=pk
    )


def slip_of(appointment: Appointment) -> Slip:
    """The slip; it says when, where and with whom, and nothing of why."""
    client = appointment.client
    large = client.document_format == DocumentFormat.LARGE_PRINT.value
    length = appointment.ends_at - appointment.starts_at
    return Slip(
        head=PaperHead(
            letterhead_of(client.site),
            person_of(client),
            dated=appointment.booked_local.date(),
            print_size=PrintSize.LARGE if large else PrintSize.STANDARD,
        ),
        starts_at=datetime.combine(appointment.local_date, appointment.local_time),
        minutes=int(length.total_seconds()) // SECONDS,
        clinician=str(appointment.clinician),
        room=appointment.room.name,
        bring=BRING if appointment.kind.needs_treadmill else (),
    )


@require_safe
@allowed(*STAFF)
def slip_print(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = appointment_or_404(request.user, pk)
    try:
        pdf = render_slip(slip_of(appointment))
    except Unprintable as refusal:
        context = {"appointment": appointment, "client": appointment.client, "refusal": refusal}
        return render(request, "clinic/slip_page.html", context, status=422)
    _recorded(request, appointment, TrailAction.PRINT)
    response = HttpResponse(pdf, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="slip-{appointment.pk}.pdf"'
    return response


@require_safe
@allowed(*STAFF)
def slip_page(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = appointment_or_404(request.user, pk)
    _recorded(request, appointment, TrailAction.VIEW)
    context = {
        "appointment": appointment,
        "client": appointment.client,
        "paper": slip_of(appointment),
    }
    return render(request, "clinic/slip_page.html", context)


def _recorded(request: StaffRequest, appointment: Appointment, action: TrailAction) -> None:
    trail.record(action, by=request.user, row=appointment, client=appointment.client, paper="slip")
