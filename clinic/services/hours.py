"""Usual opening hours and changes of them; what was booked stays and is told."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, time
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from clinic.domain import diary
from clinic.domain.opening import ChangeKind
from clinic.domain.vocabulary import AppointmentState, TrailAction
from clinic.models import Appointment, AppointmentKind, HoursChange, OpeningHours, Site, Staff
from clinic.models.limits import told_to
from clinic.services import trail
from clinic.services.free_times import plan_of

Stretches = Sequence[tuple[time, time]]


@transaction.atomic
def set_weeks(
    *, site: Site, clinician: Staff, week: Mapping[int, Stretches], by: Staff
) -> list[OpeningHours]:
    """Replace the usual hours of one clinician on each weekday given; returns the new rows.

    week: weekday, 0 is Monday, to its stretches (opens, closes), none for a day without. What is
    booked stays booked. Raises ValidationError, next to the field day_N.
    """
    saved = []
    for weekday, stretches in week.items():
        try:
            saved += _set_day(site, clinician, weekday, sorted(stretches), by)
        except ValidationError as refusal:
            raise ValidationError({f"day_{weekday}": refusal.messages}) from refusal
    return saved


def _set_day(
    site: Site, clinician: Staff, weekday: int, stretches: Stretches, by: Staff
) -> list[OpeningHours]:
    for (_, closes), (opens, _) in pairwise(stretches):
        if opens < closes:
            raise ValidationError(f"Two stretches overlap: {closes:%H:%M} and {opens:%H:%M}.")
    rows = [
        OpeningHours(site=site, clinician=clinician, weekday=weekday, opens=opens, closes=closes)
        for opens, closes in stretches
    ]
    before = OpeningHours.objects.filter(site=site, clinician=clinician, weekday=weekday)
    old, new = _words(before), _words(rows)
    if old == new:
        return list(before)
    before.delete()
    for row in rows:
        row.full_clean()
        row.save()
    trail.record(
        TrailAction.CHANGE, by=by, row=clinician, site=site, weekday=weekday, hours=[old, new]
    )
    return rows


def _words(rows: Iterable[OpeningHours]) -> str:
    return ", ".join(f"{row.opens:%H:%M}-{row.closes:%H:%M}" for row in rows)


@transaction.atomic
def change_kind(*, kind: AppointmentKind, by: Staff, **fields: Any) -> AppointmentKind:
    """Save how long a kind is and what it needs; what is booked keeps its time.

    Raises ValidationError.
    """
    found = AppointmentKind.objects.select_for_update(of=("self",)).get(pk=kind.pk)
    before = {name: getattr(found, name) for name in fields}
    for name, value in fields.items():
        setattr(found, name, value)
    found.full_clean()
    found.save(update_fields=list(fields))
    moved = trail.moved(before, fields)
    if moved:
        trail.record(TrailAction.CHANGE, by=by, row=found, site=found.site, moved=moved)
    return found


@transaction.atomic
def change_hours(
    *,
    site: Site,
    kind: ChangeKind,
    first_day: date,
    last_day: date,
    by: Staff,
    clinician: Staff | None = None,
    hours: diary.Hours | None = None,
    why: str = "",
) -> HoursChange:
    """Save and return other hours on some days; what is booked then stays booked.

    hours: None for the whole day. Raises ValidationError. `appointments_outside` names what has
    to be moved.
    """
    change = HoursChange(
        site=site,
        clinician=clinician,
        kind=kind,
        first_day=first_day,
        last_day=last_day,
        opens=hours.opens if hours else None,
        closes=hours.closes if hours else None,
        why=why.strip(),
    )
    change.full_clean()
    change.save()
    trail.record(TrailAction.CREATE, by=by, row=change, site=site, **_said(change))
    return change


@transaction.atomic
def take_back_change(*, change: HoursChange, by: Staff) -> None:
    """Remove a change of hours; the usual hours hold again."""
    trail.record(TrailAction.CHANGE, by=by, row=change, site=change.site, **_said(change))
    change.delete()


def _said(change: HoursChange) -> dict[str, Any]:
    return {
        "word": change.kind,
        "first_day": change.first_day.isoformat(),
        "last_day": change.last_day.isoformat(),
        "clinician": change.clinician_id,
    }


def appointments_outside(site: Site, first: date, last: date, staff: Staff) -> list[Appointment]:
    """Booked appointments that lie outside the hours of their clinician, in order of time.

    staff: who asks, and is told of the clients whose records they may open.
    """
    booked = told_to(
        Appointment.objects.filter(
            site=site,
            state=AppointmentState.BOOKED,
            local_date__range=(first, last),
            starts_at__gt=timezone.now(),
        ).for_listing(),
        staff,
    )
    plan = plan_of(site, first, last, {row.clinician for row in booked})
    return [
        row
        for row in booked
        if not diary.within_hours(
            diary.Span(row.starts_at, row.ends_at),
            row.local_date,
            plan.hours_on(row.clinician, row.local_date),
            ZoneInfo(row.time_zone),
        )
    ]
