"""Pages of clients and those around them."""

from collections.abc import Callable
from datetime import date
from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Model
from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import get_format
from django.views.decorators.http import require_http_methods, require_safe

from clinic.access import EVERYBODY, STAFF, StaffRequest, allowed, client_or_404
from clinic.domain.consents import STOPS, alone_from
from clinic.domain.people import filled_in, read_search
from clinic.domain.vocabulary import ConsentPurpose, Role
from clinic.forms.people import (
    AlertForm,
    ClientForm,
    ConsentForm,
    EndForm,
    ReferrerForm,
    SearchForm,
    clashes,
    resolved,
    show_refusal,
)
from clinic.middleware import ACT
from clinic.models import Alert, Client, Consent, Site, Staff
from clinic.models.limits import of_my_clients
from clinic.models.record_links import person
from clinic.saving import once
from clinic.services import consents, people, referrers, trail
from clinic.views.joined import led_to_kept

PAGE = 50
Typed = QueryDict | None


def sees_clinical(staff: Staff) -> bool:
    """All but reception, who see person, contact, alerts, appointments and due dates."""
    return staff.is_clinician or staff.is_manager or staff.is_auditor


# Leaving a half-filled form for the referrer page and coming back with all that was typed


def leave_for_referrer(request: StaffRequest, *, field: str, site: Site | None) -> HttpResponse:
    """Keep what was typed, by the address of the form, and go to the page of a new referrer."""
    kept = request.session.get("left", {})
    kept[request.path] = {
        "typed": request.POST.urlencode(),
        "field": field,
        "site": site.pk if site else None,
    }
    request.session["left"] = kept
    return redirect(f"{reverse('referrer-new')}?back={request.path}")


def typed_before(request: StaffRequest) -> Typed:
    """What was typed before leaving for the referrer page; given once."""
    kept = request.session.get("left", {})
    if request.method != "GET" or request.path not in kept:
        return None
    left = kept.pop(request.path)
    request.session["left"] = kept
    return QueryDict(left["typed"])


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
def referrer_new(request: StaffRequest) -> HttpResponse:
    back = request.GET.get("back", "")
    left = request.session.get("left", {}).get(back)
    done = trail.earlier(ACT.get(), request.user) if request.method == "POST" else None
    if done:  # pressed twice
        return _back_with(request, back, done.object_key)
    sites = Site.objects.filter(staff=request.user)
    site = get_object_or_404(sites, pk=left["site"] if left else request.user.home_site_id)
    form = ReferrerForm(request.POST or None)
    if form.is_valid():
        try:
            referrer = referrers.add_referrer(site=site, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, f"{referrer} is in the list.")
            return _back_with(request, back, str(referrer.pk))
    where = back if left else reverse("client-list")
    return render(request, "clinic/referrer_form.html", {"form": form, "back": where})


def _back_with(request: StaffRequest, back: str, referrer: str) -> HttpResponse:
    kept = request.session.get("left", {})
    if back not in kept:
        return redirect("client-list")
    typed = QueryDict(kept[back]["typed"], mutable=True)
    typed[kept[back]["field"]] = referrer
    kept[back]["typed"] = typed.urlencode()
    request.session["left"] = kept
    return redirect(back)


# Finding

SOUGHT = "sought"


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(*EVERYBODY)
def client_list(request: StaffRequest) -> HttpResponse:
    """What is sought is kept with the sign-in: an address stays in the browser's history."""
    if request.method == "POST":
        request.session[SOUGHT] = request.POST.get("q", "")
        return redirect(f"{reverse('client-list')}?{SOUGHT}=yes")
    form = SearchForm({"q": request.session.get(SOUGHT, "")} if SOUGHT in request.GET else None)
    typed = form.cleaned_data["q"] if form.is_valid() else ""
    sought = read_search(typed, get_format("DATE_INPUT_FORMATS"), timezone.localdate())
    context: dict[str, Any] = {"form": form, "sought": sought, "today": timezone.localdate()}
    if sought.is_empty:
        return render(request, "clinic/client_list.html", context)
    found = people.clients_found(sought=sought, staff=request.user, now=timezone.now())
    page = Paginator(found, PAGE).get_page(request.GET.get("page"))
    hits = page.paginator.count
    people.record_search(by=request.user, hits=hits)
    if hits == 1:
        return redirect("client-open", page.object_list[0].pk)
    return render(request, "clinic/client_list.html", context | {"page": page, "hits": hits})


