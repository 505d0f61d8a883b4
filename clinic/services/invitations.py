"""Invitations: a link that opens once, for three days, and is kept as a hash only."""

import hashlib
import secrets
from datetime import timedelta

from django.core.mail import EmailMessage
from django.db import transaction
from django.template.loader import render_to_string
from django.utils import timezone

from clinic.domain.vocabulary import TrailAction
from clinic.models import Invitation, Staff
from clinic.services import trail

VALID = timedelta(days=3)
TOKEN_BYTES = 32  # 256 bits; OWASP ASVS 5.0.0, 6.4.1 and 11.5.1 ask for 128


@transaction.atomic
def invite(*, staff: Staff, by: Staff | None) -> str:
    """Make a new link for this person and return its token; earlier ones open no more."""
    withdraw(staff=staff)
    token = secrets.token_urlsafe(TOKEN_BYTES)
    now = timezone.now()
    invitation = Invitation(
        staff=staff,
        token_hash=hash_of(token),
        made_at=now,
        made_by=by,
        expires_at=now + VALID,
    )
    invitation.full_clean()
    invitation.save()
    trail.record(
        TrailAction.INVITE,
        by=by,
        row=staff,
        site=staff.home_site,
        roles=sorted(staff.roles),
        days=VALID.days,
    )
    return token


def withdraw(*, staff: Staff) -> None:
    """Let no link of this person open any more; part of what another line records."""
    now = timezone.now()
    Invitation.objects.filter(staff=staff).standing(now).update(withdrawn_at=now)


def invitation_of(token: str) -> Invitation | None:
    """The standing invitation of a token, to an open account."""
    found = Invitation.objects.standing(timezone.now()).select_related("staff__home_site")
    return found.filter(token_hash=hash_of(token), staff__is_active=True).first()


@transaction.atomic
def accept_invitation(*, invitation: Invitation, password: str) -> bool:
    """Give the account its password; False when the link was used or withdrawn meanwhile."""
    now = timezone.now()
    standing = Invitation.objects.standing(now).filter(pk=invitation.pk, staff__is_active=True)
    if not standing.update(used_at=now):
        return False
    staff = invitation.staff
    staff.set_password(password)
    staff.save(update_fields=["password"])
    trail.record(TrailAction.CHANGE, by=staff, row=staff, fields=["password"], by_invitation=True)
    return True


def send_invitation(*, staff: Staff, link: str, by: Staff | None) -> bool:
    """Send the link to the address of the account; False where there is none."""
    if not staff.email:
        return False
    context = {"staff": staff, "by": by, "link": link, "days": VALID.days}
    EmailMessage(
        "Your account at Gait Clinic Records",
        render_to_string("clinic/mail/invitation.txt", context),
        to=[staff.email],
    ).send()
    return True


def hash_of(token: str) -> str:
    """What is kept of a token; it is long and random, so that a plain hash is enough."""
    return hashlib.sha256(token.encode()).hexdigest()
