"""The trail, for the manager and on a client's record."""

from typing import Any

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role, TrailAction
from clinic.forms.trail import TrailForm
from clinic.models import TrailEntry
from clinic.services import trail
from clinic.services.trail_search import lines_found, lines_told, record_look

PAGE = 50
SOUGHT = "trail-sought"


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(Role.MANAGER, Role.AUDITOR)
def trail_list(request: StaffRequest) -> HttpResponse:
    """What is sought is kept with the sign-in: an address stays in the browser's history."""
    if request.method == "POST":
        request.session[SOUGHT] = {
            name: request.POST.get(name, "") for name in TrailForm.base_fields
        }
        return redirect(f"{reverse('trail-list')}?sought=yes")
    typed = request.session.get(SOUGHT, {}) if "sought" in request.GET else {}
    form = TrailForm(typed, by=request.user)
    context: dict[str, Any] = {"form": form}
    if form.is_valid():
        found = lines_found(staff=request.user, **form.cleaned_data)
        page = Paginator(found, PAGE).get_page(request.GET.get("page"))
        record_look(by=request.user, sought=form.cleaned_data, hits=page.paginator.count)
        page.object_list = lines_told(page.object_list)
        context |= {"page": page, "hits": page.paginator.count}
    return render(request, "clinic/trail_list.html", context)


@require_safe
@allowed(Role.CLINICIAN, Role.MANAGER, Role.AUDITOR)
def client_trail(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    trail.record(TrailAction.VIEW, by=request.user, client=client, kind="trail")
    lines = TrailEntry.objects.filter(client=client).order_by("-at", "-pk")
    page = Paginator(lines, PAGE).get_page(request.GET.get("page"))
    return render(request, "clinic/client_trail.html", {"client": client, "page": page})
