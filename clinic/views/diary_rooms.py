"""Pages of the diary by room: day and week."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from clinic.access import STAFF, StaffRequest, allowed
from clinic.domain.diary import Span, instant
from clinic.domain.rooms import free_stretches
from clinic.domain.vocabulary import AppointmentState
from clinic.models import Appointment, KeptTime, Room, Site
from clinic.models.limits import told_to
from clinic.public_holidays import holidays_between
from clinic.services import free_times
from clinic.services.free_times import Plan, zone_of
from clinic.views.diary import asked_for, diary_context, shown_dates


@dataclass(frozen=True)
class Line:
    """A stretch of a room's day: booked, kept for a caller, or free.

    begins, ends, clear: on the clock of the site; the span holds the time to clear the room.
    """

    span: Span
    begins: time
    ends: time
    clear: time | None = None
    appointment: Appointment | None = None
    kept: KeptTime | None = None


@dataclass(frozen=True)
class RoomDay:
    """One room and what its day holds, in order of time."""

    room: Room
    lines: list[Line]


@dataclass(frozen=True)
class RoomWeek:
    """One room and its standing appointments, a list for each shown day."""

    room: Room
    days: list[tuple[date, list[Appointment]]]


@require_safe
@allowed(*STAFF)
def diary_rooms(request: StaffRequest) -> HttpResponse:
    form, site, day = asked_for(request)
    rows = told_to(Appointment.objects.filter(site=site).on_day(day).for_listing(), request.user)
    standing = [row for row in rows if row.state != AppointmentState.CANCELLED]
    plan = free_times.plan_of(site, day, day)
    context = {
        "rooms": _rooms_on(site, day, plan, standing),
        "why": _why_closed(plan, day),
        "holiday": plan.holidays.get(day, ""),
        "standing": len(standing),
        "cancelled": [row for row in rows if row.state == AppointmentState.CANCELLED],
    }
    return render(request, "clinic/diary_rooms.html", diary_context(form, site, day, 1) | context)


def _rooms_on(site: Site, day: date, plan: Plan, standing: list[Appointment]) -> list[RoomDay]:
    """Every room of the site, also one that nobody uses: two queries."""
    zone = zone_of(site)
    lines: defaultdict[int, list[Line]] = defaultdict(list)
    for row in standing:
        lines[row.room_id].append(_booked(row, zone))
    for kept in _kept_on(site, day, zone):
        lines[kept.room_id].append(_line(Span(kept.starts_at, kept.clear_at), zone, kept=kept))
    opened = [
        Span(instant(day, it.opens, zone), instant(day, it.closes, zone))
        for person in plan.people
        for it in plan.hours_on(person, day)
    ]
    over = Span(datetime.min.replace(tzinfo=UTC), timezone.now())
    found = []
    for room in Room.objects.filter(site=site).order_by("name"):
        own = lines[room.pk]
        free = free_stretches(opened, [over, *(it.span for it in own)])
        every = [*own, *(_line(it, zone) for it in free)]
        found.append(RoomDay(room, sorted(every, key=lambda it: it.span)))
    return found


def _line(span: Span, zone: ZoneInfo, **what: Any) -> Line:
    begins, ends = (it.astimezone(zone).time() for it in (span.starts_at, span.ends_at))
    return Line(span, begins, ends, **what)


def _booked(row: Appointment, zone: ZoneInfo) -> Line:
    ends, clear = (it.astimezone(zone).time() for it in (row.ends_at, row.clear_at))
    return Line(
        Span(row.starts_at, row.clear_at),
        row.local_time,
        ends,
        clear if row.clear_at > row.ends_at else None,
        appointment=row,
    )


def _kept_on(site: Site, day: date, zone: ZoneInfo) -> list[KeptTime]:
    """Times of that day that colleagues keep for callers now."""
    begins, ends = (instant(it, time(), zone) for it in (day, day + timedelta(days=1)))
    kept = KeptTime.objects.at(timezone.now()).filter(
        site=site, starts_at__gte=begins, starts_at__lt=ends
    )
    return list(kept.select_related("kept_by", "clinician", "client"))


def _why_closed(plan: Plan, day: date) -> str:
    """What the site's own changes of hours say about the day."""
    said = {it.why for own in plan.changes.values() for it in own if not it.own and it.covers(day)}
    return ", ".join(sorted(said - {""}))


@require_safe
@allowed(*STAFF)
def diary_rooms_week(request: StaffRequest) -> HttpResponse:
    form, site, day = asked_for(request)
    monday = day - timedelta(days=day.weekday())
    sunday = monday + timedelta(days=6)
    standing = Appointment.objects.standing().filter(site=site, local_date__range=(monday, sunday))
    rows = told_to(standing.for_listing(), request.user)
    plan = free_times.plan_of(site, monday, sunday)
    holidays = holidays_between(site.holiday_region, monday, sunday)
    dates = shown_dates(plan, monday, {row.local_date for row in rows} | set(holidays))
    context: dict[str, Any] = {
        "dates": [(it, holidays.get(it, "")) for it in dates],
        "rooms": _week_of_rooms(site, dates, rows),
        "monday": monday,
        "sunday": sunday,
    }
    page = diary_context(form, site, day, 7) | context
    return render(request, "clinic/diary_rooms_week.html", page)


def _week_of_rooms(site: Site, dates: list[date], rows: list[Appointment]) -> list[RoomWeek]:
    cells: defaultdict[tuple[int, date], list[Appointment]] = defaultdict(list)
    for row in rows:
        cells[row.room_id, row.local_date].append(row)
    return [
        RoomWeek(room, [(day, cells[room.pk, day]) for day in dates])
        for room in Room.objects.filter(site=site).order_by("name")
    ]
