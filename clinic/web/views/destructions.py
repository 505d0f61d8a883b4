"""One review of a record and what the second person decides; afterwards, the stub that stays."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role, TrailAction
from clinic.forms import retention as forms
from clinic.forms.people import show_refusal
from clinic.models import Destruction, RecordRequest, Staff
from clinic.saving import once
from clinic.services import trail
from clinic.services.reassessments import today_at
from clinic.web import destroying, retaining
from clinic.web.kinds_of_rows import kinds
from clinic.web.views.retention import READERS, REVIEWERS, VERBS, Act, act_page

DECLINE = Act(
    "Do not destroy the record",
    "The review ends and the record stays as it is.",
    "Keep the record",
    "The record stays.",
)


def destruction_or_404(staff: Staff, pk: int) -> Destruction:
    """A review of a record that this person may see, or the stub of one of their sites."""
    people = "client__site", "reviewed_by", "decided_by"
    return get_object_or_404(Destruction.objects.for_staff(staff).select_related(*people), pk=pk)


@require_safe
@allowed(*READERS)
def destruction_open(request: StaffRequest, pk: int) -> HttpResponse:
    found = destruction_or_404(request.user, pk)
    if found.client.destroyed_on:
        context = {"row": found, "kinds": kinds(found.counts), "number": found.client.number}
        return render(request, "clinic/destruction_done.html", context)
    trail.record(TrailAction.VIEW, by=request.user, row=found, client=found.client)
    return render(request, "clinic/destruction_open.html", _shown(found, request.user))


def _shown(found: Destruction, staff: Staff) -> dict[str, Any]:
    client, counts = found.client, destroying.going(found.client)
    asked = found.refuses_erasure
    return {
        "row": found,
        "client": client,
        "today": today_at(client.site),
        "kinds": kinds(counts),
        "stamp": destroying.stamp_of(counts),
        "mine": found.reviewed_by_id == staff.pk,
        "words": retaining.answer_words(found) if asked else "",
        "requests": RecordRequest.objects.filter(client=client, kind="erasure").open()
        if asked
        else (),
        "may_confirm": staff.is_manager and found.reviewed_by_id != staff.pk,
        "may_decline": bool(staff.roles & set(REVIEWERS)),
    }


@require_http_methods(VERBS)
@allowed(*REVIEWERS)
@once(lambda line: reverse("retention-open", args=[line.client_id]))
def destruction_keep(request: StaffRequest, pk: int) -> HttpResponse:
    found = destruction_or_404(request.user, pk)
    if found.decision or found.client.destroyed_on:
        return _decided(request, found)

    def save(**given: Any) -> str:
        retaining.keep(destruction=found, **given)
        return reverse("retention-open", args=[found.client_id])

    form, back = forms.DeclineForm(request.POST or None), reverse("destruction-open", args=[pk])
    return act_page(request, found.client, form, DECLINE, save, back)


@require_http_methods(VERBS)
@allowed(Role.MANAGER)
@once(lambda line: reverse("destruction-open", args=[line.object_key]))
def destruction_confirm(request: StaffRequest, pk: int) -> HttpResponse:
    found = destruction_or_404(request.user, pk)
    if found.decision or found.client.destroyed_on:
        return _decided(request, found)
    if found.reviewed_by_id == request.user.pk:
        messages.error(request, "You reviewed this record: a second person confirms.")
        return redirect("destruction-open", pk)
    form = forms.DestroyForm(request.POST or None, by=request.user, record=found.client.number)
    if form.is_valid():
        try:
            destroying.confirm(
                destruction=found, by=request.user, seen=request.POST.get("seen", "")
            )
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "The record is destroyed. This line stays.")
            return redirect("destruction-open", pk)
    context = _shown(found, request.user) | {"form": form}
    return render(request, "clinic/destruction_confirm.html", context)


def _decided(request: StaffRequest, found: Destruction) -> HttpResponse:
    messages.error(request, "This review was decided already: see what stands.")
    return redirect("destruction-open", found.pk)
