"""The manager's pages of accounts, and the page of an invitation."""

import json
from http import HTTPStatus
from smtplib import SMTPException
from typing import Any

from allauth.mfa.models import Authenticator
from django.contrib import messages
from django.contrib.auth import logout
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Exists, OuterRef
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clinic import guessing
from clinic.access import StaffRequest, allowed
from clinic.domain.vocabulary import Role
from clinic.factors import FACTORS
from clinic.forms.people import show_refusal
from clinic.forms.staff import ChoosePasswordForm, InvitationForm, PersonForm
from clinic.models import Invitation, Staff
from clinic.saving import once
from clinic.services import staff as accounts
from clinic.services.invitations import (
    VALID,
    accept_invitation,
    invitation_of,
    invite,
    send_invitation,
)
from clinic.services.sign_ins import end_sign_ins, standing

PAGE = 50


@require_safe
@allowed(Role.MANAGER, Role.AUDITOR)
def staff_list(request: StaffRequest) -> HttpResponse:
    waiting = Invitation.objects.standing(timezone.now()).filter(staff=OuterRef("pk"))
    factor = Authenticator.objects.filter(user=OuterRef("pk"), type__in=FACTORS)
    people = (
        Staff.objects.annotate(is_invited=Exists(waiting), has_factor=Exists(factor))
        .prefetch_related("groups", "sites")
        .order_by("-is_active", "last_name", "first_name", "pk")
    )
    page = Paginator(people, PAGE).get_page(request.GET.get("page"))
    return render(request, "clinic/staff_list.html", {"page": page})


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(Role.MANAGER)
@once(lambda line: reverse("staff-open", args=[line.object_key]))
def staff_new(request: StaffRequest) -> HttpResponse:
    form = InvitationForm(request.POST or None, initial={"home_site": request.user.home_site_id})
    if form.is_valid():
        try:
            person, token = accounts.invite_person(by=request.user, **form.said())
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            return _told(request, person, token)
    return render(request, "clinic/staff_form.html", {"form": form})


def _told(request: StaffRequest, person: Staff, token: str) -> HttpResponse:
    """Show the link, which is kept nowhere, and send it to the person."""
    link = request.build_absolute_uri(reverse("invitation-open", args=[token]))
    try:
        sent = send_invitation(staff=person, link=link, by=request.user)
    except (OSError, SMTPException):
        sent, failed = False, True
    else:
        failed = False
    context = {"person": person, "link": link, "sent": sent, "failed": failed, "days": VALID.days}
    return render(request, "clinic/staff_invited.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(Role.MANAGER)
def staff_open(request: StaffRequest, pk: int) -> HttpResponse:
    """One account: what it says, what it may, what stands open."""
    person = get_object_or_404(Staff, pk=pk)
    values = accounts.values_of(person)
    shown = values | {"home_site": person.home_site_id, "seen": json.dumps(values)}
    form = PersonForm(request.POST or None, instance=Staff(pk=pk), initial=shown)
    if form.is_valid():
        try:
            _save(form, person, request.user)
        except ValidationError as refusal:
            show_refusal(form, refusal)
        else:
            messages.success(request, "Saved.")
            return redirect("staff-open", pk)
    return render(request, "clinic/staff_open.html", {"form": form} | _around(person))


def _save(form: PersonForm, person: Staff, by: Staff) -> None:
    fields = form.said()
    fields["home_site_id"] = fields.pop("home_site").pk
    accounts.change_person(staff=person, seen=form.cleaned_data["seen"], by=by, **fields)


def _around(person: Staff) -> dict[str, Any]:
    factors = Authenticator.objects.filter(user=person, type__in=FACTORS)
    waiting = Invitation.objects.standing(timezone.now()).filter(staff=person)
    return {
        "person": person,
        "sign_ins": standing(person),
        "has_factor": factors.exists(),
        "invitation": waiting.first(),
    }


@require_POST
@allowed(Role.MANAGER)
def staff_link(request: StaffRequest, pk: int) -> HttpResponse:
    """A new link to choose a password; earlier ones open no more."""
    person = get_object_or_404(Staff, pk=pk, is_active=True)
    return _told(request, person, invite(staff=person, by=request.user))


def _act(request: StaffRequest, pk: int, act: Any, said: str) -> HttpResponse:
    """Do one thing to an account and say so, or why not."""
    person = get_object_or_404(Staff, pk=pk)
    try:
        act(staff=person, by=request.user)
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
    else:
        messages.success(request, said)
    return redirect("staff-open", pk)


@require_POST
@allowed(Role.MANAGER)
def staff_close(request: StaffRequest, pk: int) -> HttpResponse:
    return _act(request, pk, accounts.close_account, "The account is closed.")


@require_POST
@allowed(Role.MANAGER)
def staff_reopen(request: StaffRequest, pk: int) -> HttpResponse:
    return _act(request, pk, accounts.open_account, "The account is open again.")


@require_POST
@allowed(Role.MANAGER)
def staff_factor(request: StaffRequest, pk: int) -> HttpResponse:
    said = "The second factor is taken away. The next sign-in sets up another."
    return _act(request, pk, accounts.reset_factor, said)


@require_POST
@allowed(Role.MANAGER)
def staff_sign_out(request: StaffRequest, pk: int) -> HttpResponse:
    return _act(request, pk, end_sign_ins, "All sign-ins of this account are ended.")


@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def invitation_open(request: HttpRequest, token: str) -> HttpResponse:
    """Choose a password; looking at the page uses nothing up, as mail programs look at links."""
    invitation = invitation_of(token)
    if invitation is None:
        status = HTTPStatus.GONE
        return render(request, "clinic/invitation_gone.html", {"days": VALID.days}, status=status)
    form = ChoosePasswordForm(data=request.POST or None, user=invitation.staff)
    if form.is_valid():
        password = form.cleaned_data["password1"]
        if not accept_invitation(invitation=invitation, password=password):
            return redirect("invitation-open", token)
        guessing.forget_name(request, invitation.staff.username)
        logout(request)  # whoever sat here before
        messages.success(request, "Your password is kept. Sign in with it now.")
        return redirect("account_login")
    return render(
        request, "clinic/invitation_open.html", {"form": form, "person": invitation.staff}
    )
