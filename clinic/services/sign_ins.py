"""The sign-ins of a person that stand at this moment, and ending them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from allauth.usersessions.models import UserSession
from django.contrib.auth import HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.contrib.sessions.models import Session
from django.db import transaction
from django.utils import timezone
from django.utils.crypto import constant_time_compare

from clinic.domain.browsers import browser_words
from clinic.domain.vocabulary import TrailAction
from clinic.models import Staff
from clinic.services import trail
from clinic.time_limits import ACTIVE, left


@dataclass(frozen=True, slots=True)
class SignIn:
    """One browser in which a person is signed in."""

    pk: int
    key: str
    began: datetime
    used: datetime
    address: str
    browser: str


def standing(staff: Staff) -> list[SignIn]:
    """What would open a page now, the newest first; ended and outdated ones are left out."""
    rows = {row.session_key: row for row in UserSession.objects.filter(user=staff)}
    found = Session.objects.filter(session_key__in=rows, expire_date__gt=timezone.now())
    opened = [
        _sign_in(rows[session.session_key], data)
        for session in found
        if _opens(data := SessionStore().decode(session.session_data), staff)
    ]
    return sorted(opened, key=lambda one: one.began, reverse=True)


def _opens(data: Mapping[str, Any], staff: Staff) -> bool:
    """Whether a session is this person's, of the present password, and within its limits."""
    hashed = data.get(HASH_SESSION_KEY, "")
    return (
        data.get(SESSION_KEY) == str(staff.pk)
        and constant_time_compare(hashed, staff.get_session_auth_hash())
        and min(left(data)) > 0
    )


def _sign_in(row: UserSession, data: Mapping[str, Any]) -> SignIn:
    return SignIn(
        pk=row.pk,
        key=row.session_key,
        began=row.created_at,
        used=datetime.fromtimestamp(data[ACTIVE], UTC),
        address=row.ip,
        browser=browser_words(row.user_agent),
    )


@transaction.atomic
def end_sign_ins(
    *, staff: Staff, by: Staff | None, keep: str = "", only: int | None = None
) -> int:
    """End sign-ins of a person at once and return how many stood.

    keep: key of the one that goes on; only: number of the one that ends, or all.
    """
    rows = UserSession.objects.filter(user=staff).exclude(session_key=keep)
    if only is not None:
        rows = rows.filter(pk=only)
    keys = list(rows.values_list("session_key", flat=True))
    ended = sum(one.key in keys for one in standing(staff))
    Session.objects.filter(session_key__in=keys).delete()
    rows.delete()
    if ended:
        trail.record(
            TrailAction.SIGN_OUT,
            by=by,
            row=staff,
            site=staff.home_site,
            why="ended",
            number=ended,
        )
    return ended
