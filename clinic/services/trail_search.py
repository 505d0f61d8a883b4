"""Looking through the trail; that somebody looked is a line of it."""

from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import Q, QuerySet
from django.utils import timezone

from clinic.domain.people import normalised
from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, Staff, TrailEntry
from clinic.models.limits import CLOSED, open_to
from clinic.services import trail


def lines_of(staff: Staff) -> QuerySet[TrailEntry]:
    """Lines of this person's sites and those of no site, newest first, with their clients.

    is_open: whether they may know whose record it was; read the lines by `lines_told`.
    """
    here = Q(site__in=staff.sites.all()) | Q(site=None)
    lines = TrailEntry.objects.filter(here).select_related("client").order_by("-at", "-pk")
    gone = Q(client__destroyed_on__isnull=False)
    return lines.annotate(is_open=Q(client=None) | gone | open_to(staff, "client__"))


def lines_told(lines: Iterable[TrailEntry]) -> list[TrailEntry]:
    """The lines; of a record that is closed to this person only who did what, and when."""
    found = list(lines)
    for line in found:
        if not line.is_open:  # type: ignore[attr-defined]
            line.client = Client(family_name=CLOSED)
            line.object_key, line.object_version, line.detail = "", None, {}
    return found


def lines_found(
    *,
    staff: Staff,
    runner: str = "",
    person: Staff | None = None,
    first: date | None = None,
    last: date | None = None,
    action: str = "",
) -> QuerySet[TrailEntry]:
    """The lines that fit all that is given. Days are days of the clinic's zone."""
    found = lines_of(staff)
    if runner:
        fitting = Client.objects.for_staff(staff).matching(normalised(runner))
        found = found.filter(client__in=fitting.values("pk"))
    if person:
        found = found.filter(actor=person)
    if first:
        end = (last or first) + timedelta(days=1)
        found = found.filter(at__gte=_midnight(first), at__lt=_midnight(end))
    return found.filter(action=action) if action else found


def _midnight(day: date) -> datetime:
    return timezone.make_aware(datetime.combine(day, time.min))


def record_look(*, by: Staff, sought: dict[str, Any], hits: int) -> None:
    """A line for a search in the trail: which fields were filled in and how many lines fitted."""
    filled = sorted(name for name, value in sought.items() if value)
    trail.record(TrailAction.SEARCH, by=by, kind="trail", fields=filled, hits=hits)
