"""Which records are due for review: the database rules out most, the rules judge the rest."""

from collections.abc import Iterator
from datetime import date
from functools import reduce
from operator import or_

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from assessments.models import Assessment, RunningHistory, Screening
from clinic.domain import retention
from clinic.domain.vocabulary import AppointmentState
from clinic.models import Appointment, Client, Destruction, LegalHold, RecordLink, Staff
from clinic.models.record_links import together
from clinic.web.retaining import HERE, Standing, periods, standing_from, with_contacts

MOST = 100  # counted for a line of a page; the list itself counts them all
CHUNK = 500


def due_for_review(staff: Staff, today: date) -> list[Standing]:
    """Records that may be reviewed and are not yet, the longest overdue first."""
    found = list(with_contacts(_possible(staff, today)))
    due = [one for one in _standings(found, together()) if one.is_due(today)]
    return sorted(due, key=lambda one: (one.kept.until, one.client.pk))


def count_due(staff: Staff, today: date) -> int:
    """How many records are due for review; one more than `MOST` for any greater number."""
    count = 0
    for standing in _in_chunks(staff, today):
        count += standing.is_due(today)
        if count > MOST:
            break
    return count


def _in_chunks(staff: Staff, today: date) -> Iterator[Standing]:
    """The possible ones, read so many at a time: whoever has enough reads no more."""
    groups = together()
    rows, last = with_contacts(_possible(staff, today)).order_by("pk"), 0
    while found := list(rows.filter(pk__gt=last)[:CHUNK]):
        yield from _standings(found, groups)
        if len(found) < CHUNK:
            break
        last = found[-1].pk


def _standings(found: list[Client], groups: dict[int, set[int]]) -> Iterator[Standing]:
    """How it stands with each, counted over the records that are joined with it."""
    wanted = {pk for one in found for pk in groups.get(one.pk, ())}
    rows = with_contacts(Client.objects.filter(pk__in=wanted))
    joined = {row.pk: row for row in rows} if wanted else {}
    for one in found:
        others = groups.get(one.pk, set()) - {one.pk}
        yield standing_from(one, [joined[pk] for pk in sorted(others)])


def _possible(staff: Staff, today: date) -> QuerySet[Client]:
    """Clients of whom nothing that the database sees at once says that they are not due.

    A necessary condition, and no sufficient one: what is left is judged by `Standing.is_due`.
    """
    rule = periods()
    end = retention.latest_end(today, rule.years)
    alive = Q(died_on=None)
    soonest = retention.soonest_birthday(rule)
    if soonest is not None:
        alive &= Q(birth_date__lte=retention.latest_end(today, soonest))
    # of whoever was never seen, the years run from the registration; a joined record may know more
    link = RecordLink.objects.open().filter(Q(kept=OuterRef("pk")) | Q(joined=OuterRef("pk")))
    seen = [Exists(_of_client(rows)) for rows in _looks()]
    known = reduce(or_, [*seen, Exists(link)], Q(registered_on__lte=end))
    against = [
        *_looks(after=end),
        Appointment.objects.filter(state=AppointmentState.BOOKED, starts_at__gte=timezone.now()),
        LegalHold.objects.open(),
        Destruction.objects.filter(keep_to__gte=today),
        Destruction.objects.waiting(),
    ]
    clients = Client.objects.for_staff(staff).filter(alive | Q(died_on__lte=end), known)
    return clients.filter(*(~Exists(_of_client(rows)) for rows in against))


def _of_client(rows: QuerySet) -> QuerySet:
    return rows.filter(client=OuterRef("pk"))


def _looks(after: date | None = None) -> Iterator[QuerySet]:
    """The rows that say that somebody was seen, of each kind; with a day only those after it."""
    kinds = [
        (Appointment.objects.filter(state__in=HERE), "local_date"),
        (Assessment.objects.all(), "assessed_on"),
        (Screening.objects.all(), "screened_on"),
        (RunningHistory.objects.all(), "taken_on"),
    ]
    for rows, day in kinds:
        yield rows if after is None else rows.filter(**{f"{day}__gt": after})