# Registering and changing


def _doubles(request: StaffRequest, form: ClientForm, apart_from: Client | None) -> list[Client]:
    """Possible doubles that the person has not looked at and put aside."""
    watched = {"family_name", "birth_date", "telephone"}
    if apart_from and not watched & set(form.changed_data):
        return []
    found = people.possible_doubles(
        staff=request.user,
        apart_from=apart_from,
        **{name: form.cleaned_data[name] for name in watched},
    )
    put_aside = set(request.POST.get("another_person", "").split())
    return [] if {str(other.pk) for other in found} <= put_aside else found


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
@once(lambda line: reverse("client-open", args=[line.object_key]))
def client_new(request: StaffRequest) -> HttpResponse:
    site = request.user.home_site
    if "add_referrer" in request.POST:
        return leave_for_referrer(request, field="doctor", site=site)
    form = ClientForm(
        request.POST or None,
        initial=_first_values(request),
        site=site,
        clinical=sees_clinical(request.user),
    )
    context: dict[str, Any] = {"form": form, "today": timezone.localdate()}
    if form.is_valid():
        context["doubles"] = _doubles(request, form, None)
        if not context["doubles"]:
            form.cleaned_data.pop("version")
            try:
                client = people.register_client(by=request.user, **form.cleaned_data)
            except ValidationError as refusal:
                show_refusal(form, refusal)
            else:
                messages.success(request, f"Registered as {client.number}.")
                return redirect("client-open", client.pk)
    return render(request, "clinic/client_form.html", context)


