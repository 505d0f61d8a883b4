"""Exports as files: one client's record, or what lies in a period."""

import io
import tempfile
from collections.abc import Callable
from typing import IO, Any, cast

from django import forms
from django.core.exceptions import ValidationError
from django.http import FileResponse, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role
from clinic.forms.people import show_refusal
from clinic.models.limits import closed_to
from clinic.web.exports import Reader, export_client, export_period, standing_consent
from clinic.web.forms.exports import ClientExportForm, PeriodExportForm

FHIR_JSON = "application/fhir+json"


def file_of(write: Callable[[IO[str]], Any], name: str) -> FileResponse:
    """A file with what `write` writes, to be kept by the browser.

    The file has no name on this machine and is gone when it was sent, or when writing fails.
    """
    # not closed here: the response sends it and closes it
    kept = tempfile.TemporaryFile()  # noqa: SIM115
    try:
        text = io.TextIOWrapper(kept, encoding="utf-8", write_through=True)
        write(text)
        text.detach()
    except BaseException:
        kept.close()
        raise
    kept.seek(0)
    return FileResponse(kept, as_attachment=True, filename=name, content_type=FHIR_JSON)


def _file_or_refusal(
    form: forms.Form, write: Callable[[IO[str]], Any], name: str
) -> HttpResponse | None:
    try:
        # a streamed answer, which every page may give; the type of views names the usual one
        return cast("HttpResponse", file_of(write, name))
    except ValidationError as refusal:
        show_refusal(form, refusal)
        return None


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(Role.CLINICIAN, Role.MANAGER)
def client_export(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    consent = standing_consent(client)
    form = ClientExportForm(request.POST or None, by=request.user, consent=consent)
    if form.is_valid():

        def write(out: IO[str]) -> None:
            export_client(
                client=client,
                by=request.user,
                wish=form.wish(),
                reader=Reader(form.cleaned_data["reader"]),
                limits_kept=form.cleaned_data.get("limits_kept", False),
                out=out,
            )

        name = f"{client.number}-{timezone.localdate()}.fhir.json"
        answer = _file_or_refusal(form, write, name)
        if answer:
            return answer
    context = {"client": client, "form": form, "consent": consent}
    return render(request, "clinic/client_export.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(Role.MANAGER)
def period_export(request: StaffRequest) -> HttpResponse:
    form = PeriodExportForm(request.POST or None)
    if form.is_valid():
        first, last = form.cleaned_data["first"], form.cleaned_data["last"]

        def write(out: IO[str]) -> None:
            export_period(
                by=request.user, first=first, last=last, wish=form.wish(first, last), out=out
            )

        answer = _file_or_refusal(form, write, f"{first}-{last}.fhir.json")
        if answer:
            return answer
    return render(
        request, "clinic/period_export.html", {"form": form, "closed": closed_to(request.user)}
    )
