"""Pages of one appointment: finding a time, booking, moving, cancelling, what became of it."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic.access import STAFF, StaffRequest, allowed, client_or_404
from clinic.domain.diary import MAY_BECOME, in_words, late_words
from clinic.domain.lateness import LATE_HOURS
from clinic.domain.vocabulary import AppointmentState, TrailAction
from clinic.forms.diary import BookingForm, FindForm, KeepForm, ReasonForm
from clinic.forms.people import show_refusal
from clinic.models import (
    Appointment,
    AppointmentKind,
    Client,
    Reassessment,
    Site,
    Staff,
    WaitingEntry,
)
from clinic.models.limits import of_my_clients
from clinic.services import diary, free_times, reassessments, record_links, trail, waiting_list
from clinic.services.free_times import EARLY_DAYS, EVERY_DAY, Wish
from clinic.services.reminders import agrees_to_email
from clinic.views.joined import led_to_kept

# Finding a time


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
def appointment_find(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    led = led_to_kept(request, client)
    if led:
        return led
    waiting = reassessments.standing(client).waiting().select_related("clinician").first()
    settings = _form_settings(client.site)
    form = BookingForm(request.POST or None, **settings)
    if request.method == "POST":
        appointment = _booked(form, lambda **what: diary.book(client=client, **what), request.user)
        if appointment:
            _say_when(request, appointment, "Booked for")
            return redirect("appointment-open", appointment.pk)
    find = FindForm(
        _asked_for(request, _first_wishes(client, waiting, request.user)),
        site=client.site,
        clinicians=settings["clinicians"],
    )
    context = {"client": client, "waiting": waiting, "late": _late(waiting, settings["today"])}
    return render(
        request, "clinic/appointment_find.html", context | _found(client, request.user, find, form)
    )


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
def appointment_move(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = appointment_or_404(request.user, pk)
    settings = _form_settings(appointment.client.site) | {"moving": True}
    form = BookingForm(request.POST or None, initial={"seen": appointment.sequence}, **settings)
    if request.method == "POST":
        moved = _booked(
            form, lambda **what: diary.move(appointment=appointment, **what), request.user
        )
        if moved:
            _say_when(request, moved, "Moved to")
            return redirect("appointment-open", pk)
        appointment = appointment_or_404(request.user, pk)
    wishes = {
        "clinician": appointment.clinician_id,
        "day": f"{max(appointment.local_date, settings['today']):%d.%m.%Y}",
    }
    find = FindForm(
        _asked_for(request, wishes),
        site=appointment.site,
        clinicians=settings["clinicians"],
        moving=True,
    )
    context = {"client": appointment.client, "appointment": appointment}
    return render(
        request,
        "clinic/appointment_move.html",
        context | _found(appointment.client, request.user, find, form, appointment),
    )


def _late(waiting: Reassessment | None, today: date) -> str:
    return late_words(waiting.due_on, today) if waiting else ""


def _form_settings(site: Site) -> dict[str, Any]:
    return {
        "site": site,
        "clinicians": free_times.clinicians_of(site),
        "today": reassessments.today_at(site),
    }


def _booked(form: BookingForm, save: Callable[..., Appointment], by: Staff) -> Appointment | None:
    """The appointment that the service saved; a refusal stands in the form."""
    if not form.is_valid():
        return None
    try:
        return save(by=by, **form.cleaned_data)
    except ValidationError as refusal:
        show_refusal(form, refusal)
        if form.has_error("second", code="doubled"):
            form.ask_which()
        return None


def _say_when(request: StaffRequest, appointment: Appointment, what: str) -> None:
    at, day = f"{appointment.local_time:%H:%M}", in_words(appointment.local_date)
    messages.success(request, f"{what} {day} at {at}.")
    if diary.is_doubled(appointment):
        which = "second" if appointment.second_time else "first"
        messages.warning(request, f"The clocks show {at} twice that night; this is the {which}.")


def _first_wishes(client: Client, waiting: Reassessment | None, staff: Staff) -> dict[str, Any]:
    """What the page begins with: the reassessment that is due, or the clinician seen last."""
    today = reassessments.today_at(client.site)
    kinds = AppointmentKind.objects.filter(site=client.site)
    if waiting:
        kind = kinds.filter(code=reassessments.KIND).first() or kinds.first()
        clinician: int | None = waiting.clinician_id
        day = max(waiting.due_on, today)
    else:
        kind = kinds.exclude(code=reassessments.KIND).first() or kinds.first()
        last = client.appointments.standing().order_by("starts_at").last()
        mine = staff.pk if staff.is_clinician else None
        clinician, day = (last.clinician_id if last else mine), today
    return {"kind": kind and kind.pk, "clinician": clinician, "day": f"{day:%d.%m.%Y}"}


def _asked_for(request: StaffRequest, wishes: dict[str, Any]) -> dict[str, Any]:
    """What the address asks for, and the first wishes where it is silent."""
    return wishes | request.GET.dict() | {"weekdays": request.GET.getlist("weekdays")}


def _found(
    client: Client,
    staff: Staff,
    find: FindForm,
    booking: BookingForm,
    moving: Appointment | None = None,
) -> dict[str, Any]:
    """The two forms and the free times; `form` is the one whose errors the page tells."""
    context: dict[str, Any] = {"find": find, "booking": booking, "form": booking}
    if not find.is_valid():
        return context if booking.errors else context | {"form": find}
    asked = find.cleaned_data
    kind = moving.kind if moving else asked["kind"]
    due = not moving and kind.code == reassessments.KIND and not asked["after"]
    free = free_times.offers(
        Wish(
            kind=kind,
            first_day=asked["day"],
            clinician=asked["clinician"],
            client=client,
            weekdays=asked["weekdays"] or EVERY_DAY,
            between=asked["hours"] and (asked["hours"].opens, asked["hours"].closes),
            after=asked["after"],
            early_days=EARLY_DAYS if due else 0,
            apart_from=moving,
            asked_by=staff,
        )
    )
    shown = free.same or free.others
    kept = waiting_list.kept_for(client, staff)
    again = {
        "kind": kind.pk,
        "clinician": asked["clinician"].pk if asked["clinician"] else "",
        "weekdays": sorted(asked["weekdays"]),
        "opens": f"{asked['opens']:%H:%M}" if asked["opens"] else "",
        "closes": f"{asked['closes']:%H:%M}" if asked["closes"] else "",
    }
    return context | {
        "free": free,
        "asked": asked,
        "last": f"{shown[-1].starts_at:%Y-%m-%dT%H:%M}Z" if shown else "",
        "next_day": asked["day"] + timedelta(days=1),
        "asked_again": urlencode(again, doseq=True),
        "kept": kept,
        "kept_start": kept and _on_the_clock_of(client.site, kept.starts_at),
        "kept_until": kept and _on_the_clock_of(client.site, kept.kept_until),
    }


def _on_the_clock_of(site: Site, at: datetime) -> datetime:
    """Without a zone: a template shows one that has it on the clock of the machine."""
    return at.astimezone(free_times.zone_of(site)).replace(tzinfo=None)


@require_POST
@allowed(*STAFF)
def time_keep(request: StaffRequest, pk: int) -> HttpResponse:
    """Keep a free time for five minutes while the client decides."""
    client = client_or_404(request.user, pk)
    form = KeepForm(request.POST, **_form_settings(client.site))
    try:
        if form.is_valid():
            kept = waiting_list.keep_time(client=client, by=request.user, **form.wanted())
            until = kept.kept_until.astimezone(free_times.zone_of(client.site))
            messages.success(request, f"Kept for you until {until:%H:%M}.")
        else:
            messages.error(request, "This time cannot be kept. Choose one of the list.")
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    return redirect("appointment-find", pk)


@require_POST
@allowed(*STAFF)
def time_let_go(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    waiting_list.let_go(client=client, by=request.user)
    messages.success(request, "Let go. Others are offered this time again.")
    return redirect("appointment-find", pk)


# One appointment


def appointment_or_404(staff: Staff, pk: int) -> Appointment:
    return get_object_or_404(
        of_my_clients(Appointment.objects.all(), staff).select_related(
            "client__site", "clinician", "room", "kind__site", "booked_by", "site"
        ),
        pk=pk,
    )


@require_safe
@allowed(*STAFF)
def appointment_open(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = appointment_or_404(request.user, pk)
    trail.record(TrailAction.VIEW, by=request.user, row=appointment, client=appointment.client)
    today = reassessments.today_at(appointment.client.site)
    context = {
        "client": appointment.client,
        "appointment": appointment,
        "acts": _acts(appointment, today),
        "may_change": appointment.state == AppointmentState.BOOKED,
        "doubled": diary.is_doubled(appointment),
        "wanted": _wanted(appointment, request.user),
        "may_send": _may_send(appointment),
        "here": request.path,
    }
    return render(request, "clinic/appointment_open.html", context)


def _may_send(appointment: Appointment) -> bool:
    """Whether the page offers to e-mail it: the client agreed, and there is something to tell."""
    told = appointment.state in {AppointmentState.BOOKED, AppointmentState.CANCELLED}
    client = record_links.where_new_goes(appointment.client)
    return told and bool(client.email) and agrees_to_email(client)


def _wanted(appointment: Appointment, staff: Staff) -> list[WaitingEntry]:
    """Who would like the time of a cancelled appointment."""
    if appointment.state != AppointmentState.CANCELLED:
        return []
    return waiting_list.wanted_by(appointment, staff)


@dataclass(frozen=True)
class Act:
    """A button that says what became of an appointment."""

    name: str
    words: str
    state: AppointmentState
    save: Callable[..., Appointment]


ACTS = {
    act.name: act
    for act in (
        Act("arrived", "Arrived", AppointmentState.ARRIVED, diary.arrive),
        Act("seen", "Seen", AppointmentState.SEEN, diary.mark_seen),
        Act("missed", "Did not come", AppointmentState.MISSED, diary.mark_missed),
        Act("back", "Put back to booked", AppointmentState.BOOKED, diary.put_back),
    )
}


def _acts(appointment: Appointment, today: date) -> list[Act]:
    """What may be said of the appointment today."""
    if appointment.local_date > today:
        return []
    possible = MAY_BECOME[AppointmentState(appointment.state)]
    return [act for act in ACTS.values() if act.state in possible]


@require_POST
@allowed(*STAFF)
def appointment_state(request: StaffRequest, pk: int, act: str) -> HttpResponse:
    appointment = appointment_or_404(request.user, pk)
    if act not in ACTS:
        raise Http404
    try:
        saved = ACTS[act].save(appointment=appointment, by=request.user)
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    else:
        messages.success(request, f"{saved.client}: {saved.get_state_display()}.")
    return redirect(_back(request) or reverse("appointment-open", args=[pk]))


def _back(request: StaffRequest) -> str:
    """The page of this site that the press came from, if it says so."""
    back = request.POST.get("back", "")
    return back if url_has_allowed_host_and_scheme(back, {request.get_host()}) else ""


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
def appointment_cancel(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = appointment_or_404(request.user, pk)
    form = ReasonForm(request.POST or None)
    if form.is_valid():
        try:
            diary.cancel(appointment=appointment, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "Cancelled. The time is free again.")
            return redirect("appointment-open", pk)
    context = {
        "client": appointment.client,
        "appointment": appointment,
        "form": form,
        "late": appointment.is_late_at(timezone.now()),
        "late_hours": LATE_HOURS,
    }
    return render(request, "clinic/appointment_cancel.html", context)
