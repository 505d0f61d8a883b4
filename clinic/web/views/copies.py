"""The page of what left the clinic, and the copy of everything about one person."""

import tempfile
from typing import cast

from django.http import FileResponse, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role, TrailAction
from clinic.services import trail
from clinic.web.person_copy import disclosures, stored_papers, write_copy

IN_MEMORY = 20_000_000  # bytes; a larger copy lies in a file without a name until it was sent


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(Role.CLINICIAN, Role.MANAGER)
def client_copy(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    if request.method == "POST":
        # not closed here: the response sends it and closes it; a usual copy never touches a disk
        kept = tempfile.SpooledTemporaryFile(IN_MEMORY)  # noqa: SIM115
        try:
            write_copy(client=client, by=request.user, out=kept)
        except BaseException:
            kept.close()
            raise
        kept.seek(0)
        name = f"{client.number}-{timezone.localdate()}-copy.zip"
        # a streamed answer, which every page may give; the type of views names the usual one
        answer = FileResponse(kept, as_attachment=True, filename=name)
        return cast("HttpResponse", answer)
    trail.record(TrailAction.VIEW, by=request.user, client=client, kind="disclosures")
    context = {"client": client, "papers": stored_papers(client), **disclosures(client)}
    return render(request, "clinic/client_copy.html", context)
