"""The first page: what waits for the person who signed in, today and tomorrow."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.conf import settings
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from assessments.models import Assessment
from clinic.access import EVERYBODY, StaffRequest, allowed
from clinic.domain.diary import late_words
from clinic.domain.vocabulary import AppointmentState, PaperKind, PaperState
from clinic.models import (
    Appointment,
    Client,
    Destruction,
    Edition,
    Paper,
    PolicyConfirmation,
    Reassessment,
    RecordRequest,
    Staff,
)
from clinic.models.limits import of_my_clients, told_to
from clinic.services import emergencies, restrictions
from clinic.services.reassessments import AHEAD, today_at
from clinic.web.backups.ages import overdue
from clinic.web.due_records import MOST, count_due
from clinic.web.resting import without_retracted
from exercises.editions import edition_of

HERE = {AppointmentState.ARRIVED, AppointmentState.SEEN}
SHOWN = 12  # rows of the due list on this page; the rest stands on its own


@dataclass(frozen=True)
class Due:
    """A reassessment to book, and how late it is in words."""

    row: Reassessment
    late: bool
    words: str


@require_safe
@allowed(*EVERYBODY)
def today(request: StaffRequest) -> HttpResponse:
    staff = request.user
    day = today_at(staff.home_site) if staff.home_site else timezone.localdate()
    diary = _diary(staff, day)
    due = list(_due(staff, day))
    context: dict[str, Any] = {"day": day, "tomorrow": day + timedelta(days=1)}
    if staff.is_clinician or staff.is_manager:
        context["openings_to_mark"] = emergencies.told_to_mark(staff)
        context["drafts"] = drafts = list(_drafts(staff))
    if staff.is_clinician:
        context["restriction_ends"] = restrictions.ends_to_tell(staff)
        context |= _for_clinician(staff, day, diary, due, drafts)
    if staff.is_reception:
        context |= _for_reception(day, diary, due)
    if staff.is_manager:
        context |= _for_manager(staff, day, due, drafts)
    return render(request, "clinic/today.html", context)


def _for_clinician(
    staff: Staff, day: date, diary: list[Appointment], due: list[Due], drafts: list[Assessment]
) -> dict[str, Any]:
    papers = list(_papers(staff))
    mine = [it for it in due if it.row.clinician_id == staff.pk]
    my_drafts = [row for row in drafts if row.clinician_id == staff.pk]
    return {
        "my_day": [row for row in diary if row.local_date == day and row.clinician_id == staff.pk],
        "my_drafts": my_drafts,
        "begun": {row.client_id: row.pk for row in my_drafts if row.assessed_on == day},
        "my_due": mine[:SHOWN],
        "my_due_left": len(mine[SHOWN:]),
        "to_sign": [row for row in papers if not row.is_signed],
        "to_send": [row for row in papers if row.is_signed],
    }


def _for_reception(day: date, diary: list[Appointment], due: list[Due]) -> dict[str, Any]:
    arrivals = [row for row in diary if row.local_date == day]
    return {
        "arrivals": arrivals,
        "to_hand_over": _to_hand_over(arrivals, day),
        "next_day": [row for row in diary if row.local_date != day],
        "to_phone": due[:SHOWN],
        "to_phone_left": len(due[SHOWN:]),
    }


@dataclass(frozen=True)
class Handing:
    """What a client who was here today takes along: kinds of papers, and the next appointment.

    Reception prints slips; other papers are named by their kind and opened by clinicians only.
    """

    client: Client
    kinds: list[str]
    following: Appointment | None


def _to_hand_over(arrivals: list[Appointment], day: date) -> list[Handing]:
    """For everybody who is here or was seen today: two queries."""
    here = {row.client_id: row.client for row in arrivals if row.state in HERE and row.client.pk}
    kinds: dict[int, list[str]] = {key: [] for key in here}
    papers = without_retracted(
        Paper.objects.filter(client__in=here, dated=day, state=PaperState.SIGNED)
    )
    for key, kind in papers.order_by("kind").values_list("client", "kind").distinct():
        kinds[key].append(kind)
    later = (
        Appointment.objects.standing()
        .filter(client__in=here, local_date__gt=day)
        .select_related("client")
        .order_by("-starts_at")
    )
    following = {row.client_id: row for row in later}  # the earliest is written last
    return [
        Handing(client, kinds[key], following.get(key))
        for key, client in here.items()
        if kinds[key] or key in following
    ]


def _for_manager(
    staff: Staff, day: date, due: list[Due], drafts: list[Assessment]
) -> dict[str, Any]:
    return {
        **_requests(staff, day),
        **_retention(staff, day),
        "without_owner": restrictions.without_owner(staff),
        "draft_count": len(drafts),
        "late_count": sum(it.late for it in due),
        "points_to_confirm": _points_to_confirm(),
        # the demo's rows are invented: nobody needs them back
        "backup_overdue": None if settings.DEMO else overdue(timezone.now()),
    }


# Reading: each one query


def _diary(staff: Staff, day: date) -> list[Appointment]:
    """Standing appointments of today and tomorrow at this person's sites."""
    rows = (
        Appointment.objects.standing()
        .filter(site__in=staff.sites.all(), local_date__range=(day, day + timedelta(days=1)))
        .for_listing()
    )
    return told_to(rows, staff)


def _due(staff: Staff, day: date) -> Iterable[Due]:
    """Open reassessments that are late or fall due within two weeks, the latest first."""
    rows = Reassessment.objects.waiting().filter(
        site__in=staff.sites.all(), due_on__lte=day + AHEAD
    )
    for row in told_to(rows.for_listing(), staff):
        yield Due(row, row.due_on < day, late_words(row.due_on, day))


def _drafts(staff: Staff) -> Iterable[Assessment]:
    """Assessments without a signature: the person's own, or all for a manager."""
    rows = of_my_clients(Assessment.objects.standing().unsigned(), staff)
    if not staff.is_manager:
        rows = rows.filter(clinician=staff)
    return rows.select_related("client").order_by("assessed_on", "pk")


def _papers(staff: Staff) -> Iterable[Paper]:
    """The person's papers that wait for a signature, and letters signed and not yet sent."""
    mine = Paper.objects.without_bytes().filter(created_by=staff, replaced_by__isnull=True)
    rows = of_my_clients(mine, staff)
    unsent = Q(
        state=PaperState.SIGNED,
        kind__in=[PaperKind.LETTER, PaperKind.REFERRAL],
        sendings__isnull=True,
    )
    waiting = without_retracted(rows.filter(Q(state=PaperState.DRAFT) | unsent))
    return waiting.select_related("client").order_by("created_at")


def _requests(staff: Staff, day: date) -> dict[str, int]:
    """Open requests about records, and how many of them are past their last day."""
    days = [row.last_day for row in RecordRequest.objects.for_staff(staff).open().only_days()]
    return {"request_count": len(days), "requests_late": sum(it < day for it in days)}


def _retention(staff: Staff, day: date) -> dict[str, int]:
    """Records that are due for review, and those that wait for a second person."""
    waiting = Destruction.objects.for_staff(staff).waiting().count()
    return {"records_due": count_due(staff, day), "records_most": MOST, "records_waiting": waiting}


def _points_to_confirm() -> int:
    """Policy points of the newest edition that no clinician has confirmed; none before one."""
    newest = Edition.objects.newest().values_list("pk", flat=True).first()
    if newest is None:
        return 0
    confirmed = set(
        PolicyConfirmation.objects.filter(edition=newest).values_list("code", flat=True)
    )
    return sum(point.code not in confirmed for point in edition_of(newest).policy)
