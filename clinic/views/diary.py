"""Pages of the diary: day, week, finding a time, one appointment, what is due."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.paginator import Paginator
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic.access import EVERYBODY, StaffRequest, allowed, client_or_404
from clinic.domain.diary import MAY_BECOME, in_words, late_words
from clinic.domain.vocabulary import AppointmentState, TrailAction
from clinic.forms.diary import BookingForm, CloseForm, DayForm, FindForm, ReasonForm
from clinic.forms.people import show_refusal
from clinic.models import (
    Appointment,
    AppointmentKind,
    Client,
    OpeningHours,
    Reassessment,
    Site,
    Staff,
)
from clinic.services import diary, reassessments, trail

PAGE = 50


# Day and week


@dataclass(frozen=True)
class Column:
    """One clinician's day: hours and appointments."""

    clinician: Staff
    hours: list[OpeningHours]
    appointments: list[Appointment]


@dataclass(frozen=True)
class Day:
    """One day of the week page."""

    date: date
    is_today: bool
    appointments: list[Appointment]


def _home(staff: Staff) -> Site:
    """The site whose diary and day a person sees first."""
    if staff.home_site is None:
        raise PermissionDenied
    return staff.home_site


def _asked(request: StaffRequest) -> tuple[DayForm, Site, date]:
    """The form, and the site and the day that it asks for: home and today where it is silent."""
    home = _home(request.user)
    form = DayForm(request.GET or None, staff=request.user)
    asked = form.cleaned_data if form.is_valid() else {}
    site = asked.get("site") or home
    day = asked.get("day") or reassessments.today_at(site)
    if not form.errors:
        form = DayForm(initial={"day": day, "site": site}, staff=request.user)
    return form, site, day


def _diary_context(form: DayForm, site: Site, day: date, step: int) -> dict[str, Any]:
    today = reassessments.today_at(site)
    return {
        "form": form,
        "shown_site": site,
        "day": day,
        "today": today,
        "before": day - timedelta(days=step),
        "after": day + timedelta(days=step),
        "several_sites": form.fields["site"].queryset.count() > 1,  # type: ignore[attr-defined]
    }


@require_safe
@allowed(*EVERYBODY)
def diary_day(request: StaffRequest) -> HttpResponse:
    form, site, day = _asked(request)
    rows = list(Appointment.objects.filter(site=site).on_day(day).for_listing())
    hours = OpeningHours.objects.filter(site=site, weekday=day.weekday())
    standing = [row for row in rows if row.state != AppointmentState.CANCELLED]
    context = {
        "columns": _columns(standing, list(hours.select_related("clinician"))),
        "standing": len(standing),
        "cancelled": [row for row in rows if row.state == AppointmentState.CANCELLED],
    }
    return render(request, "clinic/diary_day.html", _diary_context(form, site, day, 1) | context)


def _columns(rows: list[Appointment], hours: list[OpeningHours]) -> list[Column]:
    """Clinicians who work or are booked that day, by name."""
    people = {row.clinician_id: row.clinician for row in hours}
    people |= {row.clinician_id: row.clinician for row in rows}
    columns = [
        Column(
            person,
            [row for row in hours if row.clinician_id == pk],
            [row for row in rows if row.clinician_id == pk],
        )
        for pk, person in people.items()
    ]
    return sorted(columns, key=lambda it: (it.clinician.last_name, it.clinician.first_name))


@require_safe
@allowed(*EVERYBODY)
def diary_week(request: StaffRequest) -> HttpResponse:
    form, site, day = _asked(request)
    monday = day - timedelta(days=day.weekday())
    sunday = monday + timedelta(days=6)
    rows = list(
        Appointment.objects.standing()
        .filter(site=site, local_date__range=(monday, sunday))
        .for_listing()
    )
    open_days = set(OpeningHours.objects.filter(site=site).values_list("weekday", flat=True))
    today = reassessments.today_at(site)
    dates = [monday + timedelta(days=number) for number in range(7)]
    days = [Day(it, it == today, [row for row in rows if row.local_date == it]) for it in dates]
    context = {
        "days": [it for it in days if it.appointments or it.date.weekday() in open_days],
        "monday": monday,
        "sunday": sunday,
    }
    return render(request, "clinic/diary_week.html", _diary_context(form, site, day, 7) | context)


# Finding a time


