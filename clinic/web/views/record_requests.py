"""Requests of clients about the record: noted, answered in time, disagreed with."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from assessments.models import Addendum, Assessment
from clinic.access import STAFF, StaffRequest, allowed, client_or_404
from clinic.domain.requests import is_soon, left_words
from clinic.domain.vocabulary import RequestKind, RequestOutcome, Role, TrailAction
from clinic.forms import record_requests as forms
from clinic.forms.people import show_refusal
from clinic.models import Client, Destruction, Paper, RecordRequest, Staff
from clinic.models.record_requests import DETAILS, WHOLE
from clinic.saving import once
from clinic.services import record_requests as services
from clinic.services import trail
from clinic.views.people import sees_clinical
from clinic.web.retaining import answer_words

PAGE = 50
READERS = (Role.CLINICIAN, Role.MANAGER, Role.AUDITOR)
ANSWERERS = (Role.CLINICIAN, Role.MANAGER)
GENERAL = [(WHOLE, "the whole record, or not said"), (DETAILS, "name, address or other details")]


def request_or_404(staff: Staff, pk: int) -> RecordRequest:
    people = "noted_by", "decided_by", "extended_by", "statement_noted_by", "rebutted_by"
    found = RecordRequest.objects.for_staff(staff).select_related("client__site", *people)
    return get_object_or_404(found, pk=pk)


@require_safe
@allowed(*READERS)
def record_request_list(request: StaffRequest) -> HttpResponse:
    today = timezone.localdate()
    rows = RecordRequest.objects.for_staff(request.user).for_listing()
    page = Paginator(rows, PAGE).get_page(request.GET.get("page"))
    shown = [
        {"row": row, "left": left_words(row.last_day, today), "soon": is_soon(row.last_day, today)}
        for row in page
    ]
    context = {"page": page, "rows": shown, "today": today}
    return render(request, "clinic/record_request_list.html", context)


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
@once(lambda line: reverse("client-open", args=[line.client_id]))
def record_request_new(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    today = timezone.localdate()
    about = topics(client) if sees_clinical(request.user) else GENERAL
    form = forms.RequestForm(request.POST or None, about=about, initial={"received_on": today})
    if form.is_valid():
        try:
            row = services.note_request(client=client, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            said = f"The request is noted. The answer is due on {row.due_on:%-d %b %Y}."
            messages.success(request, said)
            return redirect("client-open", pk)
    context = {"client": client, "form": form, "limits": _limits(today)}
    return render(request, "clinic/record_request_new.html", context)


def _limits(today: date) -> list[dict[str, Any]]:
    """What each kind of request asks of the clinic, were it to come in today."""
    kinds = RecordRequest._meta.get_field("kind").choices or []
    return [
        {"name": name, "due": limit.due_on(today), "source": limit.source}
        for code, name in kinds
        for limit in [services.limit_for(str(code))]
    ]


def topics(client: Client) -> list[tuple[str, str]]:
    """What a request can be about, code and words."""
    looks = Assessment.objects.filter(client=client).order_by("-assessed_on", "-pk")
    papers = Paper.objects.filter(client=client).without_bytes().order_by("-dated", "-pk")
    return [
        *GENERAL,
        *(
            (
                f"assessment-{it.pk}",
                f"{it.get_kind_display()} assessment, {it.assessed_on:%-d %b %Y}",
            )
            for it in looks
        ),
        *((f"paper-{it.pk}", f"{it.title}, {it.dated:%-d %b %Y}") for it in papers),
    ]


def _addenda(client: Client) -> list[tuple[str, str]]:
    rows = Addendum.objects.filter(assessment__client=client).select_related("assessment")
    return [
        (
            f"addendum-{it.pk}",
            f"{it.get_kind_display()} {it.number} to the assessment of "
            f"{it.assessment.assessed_on:%-d %b %Y}",
        )
        for it in rows.order_by("-entered_at")
    ]


@require_safe
@allowed(*READERS)
def record_request_open(request: StaffRequest, pk: int) -> HttpResponse:
    row = request_or_404(request.user, pk)
    trail.record(TrailAction.VIEW, by=request.user, row=row, client=row.client)
    return render(request, "clinic/record_request_open.html", _shown(row, request.user))


@require_safe
@allowed(*ANSWERERS)
def record_request_answer(request: StaffRequest, pk: int) -> HttpResponse:
    """The answer to the client as a page to print."""
    row = request_or_404(request.user, pk)
    if row.is_open and not row.extended_to:
        messages.error(request, "Answer the request first.")
        return redirect("record-request-open", pk)
    trail.record(TrailAction.VIEW, by=request.user, row=row, client=row.client)
    context = _shown(row, request.user)
    return render(request, "clinic/record_request_answer.html", context)


def _shown(row: RecordRequest, staff: Staff) -> dict[str, Any]:
    today = timezone.localdate()
    about = dict(topics(row.client))
    return {
        "row": row,
        "client": row.client,
        "today": today,
        "left": left_words(row.last_day, today),
        "late": row.is_open and row.last_day < today,
        "soon": is_soon(row.last_day, today),
        "about": about.get(row.about, row.about),
        "assessment": _number(row.about, "assessment"),
        "paper": _number(row.about, "paper"),
        "addendum": Addendum.objects.filter(pk=_number(row.answered_with, "addendum") or 0)
        .select_related("assessment")
        .first(),
        "steps": [(code, step.heading) for code, step in STEPS.items() if step.open(row, staff)],
        "limit": services.limit_for(row.kind),
    }


def _number(key: str, word: str) -> int | None:
    """The number in "assessment-12"; None for another word."""
    before, _, number = key.partition("-")
    return int(number) if before == word and number.isdigit() else None


# The steps of answering


@dataclass(frozen=True)
class Step:
    """One step: its words, its form, what saves it, and when it can be taken."""

    heading: str
    button: str
    form: type[forms.StepForm]
    save: Callable[..., RecordRequest]
    open: Callable[[RecordRequest, Staff], bool]
    said: str


STEPS = {
    "decide": Step(
        "Answer the request",
        "Keep this answer",
        forms.DecideForm,
        services.decide,
        lambda row, staff: row.is_open and staff.may_change,
        "The answer is kept. Print it, and note when the client was told.",
    ),
    "extend": Step(
        "Extend the time",
        "Extend the time",
        forms.ExtendForm,
        services.extend,
        lambda row, staff: (
            row.is_open
            and staff.may_change
            and row.extended_to is None
            and timezone.localdate() <= row.due_on
        ),
        "The time is extended. Tell the client the reason and the new day before the first day.",
    ),
    "told": Step(
        "Note when the client was told",
        "Keep the day",
        forms.ToldForm,
        services.note_told,
        lambda row, staff: not row.is_open and staff.may_change and row.told_on is None,
        "It is noted when the client was told.",
    ),
    "statement": Step(
        "Write down the statement of disagreement",
        "Keep the statement",
        forms.StatementForm,
        services.note_statement,
        lambda row, staff: row.is_denied_amendment and staff.may_change and not row.statement,
        "The statement is kept. It goes along with later letters to others.",
    ),
    "rebuttal": Step(
        "Answer the statement",
        "Keep this answer",
        forms.RebuttalForm,
        services.write_rebuttal,
        lambda row, staff: bool(row.statement) and not row.rebuttal and staff.is_clinician,
        "The answer to the statement is kept. Give the client a copy.",
    ),
}


@require_http_methods(["GET", "POST"])
@allowed(*ANSWERERS)
@once(lambda line: reverse("record-request-open", args=[line.object_key]))
def record_request_step(request: StaffRequest, pk: int, step: str) -> HttpResponse:
    row = request_or_404(request.user, pk)
    if step not in STEPS:
        raise Http404
    taken = STEPS[step]
    if request.method == "GET" and not taken.open(row, request.user):
        messages.error(request, "This step is not open now: see what stands.")
        return redirect("record-request-open", pk)
    form = _form(request, row, taken)
    if form.is_valid():
        try:
            taken.save(request=row, by=request.user, **_given(form, row))
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, taken.said)
            return redirect("record-request-open", pk)
    context = _shown(row, request.user) | {"form": form, "step": taken}
    return render(request, "clinic/record_request_step.html", context)


def _form(request: StaffRequest, row: RecordRequest, step: Step) -> forms.StepForm:
    today = timezone.localdate()
    more: dict[str, Any] = {}
    first: dict[str, Any] = {"told_on": today, "statement_on": today}
    if step.form is forms.DecideForm:
        more["addenda"] = _addenda(row.client)
        first |= _refused(row)
    return step.form(
        request.POST or None,
        request=row,
        about=topics(row.client),
        initial=first,
        **more,
    )


def _refused(row: RecordRequest) -> dict[str, str]:
    """Answer and words for a wish to be erased that was refused since it came in."""
    if row.kind != RequestKind.ERASURE:
        return {}
    refusal = Destruction.objects.erasures_refused(row.client, row.received_on).first()
    if refusal is None:
        return {}
    return {"outcome": RequestOutcome.DENIED.value, "answer": answer_words(refusal)}


def _given(form: forms.StepForm, row: RecordRequest) -> dict[str, Any]:
    """The fields for the service; of an answer also whether an addendum must say it."""
    given = dict(form.cleaned_data)
    if isinstance(form, forms.DecideForm):
        look = _number(given["about"], "assessment")
        signed = Assessment.objects.filter(pk=look or 0, signed_at__isnull=False)
        given["needs_addendum"] = signed.exists()
        chosen = Addendum.objects.filter(pk=_number(given["answered_with"], "addendum") or 0)
        other = look and chosen.exclude(assessment=look).exists()
        if other and given["outcome"] == RequestOutcome.ACCEPTED:
            raise ValidationError(
                {"answered_with": "This addendum belongs to another assessment: choose one of it."}
            )
    return given
