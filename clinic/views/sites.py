"""The manager's pages of sites and their rooms."""

import json
from copy import copy
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role
from clinic.forms.people import show_refusal
from clinic.forms.staff import RoomForm, SiteForm
from clinic.models import Room, Site
from clinic.saving import once
from clinic.services.sites import add_site, change_site, save_room

PAGE = 50
VERBS = ["GET", "HEAD", "POST"]


@require_safe
@allowed(Role.MANAGER, Role.AUDITOR)
def site_list(request: StaffRequest) -> HttpResponse:
    sites = Site.objects.order_by("name")
    page = Paginator(sites, PAGE).get_page(request.GET.get("page"))
    rooms: dict[int, list[Room]] = {}
    for room in Room.objects.filter(site__in=[site.pk for site in page]).order_by("name"):
        rooms.setdefault(room.site_id, []).append(room)
    rows = [(site, rooms.get(site.pk, [])) for site in page]
    return render(request, "clinic/site_list.html", {"page": page, "rows": rows})


@require_http_methods(VERBS)
@allowed(Role.MANAGER)
@once(lambda line: reverse("site-open", args=[line.object_key]))
def site_new(request: StaffRequest) -> HttpResponse:
    home = request.user.home_site
    same = {"clinic_name": home.clinic_name, "time_zone": home.time_zone} if home else {}
    form = SiteForm(request.POST or None, initial=same)
    if form.is_valid():
        try:
            site = add_site(by=request.user, **form.said())
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "The site is added. Add its rooms, then its people.")
            return redirect("site-open", site.pk)
    return render(request, "clinic/site_form.html", {"form": form})


@require_http_methods(VERBS)
@allowed(Role.MANAGER)
def site_open(request: StaffRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site, pk=pk)
    values = {name: getattr(site, name) for name in SiteForm.Meta.fields}
    shown = values | {"seen": json.dumps(values)}
    form = SiteForm(request.POST or None, instance=get_object_or_404(Site, pk=pk), initial=shown)
    if form.is_valid():
        seen: dict[str, Any] = form.cleaned_data["seen"]
        try:
            change_site(site=site, seen=seen, by=request.user, **form.said())
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "Saved.")
            return redirect("site-open", pk)
    rooms = Room.objects.filter(site=site).order_by("name")
    context = {"form": form, "site": site, "rooms": rooms}
    return render(request, "clinic/site_form.html", context)


@require_http_methods(VERBS)
@allowed(Role.MANAGER)
@once(lambda line: reverse("site-open", args=[line.site_id]))
def room_new(request: StaffRequest, pk: int) -> HttpResponse:
    return _room(request, Room(site=get_object_or_404(Site, pk=pk)))


@require_http_methods(VERBS)
@allowed(Role.MANAGER)
def room_edit(request: StaffRequest, pk: int) -> HttpResponse:
    return _room(request, get_object_or_404(Room.objects.select_related("site"), pk=pk))


def _room(request: StaffRequest, room: Room) -> HttpResponse:
    kept = copy(room)  # the form writes into the row that it is given
    form = RoomForm(request.POST or None, instance=room)
    if form.is_valid():
        try:
            save_room(room=kept, by=request.user, **form.said())
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "The room is saved.")
            return redirect("site-open", room.site_id)
    return render(request, "clinic/room_form.html", {"form": form, "site": room.site})
