"""The client's record on one page; what reception may see, or all of it."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from django.db.models import Count, Prefetch, Q, Subquery
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from assessments.forms.episodes import words_of
from assessments.models import Assessment, Episode, RunningHistory, Screening
from clinic.access import EVERYBODY, StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import ReassessmentState, TrailAction
from clinic.models import (
    Alert,
    Appointment,
    Client,
    Consent,
    Hold,
    Paper,
    Reassessment,
    RecordLink,
    RecordRequest,
    Staff,
    TrailEntry,
)
from clinic.models.limits import shown_above
from clinic.models.record_links import others, person
from clinic.services import trail
from clinic.templatetags.shell import strip_hold
from clinic.views.people import purposes, sees_clinical
from clinic.web.progress_charts import measured, really_changed
from clinic.web.resting import with_rest
from clinic.web.views.progress import progress_of

TRAIL_LINES, SHOWN_CHANGES = 10, 5


@require_safe
@allowed(*EVERYBODY)
def client_open(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    # recorded before it is read, so that the page shows this opening too
    trail.record(TrailAction.VIEW, by=request.user, row=client, client=client)
    today = timezone.localdate()
    context = _for_everybody(client, request.user, today)
    if sees_clinical(request.user):
        context |= _clinical(client)
    return render(request, "clinic/client_open.html", context)


def _for_everybody(client: Client, staff: Staff, today: date) -> dict[str, Any]:
    """Person, contact, alerts, appointments and dates, with what the strip above needs."""
    alerts = list(
        Alert.objects.filter(client__in=person(client.pk)).filter(
            Q(ended_on__isnull=True) | Q(ended_on__gt=today)
        )
    )
    holds = list(Hold.objects.open().filter(client__in=person(client.pk)).select_related("client"))
    dates = _dates(client, staff)
    return {
        "client": client,
        "today": today,
        "age": client.age_on(client.died_on or today),
        "alerts": alerts,
        "open_holds": holds,
        "strip_holds": _strip_holds(holds, staff, client),
        "dates": dates,
        "limits": dates,
        "appointments": Appointment.objects.filter(client__in=person(client.pk))
        .select_related("client", "clinician", "room", "kind")
        .order_by("-starts_at"),
        "others": list(others(client.pk)),
        "links": links_of(client) if staff.is_manager else [],
    }


def links_of(client: Client) -> list[RecordLink]:
    """How the records of this person are joined."""
    of_client = Q(kept=client) | Q(joined=client)
    return list(RecordLink.objects.open().filter(of_client).select_related("kept", "joined"))


def _strip_holds(
    holds: Sequence[Hold], staff: Staff, client: Client
) -> list[dict[str, str]] | bool:
    """Holds in words for clinicians; for everybody else only whether there are any."""
    if not staff.is_clinician:
        return bool(holds)
    return [strip_hold(hold, client) for hold in holds]


def _dates(client: Client, staff: Staff) -> dict[str, Any]:
    """Newest screening and history, the open reassessment, what the strip says: one query."""
    shown = shown_above(staff)
    of = {"client__in": person(client.pk)}
    due = Reassessment.objects.filter(
        state__in=[ReassessmentState.OPEN, ReassessmentState.BOOKED], **of
    )
    newest_screening = Screening.objects.filter(**of).newest_first()
    newest_history = RunningHistory.objects.filter(**of).order_by("-taken_on", "-pk")
    found = (
        Client.objects.filter(pk=client.pk)
        .annotate(
            screened_on=Subquery(newest_screening.values("screened_on")[:1]),
            taken_on=Subquery(newest_history.values("taken_on")[:1]),
            due_on=Subquery(due.values("due_on")[:1]),
            due_state=Subquery(due.values("state")[:1]),
            **shown,
        )
        .values("screened_on", "taken_on", "due_on", "due_state", *shown)
        .get()
    )
    return dict(found)


def _clinical(client: Client) -> dict[str, Any]:
    """What clinicians and managers see besides."""
    of_person = {"client__in": person(client.pk)}
    consents = list(
        Consent.objects.filter(**of_person).select_related("client", "taken_by", "withdrawn_with")
    )
    visits, series = progress_of(client)
    return {
        "clinical": True,
        "visits": visits,
        "changed": really_changed(measured(series))[:SHOWN_CHANGES],
        "consents": consents,
        "not_asked": _not_asked({it.purpose for it in consents if it.withdrawn_on is None}),
        "episodes": _episodes(client),
        "papers": with_rest(
            Paper.objects.filter(**of_person).for_listing().select_related("client")
        ),
        "requests": RecordRequest.objects.filter(**of_person).select_related("client"),
        "entries": TrailEntry.objects.filter(client=client, action=TrailAction.VIEW).order_by(
            "-at", "-pk"
        )[:TRAIL_LINES],
    }


def _not_asked(answered: set[str]) -> list[str]:
    return [name for code, name in purposes().items() if code not in answered]


def _episodes(client: Client) -> list[dict[str, Any]]:
    """Each episode with its goals and its assessments, newest first."""
    looks = Assessment.objects.select_related("programme", "clinician", "retraction").annotate(
        found=Count("findings")
    )
    rows = (
        Episode.objects.filter(client__in=person(client.pk))
        .select_related("client", "referrer")
        .prefetch_related("goals", Prefetch("assessments", queryset=looks))
    )
    return [
        {
            "row": row,
            "place": words_of(row.complaint_region),
            "goal": words_of(row.goal),
            "assessments": row.assessments.all(),
        }
        for row in rows
    ]
