"""The running history page: every answer saved as it is given, or all by button."""

from http import HTTPStatus
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse, HttpResponseBadRequest, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from assessments.editions import newest, tables_of
from assessments.forms.histories import HistoryForm
from assessments.models import RunningHistory
from assessments.services import histories as services
from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role, Sex, TrailAction
from clinic.forms.people import show_refusal
from clinic.middleware import ACT
from clinic.models import Client
from clinic.saving import is_script, part
from clinic.services import trail
from clinic.services.people import StaleError
from clinic.web.pages import back_to

STALE = (
    "Somebody else saved the history a moment ago. What they stored stands beside each field that "
    "differs; what you typed is still there. Save again to put yours in its place."
)
LOOK_AGAIN = "Somebody else saved the history a moment ago. Look at it again, then confirm it."


def form_of(
    client: Client, last: RunningHistory | None, typed: QueryDict | None = None
) -> HistoryForm:
    """The questions of the newest edition, filled with a snapshot."""
    return HistoryForm(
        typed,
        tables=tables_of(newest().pk),
        told=services.told_in(last),
        man=client.sex_for_norms == Sex.M,
        today=timezone.localdate(),
        initial={"seen": services.stamp(last)},
    )


@allowed(Role.CLINICIAN)
@require_http_methods(["GET", "POST"])
def history_open(request: StaffRequest, pk: int) -> HttpResponse:
    """Today's snapshot, filled with the last one."""
    client = client_or_404(request.user, pk)
    if is_script(request):
        return _answer_saved(request, client)
    if request.method == "POST" and "unchanged" in request.POST:
        return _unchanged(request, client)
    last = services.newest_history(client)
    if request.method == "POST":
        return _saved(request, client, form_of(client, last, request.POST), last)
    trail.record(TrailAction.VIEW, by=request.user, row=last, client=client, kind="runninghistory")
    return _page(request, client, form_of(client, last), last)


def _page(
    request: StaffRequest,
    client: Client,
    form: HistoryForm,
    last: RunningHistory | None,
    status: int = HTTPStatus.OK,
) -> HttpResponse:
    context: dict[str, Any] = {"client": client, "form": form, "last": last}
    context |= {"today": timezone.localdate(), "back": back_to(request, client)}
    return render(request, "assessments/history_open.html", context, status=status)


def _saved(
    request: StaffRequest, client: Client, form: HistoryForm, last: RunningHistory | None
) -> HttpResponse:
    """All answers at once, by button."""
    status = HTTPStatus.UNPROCESSABLE_ENTITY
    if form.is_valid():
        try:
            services.keep_history(
                client=client,
                on=timezone.localdate(),
                told=form.told,
                by=request.user,
                seen=form.cleaned_data["seen"] or None,
            )
            messages.success(request, "The history is saved.")
            return redirect(back_to(request, client))
        except StaleError:
            now = services.newest_history(client)
            form.show_stored(services.told_in(now), services.stamp(now))
            form.add_error(None, STALE)
            status = HTTPStatus.CONFLICT
        except ValidationError as refusal:
            show_refusal(form, refusal)
    return _page(request, client, form, last, status)


def _answer_saved(request: StaffRequest, client: Client) -> HttpResponse:
    """One answer, sent by the page as it was given, and its question drawn anew."""
    done = trail.earlier(ACT.get(), request.user)
    last = services.newest_history(client)
    form = form_of(client, last, request.POST)
    name = next((it for it in form.names if f"{it}.seen" in request.POST), "")
    if not name:
        return HttpResponseBadRequest("Send one answer.")
    if done or f"{name}.take" in request.POST:
        return _part(request, form_of(client, last), last, name)
    if form.errors.get(name):
        return _part(request, form, last, name, HTTPStatus.UNPROCESSABLE_ENTITY)
    try:
        kept = services.keep_answer(
            client=client,
            on=timezone.localdate(),
            name=name,
            found=form.told.of(name),
            seen=form.sent(name, request.POST[f"{name}.seen"]),
            asked=form.names,
            by=request.user,
        )
    except StaleError:
        now = services.newest_history(client)
        form = form_of(client, now, request.POST)
        return _part(request, form, now, name, HTTPStatus.CONFLICT)
    except ValidationError:
        return HttpResponseBadRequest("This page is out of date: load it again.")
    return _part(request, form_of(client, kept), kept, name)


def _part(
    request: StaffRequest,
    form: HistoryForm,
    last: RunningHistory | None,
    name: str,
    status: int = HTTPStatus.OK,
) -> HttpResponse:
    context: dict[str, Any] = {
        "part": form.part(name, overtaken=status == HTTPStatus.CONFLICT),
        "now": timezone.localtime() if status == HTTPStatus.OK else None,
        "of_today": last is not None and last.taken_on == timezone.localdate(),
    }
    return part(request, "assessments/_history_saved.html", context, status)


def _unchanged(request: StaffRequest, client: Client) -> HttpResponse:
    try:
        services.confirm_unchanged(
            client=client,
            on=timezone.localdate(),
            by=request.user,
            seen=request.POST.get("seen"),
        )
        messages.success(request, "Confirmed: nothing has changed.")
    except StaleError:
        messages.error(request, LOOK_AGAIN)
        return redirect(request.get_full_path())
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    return redirect(back_to(request, client))
