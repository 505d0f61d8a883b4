"""Pages of the diary: day and week."""

from collections.abc import Container
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from clinic.access import STAFF, StaffRequest, allowed
from clinic.domain.opening import hours_words
from clinic.domain.vocabulary import AppointmentState
from clinic.forms.diary import DayForm
from clinic.models import Appointment, Site, Staff
from clinic.models.limits import told_to
from clinic.public_holidays import holidays_between
from clinic.services import free_times, reassessments
from clinic.services.free_times import Plan

# Day and week


@dataclass(frozen=True)
class Column:
    """One clinician's day: hours in words, why they are others than usual, appointments."""

    clinician: Staff
    hours: str
    why: str
    appointments: list[Appointment]


@dataclass(frozen=True)
class Day:
    """One day of the week page."""

    date: date
    is_today: bool
    holiday: str
    appointments: list[Appointment]


def _home(staff: Staff) -> Site:
    """The site whose diary and day a person sees first."""
    if staff.home_site is None:
        raise PermissionDenied
    return staff.home_site


def asked_for(request: StaffRequest) -> tuple[DayForm, Site, date]:
    """The form, and the site and the day that it asks for: home and today where it is silent."""
    home = _home(request.user)
    form = DayForm(request.GET or None, staff=request.user)
    asked = form.cleaned_data if form.is_valid() else {}
    site = asked.get("site") or home
    day = asked.get("day") or reassessments.today_at(site)
    if not form.errors:
        form = DayForm(initial={"day": day, "site": site}, staff=request.user)
    return form, site, day


def diary_context(form: DayForm, site: Site, day: date, step: int) -> dict[str, Any]:
    today = reassessments.today_at(site)
    return {
        "form": form,
        "shown_site": site,
        "day": day,
        "today": today,
        "before": day - timedelta(days=step),
        "after": day + timedelta(days=step),
        "week_number": day.isocalendar().week,
        "several_sites": form.fields["site"].queryset.count() > 1,  # type: ignore[attr-defined]
    }


@require_safe
@allowed(*STAFF)
def diary_day(request: StaffRequest) -> HttpResponse:
    form, site, day = asked_for(request)
    rows = told_to(Appointment.objects.filter(site=site).on_day(day).for_listing(), request.user)
    standing = [row for row in rows if row.state != AppointmentState.CANCELLED]
    context = {
        "columns": _columns(site, day, standing),
        "holiday": holidays_between(site.holiday_region, day, day).get(day, ""),
        "standing": len(standing),
        "cancelled": [row for row in rows if row.state == AppointmentState.CANCELLED],
    }
    return render(request, "clinic/diary_day.html", diary_context(form, site, day, 1) | context)


def _columns(site: Site, day: date, rows: list[Appointment]) -> list[Column]:
    """Clinicians who work, are away or are booked that day, by name."""
    plan = free_times.plan_of(site, day, day)
    booked = {row.clinician for row in rows}
    columns = []
    for person in {*plan.people, *booked}:
        hours, why = plan.hours_on(person, day), plan.why(person, day)
        own = [row for row in rows if row.clinician_id == person.pk]
        if hours or why or own:
            columns.append(Column(person, hours_words(hours), why, own))
    return sorted(columns, key=lambda it: (it.clinician.last_name, it.clinician.first_name))


def shown_dates(plan: Plan, monday: date, also: Container[date]) -> list[date]:
    """Days of a week on which somebody can be booked, and those in `also`."""
    week = (monday + timedelta(days=number) for number in range(7))
    return [
        it for it in week if it in also or any(plan.hours_on(person, it) for person in plan.people)
    ]


@require_safe
@allowed(*STAFF)
def diary_week(request: StaffRequest) -> HttpResponse:
    form, site, day = asked_for(request)
    monday = day - timedelta(days=day.weekday())
    sunday = monday + timedelta(days=6)
    standing = Appointment.objects.standing().filter(site=site, local_date__range=(monday, sunday))
    rows = told_to(standing.for_listing(), request.user)
    plan = free_times.plan_of(site, monday, sunday)
    holidays = holidays_between(site.holiday_region, monday, sunday)
    today = reassessments.today_at(site)
    context = {
        "days": [
            Day(
                it,
                it == today,
                holidays.get(it, ""),
                [row for row in rows if row.local_date == it],
            )
            for it in shown_dates(plan, monday, {row.local_date for row in rows} | set(holidays))
        ],
        "monday": monday,
        "sunday": sunday,
    }
    return render(request, "clinic/diary_week.html", diary_context(form, site, day, 7) | context)
