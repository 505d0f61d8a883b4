"""How long records are kept: what is due for review, legal holds, reviews, answers to erasure."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms as fields
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import DestructionBasis, Role, TrailAction
from clinic.forms import retention as forms
from clinic.forms.people import show_refusal
from clinic.models import Client, Destruction, LegalHold, Staff
from clinic.models.limits import closed_to
from clinic.saving import once
from clinic.services import legal_holds, trail
from clinic.services.reassessments import today_at
from clinic.web import retaining
from clinic.web.destroying import going
from clinic.web.due_records import MOST, count_due, due_for_review
from clinic.web.kinds_of_rows import kinds
from clinic.web.retaining import Standing, standing_of

PAGE = 50
VERBS = ["GET", "HEAD", "POST"]
READERS = (Role.CLINICIAN, Role.MANAGER, Role.AUDITOR)
# one person is the first and another the second: where there is one manager, a clinician reviews
REVIEWERS = (Role.CLINICIAN, Role.MANAGER)
PARTS = {
    "due": "Due for review",
    "waiting": "Waiting for a second person",
    "holds": "Legal holds",
    "destroyed": "Destroyed",
}


# The list


@require_safe
@allowed(Role.MANAGER, Role.AUDITOR)
def retention_list(request: StaffRequest) -> HttpResponse:
    staff, part = request.user, request.GET.get("part", "due")
    today = today_at(staff.home_site) if staff.home_site else timezone.localdate()
    lists = _lists(staff)
    shown: Any = lists[part] if part in lists else due_for_review(staff, today)
    counts = {name: str(rows.count()) for name, rows in lists.items()}
    counts["due"] = _counted(count_due(staff, today)) if part in lists else str(len(shown))
    context = {
        "part": part if part in lists else "due",
        "parts": [(name, words, counts[name]) for name, words in PARTS.items()],
        "page": Paginator(shown, PAGE).get_page(request.GET.get("page")),
        "period": retaining.period_words(),
        "source": retaining.periods().source,
        "closed": closed_to(staff),
    }
    return render(request, "clinic/retention_list.html", context)


def _lists(staff: Staff) -> dict[str, QuerySet[Any]]:
    """The lists that the database pages."""
    done = Destruction.objects.for_staff(staff).done().order_by("-done_on", "-pk")
    return {
        "waiting": Destruction.objects.for_staff(staff)
        .waiting()
        .for_listing()
        .order_by("reviewed_at", "pk"),
        "holds": LegalHold.objects.for_staff(staff).open().select_related("client", "set_by"),
        "destroyed": done.for_listing(),
    }


def _counted(number: int) -> str:
    return f"more than {MOST}" if number > MOST else str(number)


# One record


@require_safe
@allowed(*READERS)
def retention_open(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    trail.record(TrailAction.VIEW, by=request.user, row=client, client=client)
    today, standing = today_at(client.site), standing_of(client)
    reviews = client.destructions.select_related("reviewed_by", "decided_by")
    review = next((one for one in reviews if not one.decision), None)
    holds = list(client.legal_holds.select_related("set_by", "ended_by"))
    held = any(one.ended_on is None for one in holds)
    context = {
        "client": client,
        "today": today,
        "standing": standing,
        "over": standing.is_over(today),
        "kept_longer": standing.keep_to
        if standing.keep_to and standing.keep_to >= today
        else None,
        "kinds": kinds(going(client)),
        "holds": holds,
        "review": review,
        "decided": [one for one in reviews if one.decision],
        "acts": _acts(standing, today, request.user, waits=bool(review), held=held),
        "period": retaining.period_words(),
    }
    return render(request, "clinic/retention_open.html", context)


def _acts(
    standing: Standing, today: date, staff: Staff, *, waits: bool, held: bool
) -> list[tuple[str, str]]:
    """What this person can do with the record as it stands: address name and words.

    waits: a review waits for a second person. held: by a legal hold of its own, not of a joined
    record only. A claim can come in at any moment, also while a review waits.
    """
    if not staff.roles & set(REVIEWERS):
        return []
    found = []
    if not waits and bases(standing, today):
        found.append(("retention-review", "Review: may be destroyed"))
    if not waits and standing.is_due(today):
        found.append(("retention-keep", "Review: keep until"))
    if not waits and (not standing.is_over(today) or standing.held):
        found.append(("erasure-refuse", "Refuse a wish to be erased"))
    if not held:
        found.append(("legal-hold-new", "Set a legal hold"))
    return found


def bases(standing: Standing, today: date) -> list[tuple[str, str]]:
    """Why the record may go as it stands, code and words; nothing where it must stay."""
    if standing.held or standing.ahead:
        return []
    over, mistake = standing.is_over(today), DestructionBasis.MISTAKE
    possible = [DestructionBasis.OVER, DestructionBasis.ASKED] if over else []
    if standing.never_seen:
        possible.append(mistake)
    words = dict(Destruction._meta.get_field("basis").choices or [])
    return [(basis.value, str(words[basis.value])) for basis in possible]


# Acts on one record


@dataclass(frozen=True)
class Act:
    """The words of one form: heading, lead, button, and what is said once it is done."""

    heading: str
    lead: str
    button: str
    said: str


HOLD = Act(
    "Set a legal hold",
    "Nothing of the record is destroyed while it stands, whatever its period.",
    "Set the legal hold",
    "The legal hold stands.",
)
END = Act(
    "End the legal hold",
    "The period of the record counts again. Ask whoever asked for the legal hold first.",
    "End the legal hold",
    "The legal hold has ended.",
)
REVIEW = Act(
    "Review: may be destroyed",
    "Nothing goes yet: a second person, who is a manager, looks at it and confirms.",
    "Keep the review",
    "The review is kept. A second person confirms it.",
)
KEEP = Act(
    "Review: keep until",
    "The period is over and the record is still needed, for care or for another good reason. For "
    "a claim or an inquiry set a legal hold instead.",
    "Keep the record",
    "The record is kept until that day.",
)
REFUSE = Act(
    "Refuse a wish to be erased",
    "While the record must be kept, law usually allows the clinic to refuse. The refusal and its "
    "reason stay with the record; the sentence for the client comes next.",
    "Keep the refusal",
    "The refusal is kept. Give the client the sentence below.",
)


def act_page(
    request: StaffRequest,
    client: Client,
    form: fields.BaseForm,
    act: Act,
    save: Callable[..., str],
    back: str = "",
) -> HttpResponse:
    """The page of a form, or on to where `save` says when it was taken."""
    if form.is_valid():
        try:
            where = save(**form.cleaned_data, by=request.user)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, act.said)
            return redirect(where)
    back = back or reverse("retention-open", args=[client.pk])
    context = {"client": client, "form": form, "act": act, "back": back}
    return render(request, "clinic/retention_act.html", context)


def _not_now(request: StaffRequest, client: Client) -> HttpResponse:
    messages.error(request, "This cannot be done as the record stands: see below.")
    return redirect("retention-open", client.pk)


def _waits(client: Client) -> bool:
    return client.destructions.waiting().exists()


def _of_record(client: Client) -> str:
    return reverse("retention-open", args=[client.pk])


@require_http_methods(VERBS)
@allowed(*REVIEWERS)
@once(lambda line: reverse("retention-open", args=[line.client_id]))
def legal_hold_new(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)

    def save(**given: Any) -> str:
        legal_holds.set_legal_hold(client=client, **given)
        return _of_record(client)

    return act_page(request, client, forms.LegalHoldForm(request.POST or None), HOLD, save)


@require_http_methods(VERBS)
@allowed(Role.MANAGER)
@once(lambda line: reverse("retention-open", args=[line.client_id]))
def legal_hold_end(request: StaffRequest, pk: int) -> HttpResponse:
    holds = LegalHold.objects.for_staff(request.user).select_related("client__site")
    hold = get_object_or_404(holds, pk=pk)
    if hold.ended_on and request.method != "POST":
        messages.error(request, "This legal hold has ended already.")
        return redirect("retention-open", hold.client_id)

    def save(**given: Any) -> str:
        legal_holds.end_legal_hold(hold=hold, **given)
        return _of_record(hold.client)

    form = forms.LegalHoldEndForm(request.POST or None)
    return act_page(request, hold.client, form, END, save)


@require_http_methods(VERBS)
@allowed(*REVIEWERS)
@once(lambda line: reverse("retention-open", args=[line.client_id]))
def retention_review(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    possible = bases(standing_of(client), today_at(client.site))
    if not possible or _waits(client):
        return _not_now(request, client)
    form = forms.ReviewForm(request.POST or None, bases=possible)

    def save(**given: Any) -> str:
        retaining.review(client=client, **given)
        return _of_record(client)

    return act_page(request, client, form, REVIEW, save)


@require_http_methods(VERBS)
@allowed(*REVIEWERS)
@once(lambda line: reverse("retention-open", args=[line.client_id]))
def retention_keep(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    if not standing_of(client).is_due(today_at(client.site)) or _waits(client):
        return _not_now(request, client)

    def save(**given: Any) -> str:
        retaining.keep_longer(client=client, **given)
        return _of_record(client)

    return act_page(request, client, forms.KeepForm(request.POST or None), KEEP, save)


@require_http_methods(VERBS)
@allowed(*REVIEWERS)
@once(lambda line: reverse("destruction-open", args=[line.object_key]))
def erasure_refuse(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    standing = standing_of(client)
    if standing.is_over(today_at(client.site)) and not standing.held:
        return _not_now(request, client)

    def save(**given: Any) -> str:
        found = retaining.refuse_erasure(client=client, **given)
        return reverse("destruction-open", args=[found.pk])

    return act_page(request, client, forms.RefuseErasureForm(request.POST or None), REFUSE, save)