@require_http_methods(["GET", "POST"])
@allowed(*EVERYBODY)
def appointment_find(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    waiting = client.reassessments.waiting().select_related("clinician").first()
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
    return render(request, "clinic/appointment_find.html", context | _found(client, find, form))


@require_http_methods(["GET", "POST"])
@allowed(*EVERYBODY)
def appointment_move(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = _appointment_or_404(request.user, pk)
    settings = _form_settings(appointment.client.site) | {"moving": True}
    form = BookingForm(request.POST or None, initial={"seen": appointment.sequence}, **settings)
    if request.method == "POST":
        moved = _booked(
            form, lambda **what: diary.move(appointment=appointment, **what), request.user
        )
        if moved:
            _say_when(request, moved, "Moved to")
            return redirect("appointment-open", pk)
        appointment = _appointment_or_404(request.user, pk)
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
        context | _found(appointment.client, find, form, appointment),
    )


def _late(waiting: Reassessment | None, today: date) -> str:
    return late_words(waiting.due_on, today) if waiting else ""


def _form_settings(site: Site) -> dict[str, Any]:
    return {
        "site": site,
        "clinicians": diary.clinicians_of(site),
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
        return None


def _say_when(request: StaffRequest, appointment: Appointment, what: str) -> None:
    at, day = f"{appointment.local_time:%H:%M}", in_words(appointment.local_date)
    messages.success(request, f"{what} {day} at {at}.")
    if diary.is_doubled(appointment):
        messages.warning(request, f"The clocks show {at} twice that night; this is the first.")


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
    return wishes | request.GET.dict()


def _found(
    client: Client, find: FindForm, booking: BookingForm, moving: Appointment | None = None
) -> dict[str, Any]:
    """The two forms and the free times; `form` is the one whose errors the page tells."""
    context: dict[str, Any] = {"find": find, "booking": booking, "form": booking}
    if not find.is_valid():
        return context if booking.errors else context | {"form": find}
    asked = find.cleaned_data
    same, others = diary.offers(
        kind=moving.kind if moving else asked["kind"],
        first_day=asked["day"],
        clinician=asked["clinician"],
        client=client,
        after=asked["after"],
        apart_from=moving,
    )
    shown = same or others
    return context | {
        "same": same,
        "others": others,
        "asked": asked,
        "last": f"{shown[-1].slot.span.starts_at:%Y-%m-%dT%H:%M}Z" if shown else "",
        "next_day": asked["day"] + timedelta(days=1),
    }


# One appointment


def _appointment_or_404(staff: Staff, pk: int) -> Appointment:
    return get_object_or_404(
        Appointment.objects.filter(site__staff=staff).select_related(
            "client__site", "clinician", "room", "kind__site", "booked_by", "site"
        ),
        pk=pk,
    )


@require_safe
@allowed(*EVERYBODY)
def appointment_open(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = _appointment_or_404(request.user, pk)
    trail.record(TrailAction.VIEW, by=request.user, row=appointment, client=appointment.client)
    today = reassessments.today_at(appointment.client.site)
    context = {
        "client": appointment.client,
        "appointment": appointment,
        "acts": _acts(appointment, today),
        "may_change": appointment.state == AppointmentState.BOOKED,
        "doubled": diary.is_doubled(appointment),
        "here": request.path,
    }
    return render(request, "clinic/appointment_open.html", context)


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
@allowed(*EVERYBODY)
def appointment_state(request: StaffRequest, pk: int, act: str) -> HttpResponse:
    appointment = _appointment_or_404(request.user, pk)
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
@allowed(*EVERYBODY)
def appointment_cancel(request: StaffRequest, pk: int) -> HttpResponse:
    appointment = _appointment_or_404(request.user, pk)
    form = ReasonForm(request.POST or None)
    if form.is_valid():
        try:
            diary.cancel(appointment=appointment, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "Cancelled. The time is free again.")
            return redirect("appointment-open", pk)
    context = {"client": appointment.client, "appointment": appointment, "form": form}
    return render(request, "clinic/appointment_cancel.html", context)


# What is due


@require_safe
@allowed(*EVERYBODY)
def due_list(request: StaffRequest) -> HttpResponse:
    waiting = Reassessment.objects.waiting().filter(site__staff=request.user).for_listing()
    page = Paginator(waiting, PAGE).get_page(request.GET.get("page"))
    today = reassessments.today_at(_home(request.user))
    rows = [
        {"due": due, "late": due.due_on < today, "words": late_words(due.due_on, today)}
        for due in page.object_list
    ]
    return render(request, "clinic/due_list.html", {"page": page, "rows": rows, "today": today})


@require_http_methods(["GET", "POST"])
@allowed(*EVERYBODY)
def due_close(request: StaffRequest, pk: int) -> HttpResponse:
    due = get_object_or_404(
        Reassessment.objects.filter(site__staff=request.user).select_related("client__site"),
        pk=pk,
    )
    form = CloseForm(request.POST or None)
    if form.is_valid():
        try:
            reassessments.close_reassessment(
                reassessment=due, by=request.user, **form.cleaned_data
            )
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, f"{due.client} is no longer on the list.")
            return redirect("due-list")
    context = {"client": due.client, "due": due, "form": form}
    return render(request, "clinic/due_close.html", context)
