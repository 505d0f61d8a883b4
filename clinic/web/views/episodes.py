"""Pages of an episode: open, change, discharge."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from assessments.domain.tables import AssessmentTables
from assessments.editions import newest, tables_of
from assessments.forms.episodes import DischargeForm, EpisodeForm, GoalForms
from assessments.models import Episode, Goal
from assessments.services import episodes
from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role
from clinic.forms.people import resolved, show_refusal
from clinic.models import Client, Edition, Staff
from clinic.models.limits import of_my_clients
from clinic.saving import once
from clinic.services.people import StaleError
from clinic.views.joined import led_to_kept
from clinic.views.people import leave_for_referrer, stale_page, typed_before

BOTH = ["GET", "POST"]


def _tables() -> AssessmentTables | None:
    """Tables in force; none before they were loaded, when an episode is opened without codes."""
    try:
        return tables_of(newest().pk)
    except Edition.DoesNotExist:
        return None


def _episode_or_404(staff: Staff, pk: int) -> Episode:
    found = Episode.objects.select_related("client__site", "referrer")
    return get_object_or_404(of_my_clients(found, staff), pk=pk)


@require_http_methods(BOTH)
@allowed(Role.CLINICIAN)
@once(lambda line: reverse("client-open", args=[line.client_id]))
def episode_new(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    led = led_to_kept(request, client)
    if led:
        return led
    return _episode_page(request, client, Episode(client=client, site=client.site))


@require_http_methods(BOTH)
@allowed(Role.CLINICIAN)
def episode_edit(request: StaffRequest, pk: int) -> HttpResponse:
    episode = _episode_or_404(request.user, pk)
    return _episode_page(request, episode.client, episode)


def _episode_page(request: StaffRequest, client: Client, episode: Episode) -> HttpResponse:
    if "add_referrer" in request.POST:
        return leave_for_referrer(request, field="referrer", site=client.site)
    form, goals = _forms(request, client, episode)
    if request.method == "POST" and form.is_valid() and goals.is_valid():
        answer = _save(request, client, form, goals)
        if answer:
            return answer
    context = {"client": client, "form": form, "goals": goals, "episode": episode}
    return render(request, "assessments/episode_form.html", context)


def _forms(request: StaffRequest, client: Client, episode: Episode) -> tuple[EpisodeForm, Any]:
    settings: dict[str, Any] = {"site": client.site, "tables": _tables(), "instance": episode}
    typed = typed_before(request)
    initial: dict[str, Any] = {} if episode.pk else {"opened_on": timezone.localdate()}
    if typed is not None:
        initial |= dict(typed.items())
    data = None
    if request.method == "POST":
        data = resolved(request.POST, EpisodeForm(**settings))
    goals = GoalForms(
        request.POST or typed or None,
        queryset=Goal.objects.filter(episode=episode) if episode.pk else Goal.objects.none(),
        prefix="goals",
    )
    return EpisodeForm(data, initial=initial, **settings), goals


def _save(
    request: StaffRequest, client: Client, form: EpisodeForm, goals: Any
) -> HttpResponse | None:
    pk = form.instance.pk
    fields = {name: form.cleaned_data[name] for name in form.fields if name != "version"}
    rows = goals.save(commit=False)
    try:
        if pk is None:
            episodes.open_episode(client=client, by=request.user, goals=rows, **fields)
        else:
            episodes.change_episode(
                episode=form.instance,
                seen=form.cleaned_data["version"] or 0,
                by=request.user,
                goals=rows,
                **fields,
            )
    except StaleError:
        return stale_page(request, form, _episode_or_404(request.user, pk), client)
    except ValidationError as refusal:
        show_refusal(form, refusal)
        return None
    messages.success(request, "The episode is saved.")
    return redirect("client-open", client.pk)


@require_http_methods(BOTH)
@allowed(Role.CLINICIAN)
def episode_discharge(request: StaffRequest, pk: int) -> HttpResponse:
    episode = _episode_or_404(request.user, pk)
    form = DischargeForm(request.POST or None, initial={"on": timezone.localdate()})
    if form.is_valid():
        try:
            episodes.discharge_episode(episode=episode, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "The episode is discharged.")
            return redirect("client-open", episode.client_id)
    context = {"client": episode.client, "form": form, "episode": episode}
    return render(request, "assessments/episode_discharge.html", context)
