"""Pages of a restricted record: who may open it, its end, and who answers for it."""

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role
from clinic.forms.people import show_refusal
from clinic.forms.restrictions import HandOnForm, RestrictionEndForm, RestrictionForm
from clinic.models import Client, Restriction, RestrictionLine
from clinic.services import restrictions as services

BOTH = ["GET", "POST"]


@require_http_methods(BOTH)
@allowed(Role.CLINICIAN, Role.MANAGER)
def restriction_open(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    standing = services.standing_of(client)
    may = (
        services.may_change(request.user, standing)
        if standing
        else services.may_restrict(request.user, client)
    )
    if request.method == "POST" and not may:
        raise PermissionDenied
    form = RestrictionForm(
        request.POST or None, site=client.site, by=request.user, restriction=standing
    )
    if form.is_valid() and _saved(request, client, standing, form):
        return _to_record(request, client)
    context = {
        "client": client,
        "restriction": standing,
        "lines": _lines(standing),
        "earlier": _earlier(client),
        "form": form if may else None,
        "booked_with": services.booked_with(client),
    }
    return render(request, "clinic/restriction_open.html", context)


def _saved(
    request: StaffRequest, client: Client, standing: Restriction | None, form: RestrictionForm
) -> bool:
    """Whether the service took what the form says; a refusal stands in the form."""
    try:
        if standing is None:
            services.restrict(client=client, by=request.user, **form.said())
        else:
            services.name_anew(restriction=standing, by=request.user, **form.said())
    except ValidationError as refusal:
        show_refusal(form, refusal)
        return False
    messages.success(request, "Saved. Only those who are named may open the record.")
    return True


def _to_record(request: StaffRequest, client: Client) -> HttpResponse:
    """The record, or the first page for somebody who has left themselves out."""
    if Client.objects.for_staff(request.user).filter(pk=client.pk).exists():
        return redirect("client-open", client.pk)
    return redirect("today")


def _lines(restriction: Restriction | None) -> list[RestrictionLine]:
    """Who may open the record now, with the people of the teams."""
    if restriction is None:
        return []
    lines = RestrictionLine.objects.standing().of(restriction)
    return list(lines.prefetch_related("team__members__staff"))


def _earlier(client: Client) -> list[RestrictionLine]:
    """Who could open the record before, while it was restricted."""
    gone = RestrictionLine.objects.filter(restriction__client=client, until__isnull=False)
    people = "restriction__set_by", "restriction__ended_by", "staff", "team", "ended_by"
    return list(gone.select_related(*people).order_by("-until", "pk"))


@require_http_methods(BOTH)
@allowed(Role.CLINICIAN, Role.MANAGER)
def restriction_end(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    standing = services.standing_of(client)
    if standing is None:
        return redirect("restriction-open", pk)
    if not services.may_change(request.user, standing):
        raise PermissionDenied
    form = RestrictionEndForm(request.POST or None)
    if form.is_valid():
        try:
            services.end_restriction(restriction=standing, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "Ended. Everybody of the site may open the record.")
            return redirect("client-open", pk)
    context = {"client": client, "restriction": standing, "form": form}
    return render(request, "clinic/restriction_end.html", context)


@require_POST
@allowed(Role.CLINICIAN)
def restriction_seen(request: StaffRequest, pk: int) -> HttpResponse:
    line = get_object_or_404(services.ends_to_tell(request.user), pk=pk)
    services.mark_end_seen(line=line, by=request.user)
    return redirect("today")


@require_http_methods(BOTH)
@allowed(Role.MANAGER)
def restriction_hand_on(request: StaffRequest, pk: int) -> HttpResponse:
    """For a manager without a right to the record: it is not named."""
    row = get_object_or_404(services.without_owner(request.user), pk=pk)
    form = HandOnForm(request.POST or None, site=row.client.site)
    if form.is_valid():
        try:
            services.hand_on(restriction=row, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "Saved. This clinician answers for the record now.")
            return redirect("today")
    context = {"restriction": row, "owner": services.owner_of(row), "form": form}
    return render(request, "clinic/restriction_hand_on.html", context)