def _first_values(request: StaffRequest) -> dict[str, Any]:
    typed = typed_before(request)
    if typed is not None:
        return dict(typed.items())
    formats = get_format("DATE_INPUT_FORMATS")
    sought = request.session.get(SOUGHT, "") if SOUGHT in request.GET else ""
    return dict(filled_in(read_search(sought, formats, timezone.localdate())))


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
def client_edit(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    if "add_referrer" in request.POST:
        return leave_for_referrer(request, field="doctor", site=client.site)
    typed = typed_before(request)
    settings: dict[str, Any] = {
        "site": client.site,
        "clinical": sees_clinical(request.user),
        "initial": dict(typed.items()) if typed is not None else None,
    }
    data = None
    if request.method == "POST":
        data = resolved(request.POST, ClientForm(instance=client, **settings))
    form = ClientForm(data, instance=client, **settings)
    context: dict[str, Any] = {"form": form, "client": client, "today": timezone.localdate()}
    if form.is_valid():
        context["doubles"] = _doubles(request, form, client)
        if not context["doubles"]:
            answer = _change(request, form, pk)
            if answer:
                return answer
    # the form has put typed values into its row, and the page shows the stored ones
    context["client"] = client_or_404(request.user, pk)
    return render(request, "clinic/client_form.html", context)


def _change(request: StaffRequest, form: ClientForm, pk: int) -> HttpResponse | None:
    client = client_or_404(request.user, pk)
    fields = {name: form.cleaned_data[name] for name in form.fields if name != "version"}
    try:
        people.change_client(
            client=client, seen=form.cleaned_data["version"] or 0, by=request.user, **fields
        )
    except people.StaleError:
        return stale_page(request, form, client, client)
    except ValidationError as refusal:
        show_refusal(form, refusal)
        return None
    messages.success(request, "Saved.")
    return redirect("client-open", pk)


def stale_page(
    request: StaffRequest, form: forms.ModelForm, stored: Model, client: Client
) -> HttpResponse:
    """Both values of each field that differs, and a choice; all that was typed comes along."""
    typed = QueryDict(mutable=True)
    typed.update(form.data)
    typed["version"] = str(getattr(stored, "version"))  # noqa: B009 - any row with a version
    typed.pop("csrfmiddlewaretoken", None)
    context = {
        "client": client,
        "clashes": clashes(form, stored),
        "typed": [(name, value) for name, values in typed.lists() for value in values],
    }
    return render(request, "clinic/client_stale.html", context, status=409)


# Consents and alerts


@require_safe
@allowed(Role.CLINICIAN, Role.MANAGER, Role.AUDITOR)
def consent_list(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    rows = Consent.objects.filter(client__in=person(client.pk))
    both = list(rows.select_related("client", "taken_by", "withdrawn_with"))
    answers = [it for it in both if it.client_id == client.pk]
    answers_of = [
        {
            "code": code,
            "name": name,
            "standing": next(
                (it for it in answers if it.purpose == code and it.withdrawn_on is None), None
            ),
            "stops": STOPS[ConsentPurpose(code)],
            "stopped": consents.stopped_by([it for it in both if it.purpose == code], client),
            "elsewhere": [it for it in both if it.purpose == code and it.client_id != client.pk],
            "earlier": [it for it in answers if it.purpose == code and it.withdrawn_on],
        }
        for code, name in purposes().items()
    ]
    return render(request, "clinic/consent_list.html", {"client": client, "purposes": answers_of})


def purposes() -> dict[str, str]:
    """What consent is asked for: code and words."""
    choices = Consent._meta.get_field("purpose").choices or []
    return {str(code): str(name) for code, name in choices}


def _saved_form(
    request: StaffRequest, form: forms.BaseForm, save: Callable[..., object], said: str
) -> bool:
    """Whether the form was valid and the service took it; a refusal stands in the form."""
    if not form.is_valid():
        return False
    try:
        save(**form.cleaned_data, by=request.user)
    except ValidationError as refusal:
        show_refusal(form, refusal)
        return False
    messages.success(request, said)
    return True


@require_http_methods(["GET", "POST"])
@allowed(Role.CLINICIAN)
@once(lambda line: reverse("consent-list", args=[line.client_id]))
def consent_new(request: StaffRequest, pk: int, purpose: str) -> HttpResponse:
    client = client_or_404(request.user, pk)
    if purpose not in set(ConsentPurpose):
        raise Http404
    led = led_to_kept(request, client)
    if led:
        return led
    today = timezone.localdate()
    text = consents.text_of(ConsentPurpose(purpose))
    first = {"given_on": today, "read": text.version}
    form = ConsentForm(request.POST or None, initial=first)

    def save(**fields: Any) -> None:
        people.answer_consent(client=client, purpose=ConsentPurpose(purpose), **fields)

    if _saved_form(request, form, save, "The answer is kept."):
        return redirect("consent-list", pk)
    context = {
        "client": client,
        "form": form,
        "purpose": purposes()[purpose],
        "text": text,
        "age": client.age_on(today),
        "alone_from": alone_from(settings.COUNTRY),
    }
    return render(request, "clinic/consent_form.html", context)


@require_http_methods(["GET", "POST"])
@allowed(Role.CLINICIAN)
def consent_withdraw(request: StaffRequest, pk: int) -> HttpResponse:
    consent = get_object_or_404(
        of_my_clients(Consent.objects.filter(withdrawn_on__isnull=True), request.user), pk=pk
    )
    form = EndForm(request.POST or None, initial={"on": timezone.localdate()})

    def save(*, on: date, by: Staff) -> None:
        people.withdraw_consent(consent=consent, by=by, on=on)

    if _saved_form(request, form, save, "The withdrawal is kept."):
        return redirect("consent-list", consent.client_id)
    context = {
        "client": client_or_404(request.user, consent.client_id),
        "form": form,
        "consent": consent,
        "stops": STOPS[ConsentPurpose(consent.purpose)] if consent.given else "",
    }
    return render(request, "clinic/consent_withdraw.html", context)


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
@once(lambda line: reverse("client-open", args=[line.client_id]))
def alert_new(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    form = AlertForm(request.POST or None, initial={"since": timezone.localdate()})

    def save(**fields: Any) -> None:
        people.add_alert(client=client, **fields)

    if _saved_form(request, form, save, "Everybody who opens the record sees the alert."):
        return redirect("client-open", pk)
    return render(request, "clinic/alert_form.html", {"client": client, "form": form})


@require_http_methods(["GET", "POST"])
@allowed(*STAFF)
def alert_end(request: StaffRequest, pk: int) -> HttpResponse:
    alert = get_object_or_404(
        of_my_clients(Alert.objects.filter(ended_on__isnull=True), request.user), pk=pk
    )
    form = EndForm(request.POST or None, initial={"on": timezone.localdate()})

    def save(*, on: date, by: Staff) -> None:
        people.end_alert(alert=alert, by=by, on=on)

    if _saved_form(request, form, save, "The alert has ended."):
        return redirect("client-open", alert.client_id)
    context = {
        "client": client_or_404(request.user, alert.client_id),
        "form": form,
        "alert": alert,
    }
    return render(request, "clinic/alert_end.html", context)
