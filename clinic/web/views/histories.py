"""The running history page."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from assessments.editions import newest, tables_of
from assessments.forms.histories import HistoryForm
from assessments.services import histories as services
from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role, Sex
from clinic.forms.people import show_refusal
from clinic.models import Client
from clinic.services.people import StaleError
from clinic.web.pages import back_to

STALE = (
    "Somebody else saved the history a moment ago. What they stored stands beside each field that "
    "differs; what you typed is still there. Save again to put yours in its place."
)


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def history_open(request: StaffRequest, pk: int) -> HttpResponse:
    """Today's snapshot, filled with the last one."""
    client = client_or_404(request.user, pk)
    today, last = timezone.localdate(), services.newest_history(client)
    if request.method == "POST" and "unchanged" in request.POST:
        return _unchanged(request, client)
    form = HistoryForm(
        request.POST or None,
        tables=tables_of(newest().pk),
        told=services.told_in(last),
        man=client.sex_for_norms == Sex.M,
        initial={"seen": services.stamp(last)},
    )
    status = 200
    if form.is_valid():
        try:
            services.keep_history(
                client=client,
                on=today,
                told=form.told,
                by=request.user,
                seen=form.cleaned_data["seen"] or None,
            )
            messages.success(request, "The history is saved.")
            return redirect(back_to(request, client))
        except StaleError:
            now = services.newest_history(client)
            form.show_stored(services.told_in(now), services.stamp(now), tables_of(newest().pk))
            form.add_error(None, STALE)
            status = 409
        except ValidationError as refusal:
            show_refusal(form, refusal)
    if form.errors and status == 200:
        status = 422
    context = {"client": client, "form": form, "last": last, "today": today}
    context["back"] = back_to(request, client)
    return render(request, "assessments/history_open.html", context, status=status)


def _unchanged(request: StaffRequest, client: Client) -> HttpResponse:
    try:
        services.confirm_unchanged(client=client, on=timezone.localdate(), by=request.user)
        messages.success(request, "Confirmed: nothing has changed.")
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    return redirect(back_to(request, client))
