"""Addenda to a signed assessment and its versions, each whole and ready to print."""

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from assessments import addenda, grid
from assessments.amended import lay_over
from assessments.domain.vocabulary import AddendumKind
from assessments.editions import tables_of
from assessments.facts import assessment_value
from assessments.forms.addenda import AddendumForm
from assessments.models import Addendum
from assessments.services import addenda as services
from assessments.services.assessments import for_consult
from assessments.stored_answers import Stored, stored
from assessments.versions import version_hash
from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role, TrailAction
from clinic.forms.people import show_refusal
from clinic.saving import once
from clinic.services import trail
from exercises.editions import edition_of
from exercises.proposals import judged
from exercises.services.holds import refresh_holds


def held_or_404(request: StaffRequest, pk: int, number: int | None = None) -> Stored:
    return stored(get_object_or_404(for_consult(request.user), pk=pk), number)


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
@once(lambda line: reverse("assessment-open", args=[line.object_key]) + "#addenda")
def addendum_new(request: StaffRequest, pk: int) -> HttpResponse:
    held = held_or_404(request, pk)
    if not held.assessment.is_signed:
        messages.error(request, services.DRAFT)
        return redirect("assessment-open", pk)
    form = _form(request, held)
    if request.method == "POST" and form.is_valid():
        try:
            row = add(held, form, request)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, f"Addendum {row.number} is signed.")
            return redirect(reverse("assessment-open", args=[pk]) + "#addenda")
    return _page(request, held, form)


def _form(request: StaffRequest, held: Stored) -> AddendumForm:
    asked, tables = request.POST or request.GET, tables_of(held.assessment.edition_id)
    trial = held.trial(asked.get("trial"))
    target = addenda.target_of(asked.get("answer", ""), held, trial, tables)
    today: dict[str, Any] = {"acted_on": timezone.localdate()}
    if target:
        state = target.cell.state
        now = {"grade": state.grade, "value": state.value, "choice": state.choice}
        today |= now | {"kind": AddendumKind.CORRECTION}
    return AddendumForm(
        request.POST or None,
        by=request.user,
        held=held,
        tables=tables,
        target=target,
        parts=addenda.parts(held, tables),
        initial=today,
    )


def _page(request: StaffRequest, held: Stored, form: AddendumForm) -> HttpResponse:
    context = {
        "assessment": held.assessment,
        "client": held.assessment.client,
        "form": form,
        "target": form.target,
        "trials": held.trials,
        "targets": addenda.targets(held, form.tables),
    }
    status = 422 if form.is_bound else 200
    return render(request, "assessments/addendum_new.html", context, status=status)


@transaction.atomic
def add(held: Stored, form: AddendumForm, request: StaffRequest) -> Addendum:
    """Write an addendum, and keep the holds in step with what the newest assessment says now."""
    assessment = held.assessment
    row = services.write_addendum(assessment=assessment, by=request.user, **form.given())
    newest = assessment.client.assessments.standing().first()
    if row.changes and newest and newest.pk == assessment.pk:
        lay_over(vars(assessment)["_prefetched_objects_cache"], [row])
        edition = edition_of(assessment.edition_id)
        refresh_holds(
            client=assessment.client,
            proposal=judged(assessment_value(assessment), edition).proposal,
            edition=edition,
            on=timezone.localdate(),
            by=request.user,
        )
    return row


@dataclass(frozen=True)
class Part:
    """A trial with its areas, or what belongs to no trial."""

    trial: Any
    sections: list[grid.Section]


@allowed(Role.CLINICIAN, Role.AUDITOR)
@require_safe
def addendum_version(request: StaffRequest, pk: int, number: int) -> HttpResponse:
    held = held_or_404(request, pk, number - 1)
    assessment = held.assessment
    newest = 1 + assessment.addenda.model.objects.filter(assessment=assessment).count()
    if not assessment.is_signed or not 1 <= number <= newest:
        raise Http404
    trail.record(
        TrailAction.VIEW,
        by=request.user,
        row=assessment,
        client=assessment.client,
        assessment_version=number,
    )
    return render(request, "assessments/addendum_version.html", _version(held, number, newest))


def _version(held: Stored, number: int, newest: int) -> dict[str, Any]:
    assessment = held.assessment
    tables = tables_of(assessment.edition_id)
    return {
        "assessment": assessment,
        "client": assessment.client,
        "number": number,
        "versions": range(newest, 0, -1),
        "parts": list(_parts(held)),
        "narrative": [
            (label, getattr(assessment, name)) for name, (label, _) in grid.NARRATIVE.items()
        ],
        "findings": judged(
            assessment_value(assessment), edition_of(assessment.edition_id)
        ).findings,
        "addenda": [addenda.shown(one, tables) for one in assessment.addenda.all()],
        "answers_late": addenda.answers_late(held),
        "sha256": version_hash(held),
    }


def _parts(held: Stored) -> Any:
    tables = tables_of(held.assessment.edition_id)
    for trial in held.trials:
        whole = grid.sections(held, trial, tables)
        yield Part(trial, [one for one in whole if one.code not in ("tests", "scores")])
    yield Part(None, [one for one in whole if one.code in ("tests", "scores")])
