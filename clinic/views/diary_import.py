"""Taking over an existing diary: the file is tried, its report read, then imported."""

import base64
import json
from typing import Any

from cryptography.fernet import InvalidToken
from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role
from clinic.forms.diary_import import DiaryFileForm
from clinic.forms.people import show_refusal
from clinic.models import AppointmentKind, Site
from clinic.sealing import seal
from clinic.services import diary_import, free_times
from clinic.services.diary_import import Defaults

# what was tried comes back sealed with the page, so nothing of it is kept on the way
PURPOSE = "diary import"
MINUTES = 60


@require_http_methods(["GET", "POST"])
@allowed(Role.MANAGER)
def diary_import_new(request: StaffRequest) -> HttpResponse:
    site = request.user.home_site
    if site is None:
        raise PermissionDenied
    if request.method == "POST" and "tried" in request.POST:
        return _import(request, site)
    form = DiaryFileForm(
        request.POST or None,
        request.FILES or None,
        site=site,
        clinicians=free_times.clinicians_of(site),
    )
    context: dict[str, Any] = {"form": form, "shown_site": site}
    if form.is_valid():
        asked = form.cleaned_data
        try:
            defaults = Defaults(site, asked["kind"], asked["clinician"])
            report = diary_import.tried(asked["file"], defaults, request.user)
        except ValidationError as refusal:
            show_refusal(form, ValidationError({"file": refusal.messages}))
        else:
            context |= {"report": report, "tried": _sealed(asked["file"], defaults, report)}
    return render(request, "clinic/diary_import_new.html", context)


def _sealed(content: bytes, defaults: Defaults, report: diary_import.Report) -> str:
    kept = {
        "file": base64.b64encode(content).decode(),
        "kind": defaults.kind.pk,
        "clinician": defaults.clinician.pk if defaults.clinician else None,
        "good": len(report.good),
    }
    return seal(PURPOSE).encrypt(json.dumps(kept).encode()).decode()


def _import(request: StaffRequest, site: Site) -> HttpResponse:
    try:
        kept = json.loads(seal(PURPOSE).decrypt(request.POST["tried"], ttl=MINUTES * 60))
    except InvalidToken:
        messages.error(request, "This page is too old. Choose the file again.")
        return redirect("diary-import")
    clinicians = free_times.clinicians_of(site)
    defaults = Defaults(
        site,
        AppointmentKind.objects.select_related("site").get(site=site, pk=kept["kind"]),
        clinicians.filter(pk=kept["clinician"]).first(),
    )
    content = base64.b64decode(kept["file"])
    try:
        report = diary_import.imported(content, defaults, request.user, good=kept["good"])
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
        report = diary_import.tried(content, defaults, request.user)
        context = {
            "form": DiaryFileForm(site=site, clinicians=clinicians),
            "shown_site": site,
            "report": report,
            "tried": _sealed(content, defaults, report),
        }
        return render(request, "clinic/diary_import_new.html", context, status=409)
    left = f" Left out: {len(report.bad)}." if report.bad else ""
    messages.success(request, f"Imported: {len(report.good)}.{left}")
    return redirect("diary")
