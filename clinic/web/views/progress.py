"""Progress of one client: what each measure did over the signed assessments."""

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from assessments.amended import all_as_amended
from assessments.domain.progress import Series, progress
from assessments.editions import tables_of
from assessments.facts import numbers_value
from assessments.models import Assessment
from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Client
from clinic.models.record_links import person
from clinic.services import trail
from clinic.web.progress_charts import measured, really_changed, singles


@require_safe
@allowed(Role.CLINICIAN, Role.MANAGER, Role.AUDITOR)
def progress_open(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    trail.record(TrailAction.VIEW, by=request.user, row=client, client=client, page="progress")
    visits, series = progress_of(client)
    charts = measured(series)
    context = {
        "client": client,
        "visits": visits,
        "charts": charts,
        "changed": really_changed(charts),
        "singles": singles(series),
    }
    return render(request, "clinic/progress_open.html", context)


def progress_of(client: Client) -> tuple[list[Assessment], tuple[Series, ...]]:
    """The signed assessments, the earliest first, and what their measures did.

    Judged by the tables of the newest of them.
    """
    looks = Assessment.objects.standing().signed().filter(client__in=person(client.pk))
    visits = list(looks.select_related("client").order_by("assessed_on", "pk"))
    if not visits:
        return [], ()
    all_as_amended(visits)
    values = [numbers_value(visit) for visit in visits]
    return visits, progress(values, tables_of(visits[-1].edition_id))
