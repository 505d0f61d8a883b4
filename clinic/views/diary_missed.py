"""What was booked and did not happen, for the manager."""

from collections import Counter
from datetime import date, timedelta
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from clinic.access import StaffRequest, allowed
from clinic.domain.lateness import LATE_HOURS
from clinic.domain.vocabulary import AppointmentState, Role
from clinic.models import Appointment, Site
from clinic.models.limits import told_to
from clinic.services.reassessments import today_at

PAGE = 50
PERIODS = {4: "four weeks", 12: "twelve weeks", 52: "year"}


@require_safe
@allowed(Role.MANAGER)
def diary_missed(request: StaffRequest) -> HttpResponse:
    site = request.user.home_site
    if site is None:
        raise PermissionDenied
    weeks = _weeks(request)
    last = today_at(site)
    first = last - timedelta(weeks=weeks) + timedelta(days=1)
    rows = told_to(_missed_between(site, first, last), request.user)
    context: dict[str, Any] = {
        "shown_site": site,
        "periods": PERIODS,
        "weeks": weeks,
        "first": first,
        "last": last,
        "late_hours": LATE_HOURS,
        "booked": Appointment.objects.filter(site=site, local_date__range=(first, last)).count(),
        "counts": Counter(map(_what_became, rows)),
        "page": Paginator(rows, PAGE).get_page(request.GET.get("page")),
    }
    return render(request, "clinic/diary_missed.html", context)


def _weeks(request: StaffRequest) -> int:
    """The period that is asked for; four weeks where it is none of ours."""
    asked = request.GET.get("weeks", "")
    return int(asked) if asked in map(str, PERIODS) else 4


def _missed_between(site: Site, first: date, last: date) -> Any:
    """Missed and cancelled appointments of those days, the newest first."""
    states = [AppointmentState.MISSED.value, AppointmentState.CANCELLED.value]
    rows = Appointment.objects.filter(site=site, state__in=states, local_date__range=(first, last))
    return rows.for_listing().order_by("-starts_at", "-pk")


def _what_became(row: Appointment) -> str:
    if row.state == AppointmentState.MISSED:
        return "missed"
    return "late" if row.is_cancelled_late else "in_time"
