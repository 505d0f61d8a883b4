"""The manager's pages of opening hours, leave and kinds of appointment."""

import calendar
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic.access import STAFF, StaffRequest, allowed
from clinic.domain.vocabulary import Role
from clinic.forms.hours import ChangeForm, KindForm, WeeklyForm
from clinic.forms.people import show_refusal
from clinic.models import AppointmentKind, HoursChange, OpeningHours, Site, Staff
from clinic.public_holidays import holidays_between
from clinic.saving import once
from clinic.services import free_times, hours, reassessments

AHEAD = timedelta(days=365)


@dataclass(frozen=True)
class Week:
    """One clinician's usual week: (weekday, hours in words)."""

    clinician: Staff
    days: list[tuple[str, str]]


def _site(staff: Staff) -> Site:
    if staff.home_site is None:
        raise PermissionDenied
    return staff.home_site


@require_safe
@allowed(*STAFF)
def hours_open(request: StaffRequest) -> HttpResponse:
    site = _site(request.user)
    today = reassessments.today_at(site)
    changes = HoursChange.objects.filter(site=site, last_day__gte=today)
    context = {
        "shown_site": site,
        "weeks": _weeks(site),
        "changes": changes.select_related("clinician"),
        "outside": hours.appointments_outside(site, today, today + AHEAD, request.user),
        "holidays": sorted(holidays_between(site.holiday_region, today, today + AHEAD).items()),
        "kinds": AppointmentKind.objects.filter(site=site),
    }
    return render(request, "clinic/hours_open.html", context)


def _weeks(site: Site) -> list[Week]:
    """Everybody who can be booked; two queries."""
    rows: defaultdict[int, defaultdict[int, list[str]]] = defaultdict(lambda: defaultdict(list))
    for row in OpeningHours.objects.filter(site=site):
        said = f"{row.opens:%H:%M} to {row.closes:%H:%M}"
        rows[row.clinician_id][row.weekday].append(said)
    return [
        Week(
            person,
            [
                (name, ", ".join(rows[person.pk][number]))
                for number, name in enumerate(calendar.day_abbr)
            ],
        )
        for person in free_times.clinicians_of(site).order_by("last_name", "first_name")
    ]


@require_http_methods(["GET", "POST"])
@allowed(Role.MANAGER)
def hours_weekly(request: StaffRequest, pk: int) -> HttpResponse:
    site = _site(request.user)
    clinician = get_object_or_404(free_times.clinicians_of(site), pk=pk)
    form = WeeklyForm(request.POST or None, initial=_typed(site, clinician))
    if form.is_valid():
        try:
            hours.set_weeks(site=site, clinician=clinician, week=form.hours(), by=request.user)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, f"Saved the hours of {clinician}.")
            return redirect("hours-open")
    context = {"clinician": clinician, "form": form, "shown_site": site}
    return render(request, "clinic/hours_weekly.html", context)


def _typed(site: Site, clinician: Staff) -> dict[str, str]:
    """The hours as a person types them."""
    found: defaultdict[str, list[str]] = defaultdict(list)
    for row in OpeningHours.objects.filter(site=site, clinician=clinician):
        found[f"day_{row.weekday}"].append(f"{row.opens:%H:%M}-{row.closes:%H:%M}")
    return {name: ", ".join(parts) for name, parts in found.items()}


@require_http_methods(["GET", "POST"])
@allowed(Role.MANAGER)
@once(lambda line: reverse("hours-open"))
def hours_change_new(request: StaffRequest) -> HttpResponse:
    site = _site(request.user)
    form = ChangeForm(request.POST or None, site=site, clinicians=free_times.clinicians_of(site))
    if form.is_valid():
        try:
            change = hours.change_hours(site=site, by=request.user, **form.wanted())
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            _say_outside(request, site, change.first_day, change.last_day)
            return redirect("hours-open")
    return render(request, "clinic/hours_change_new.html", {"form": form, "shown_site": site})


def _say_outside(request: StaffRequest, site: Site, first: date, last: date) -> None:
    left = len(hours.appointments_outside(site, first, last, request.user))
    if left:
        messages.warning(request, f"Saved. Appointments booked at these times to move: {left}.")
    else:
        messages.success(request, "Saved. Nothing was booked at these times.")


@require_POST
@allowed(Role.MANAGER)
def hours_change_remove(request: StaffRequest, pk: int) -> HttpResponse:
    change = get_object_or_404(
        HoursChange.objects.filter(site=_site(request.user)).select_related("site"), pk=pk
    )
    hours.take_back_change(change=change, by=request.user)
    messages.success(request, "Taken back. The usual hours hold again.")
    return redirect("hours-open")


@require_http_methods(["GET", "POST"])
@allowed(Role.MANAGER)
def kind_edit(request: StaffRequest, pk: int) -> HttpResponse:
    kind = get_object_or_404(AppointmentKind.objects.filter(site=_site(request.user)), pk=pk)
    form = KindForm(request.POST or None, instance=kind)
    if form.is_valid():
        try:
            hours.change_kind(kind=kind, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, f"Saved. {kind} takes this long from the next booking on.")
            return redirect("hours-open")
    return render(request, "clinic/kind_edit.html", {"form": form, "kind": kind})
