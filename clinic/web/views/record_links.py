"""Two records of one person: seen side by side, joined, parted again."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Model
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from assessments.models import Assessment, Episode, Screening
from clinic.access import StaffRequest, allowed, client_or_404
from clinic.domain.vocabulary import Role, TrailAction
from clinic.forms.people import show_refusal
from clinic.forms.record_links import JoinForm, OtherForm, PartForm
from clinic.models import (
    Alert,
    Appointment,
    Client,
    Consent,
    Hold,
    Paper,
    RecordLink,
    Staff,
)
from clinic.models.record_links import person
from clinic.saving import once
from clinic.services import people, trail
from clinic.services import record_links as services

FACTS: tuple[tuple[str, Callable[[Client], object]], ...] = (
    ("Given names", lambda it: it.given_names),
    ("Family name", lambda it: it.family_name),
    ("Called", lambda it: it.preferred_name),
    ("Born", lambda it: f"{it.birth_date:%-d %b %Y}"),
    ("Died", lambda it: f"{it.died_on:%-d %b %Y}" if it.died_on else ""),
    ("Sex for norms", lambda it: it.get_sex_for_norms_display()),
    ("Address", lambda it: it.address),
    ("Telephone", lambda it: it.telephone),
    ("Email", lambda it: it.email),
    ("Doctor", lambda it: it.doctor or ""),
    ("Allergies", lambda it: it.allergies or it.get_allergies_known_display()),
    ("Medicines", lambda it: it.medicines or it.get_medicines_known_display()),
)
COUNTED: tuple[tuple[str, type[Model]], ...] = (
    ("Episodes", Episode),
    ("Assessments", Assessment),
    ("Screenings", Screening),
    ("Appointments", Appointment),
    ("Papers", Paper),
)


@require_http_methods(["GET", "POST"])
@allowed(Role.MANAGER)
@once(lambda line: reverse("client-open", args=[line.client_id]))
def record_join(request: StaffRequest, pk: int) -> HttpResponse:
    client = client_or_404(request.user, pk)
    choose = OtherForm({"number": request.GET["with"]} if "with" in request.GET else None)
    other = _other(request.user, client, choose)
    context: dict[str, Any] = {"client": client, "choose": choose, "form": choose}
    if other and _joined_already(client, other):
        messages.info(request, f"{client.number} and {other.number} are joined already.")
        return redirect("client-open", client.pk)
    if other is None:
        context["doubles"] = _doubles(request.user, client)
        return render(request, "clinic/record_join.html", context)
    form = JoinForm(request.POST or None, one=client, two=other, initial={"kept": client.pk})
    if form.is_valid():
        answer = _join(request, form, client, other)
        if answer:
            return answer
    trail.record(TrailAction.VIEW, by=request.user, row=other, client=other, page="join")
    context |= {"form": form, "other": other, "rows": _side_by_side(client, other)}
    return render(request, "clinic/record_join.html", context)


def _join(
    request: StaffRequest, form: JoinForm, client: Client, other: Client
) -> HttpResponse | None:
    fields = dict(form.cleaned_data)
    kept, joined = (client, other) if fields.pop("kept") == client.pk else (other, client)
    try:
        services.join_records(kept=kept, joined=joined, by=request.user, **fields)
    except ValidationError as refusal:
        show_refusal(form, refusal)
        return None
    messages.success(request, f"{joined.number} is joined to {kept.number}.")
    return redirect("client-open", kept.pk)


def _other(staff: Staff, client: Client, form: OtherForm) -> Client | None:
    """The record whose number was given; a fault stands in the form."""
    if not form.is_valid():
        return None
    found = Client.objects.for_staff(staff).for_record()
    other = found.filter(number=form.cleaned_data["number"], site=client.site_id).first()
    try:
        if other is None:
            raise ValidationError({"number": "No record of this site has this number."})
        if client.pk == other.pk:
            raise ValidationError({"number": "This is the record itself: give the other one."})
        if _joined_already(client, other):
            return other
        if services.kept_of(client) or services.kept_of(other):
            raise ValidationError(
                {"number": "One of them is joined to another record: part it first."}
            )
    except ValidationError as refusal:
        show_refusal(form, refusal)
        return None
    return other


def _joined_already(one: Client, two: Client) -> bool:
    return one.pk != two.pk and two.pk in set(person(one.pk))


def _doubles(staff: Staff, client: Client) -> list[Client]:
    found = people.possible_doubles(
        staff=staff,
        family_name=client.family_name,
        birth_date=client.birth_date,
        telephone=client.telephone,
        apart_from=client,
    )
    return [it for it in found if it.site_id == client.site_id]


def _side_by_side(one: Client, two: Client) -> list[dict[str, Any]]:
    """Each line of both records, with a word where they differ."""
    lines = [(name, str(say(one)), str(say(two))) for name, say in FACTS]
    lines += [(name, _listed(rows, one), _listed(rows, two)) for name, rows in _lists().items()]
    compared = [
        {"name": name, "one": left, "two": right, "compared": True, "differs": left != right}
        for name, left, right in lines
    ]
    # how many visits there were says nothing about whether it is one person
    counted = [
        {"name": name, "one": _count(model, one), "two": _count(model, two)}
        for name, model in COUNTED
    ]
    return compared + counted


def _lists() -> dict[str, Any]:
    return {
        "Alerts": Alert.objects.filter(ended_on__isnull=True),
        "Holds": Hold.objects.open(),
        "Consents": Consent.objects.order_by("purpose", "given_on"),
    }


def _listed(rows: Any, client: Client) -> str:
    return "\n".join(_words(row) for row in rows.filter(client=client)) or "none"


def _words(row: Alert | Hold | Consent) -> str:
    if isinstance(row, Hold):
        return f"{row.get_scope_display()}: {row.sentence}"
    if isinstance(row, Consent) and row.withdrawn_on:
        return f"{row}, withdrawn {row.withdrawn_on:%-d %b %Y}"
    return str(row)


def _count(model: type[Model], client: Client) -> str:
    return str(model._default_manager.filter(client=client).count())


@require_http_methods(["GET", "POST"])
@allowed(Role.MANAGER)
@once(lambda line: reverse("client-open", args=[line.client_id]))
def record_part(request: StaffRequest, pk: int) -> HttpResponse:
    links = RecordLink.objects.select_related("kept", "joined", "joined_by")
    link = get_object_or_404(links, pk=pk)
    client = client_or_404(request.user, link.kept_id)
    client_or_404(request.user, link.joined_id)
    if link.parted_at:
        messages.info(request, f"{link.joined.number} was parted from {client.number} already.")
        return redirect("client-open", client.pk)
    form = PartForm(request.POST or None)
    if form.is_valid():
        try:
            services.part_records(link=link, by=request.user, **form.cleaned_data)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            said = f"{link.joined.number} and {link.kept.number} stand by themselves again."
            messages.success(request, said)
            return redirect("client-open", link.kept_id)
    context = {"client": client, "link": link, "form": form}
    return render(request, "clinic/record_part.html", context)
