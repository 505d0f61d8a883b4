"""The manager's pages of teams."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Prefetch, QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role
from clinic.forms.people import show_refusal
from clinic.forms.teams import TeamForm
from clinic.models import Site, Staff, Team, TeamMember
from clinic.services import teams as services

PAGE = 50
VERBS = ["GET", "HEAD", "POST"]


def _teams(staff: Staff) -> QuerySet[Team]:
    """Standing teams of this person's sites, with who is in them."""
    members = TeamMember.objects.standing().select_related("staff").order_by("staff__last_name")
    here = Team.objects.filter(site__in=staff.sites.all(), closed_at__isnull=True)
    return here.select_related("site").prefetch_related(Prefetch("members", members))


@require_safe
@allowed(Role.MANAGER, Role.AUDITOR)
def team_list(request: StaffRequest) -> HttpResponse:
    rows = _teams(request.user).order_by("site__name", "name")
    page = Paginator(rows, PAGE).get_page(request.GET.get("page"))
    sites = request.user.sites.order_by("name") if request.user.is_manager else []
    return render(request, "clinic/team_list.html", {"page": page, "sites": sites})


@require_http_methods(VERBS)
@allowed(Role.MANAGER)
def team_new(request: StaffRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(request.user.sites, pk=pk)
    return _page(request, site, None)


@require_http_methods(VERBS)
@allowed(Role.MANAGER)
def team_open(request: StaffRequest, pk: int) -> HttpResponse:
    team = get_object_or_404(_teams(request.user), pk=pk)
    return _page(request, team.site, team)


def _page(request: StaffRequest, site: Site, team: Team | None) -> HttpResponse:
    form = TeamForm(request.POST or None, site=site, initial=_shown(team))
    if form.is_valid():
        try:
            if team is None:
                services.make_team(site=site, by=request.user, **form.said())
            else:
                seen = form.cleaned_data["seen"]
                services.change_team(team=team, by=request.user, seen=seen, **form.said())
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "The team is saved.")
            return redirect("team-list")
    return render(request, "clinic/team_form.html", {"form": form, "site": site, "team": team})


def _shown(team: Team | None) -> dict[str, object]:
    if team is None:
        return {}
    members = [it.staff_id for it in team.members.all()]
    return {"name": team.name, "members": members, "seen": services.stamp_of(team)}


@require_POST
@allowed(Role.MANAGER)
def team_close(request: StaffRequest, pk: int) -> HttpResponse:
    team = get_object_or_404(_teams(request.user), pk=pk)
    services.close_team(team=team, by=request.user)
    messages.success(request, "The team is closed. Nobody opens a record by it any more.")
    return redirect("team-list")
