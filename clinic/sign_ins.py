"""A line in the trail for each sign-in, sign-out and failure. What was typed is never kept.

A failure stands under the account that was tried, if there is one: what was typed in place of a
name may be a password.
"""

import logging
from typing import Any

from allauth.account.signals import password_changed, password_reset, user_logged_in
from allauth.mfa.models import Authenticator
from allauth.mfa.signals import (
    authentication_failed,
    authenticator_added,
    authenticator_removed,
    authenticator_reset,
    authenticator_used,
)
from django.contrib.auth.signals import user_logged_in as entered
from django.contrib.auth.signals import user_logged_out, user_login_failed
from django.http import HttpRequest, HttpResponse

from clinic import guessing, time_limits
from clinic.acts import without_act
from clinic.domain.vocabulary import TrailAction
from clinic.factors import forget_known
from clinic.middleware import ORIGIN
from clinic.models import Staff
from clinic.services import trail
from clinic.services.sign_ins import end_sign_ins

logger = logging.getLogger(__name__)


def listen() -> None:
    """Hear of what the packages that sign people in have done."""
    # allauth's: it comes when the second factor was given as well
    user_logged_in.connect(signed_in, dispatch_uid="trail-in")
    entered.connect(time_limits.begin, dispatch_uid="clock")
    user_logged_out.connect(signed_out, dispatch_uid="trail-out")
    user_login_failed.connect(password_failed, dispatch_uid="trail-password")
    authentication_failed.connect(factor_failed, dispatch_uid="trail-factor")
    for heard in (authenticator_added, authenticator_removed, authenticator_reset):
        heard.connect(factor_changed, dispatch_uid="trail-factor-changed")
    authenticator_used.connect(factor_used, dispatch_uid="trail-factor-used")
    password_changed.connect(password_replaced, dispatch_uid="trail-change")
    password_reset.connect(password_renewed, dispatch_uid="trail-reset")


def signed_in(
    sender: Any, user: Staff, request: HttpRequest, response: HttpResponse, **_: Any
) -> None:
    trail.record(TrailAction.SIGN_IN, by=user, row=user)
    _tell("sign-in", user)
    guessing.remember_browser(request, response, user)


def factor_changed(
    sender: Any, request: HttpRequest, user: Staff, authenticator: Authenticator, **_: Any
) -> None:
    """By its owner. Other browsers of the person are signed out: they were let in without it."""
    codes = authenticator.type == Authenticator.Type.RECOVERY_CODES
    what = "recovery codes" if codes else "second factor"
    trail.record(TrailAction.CHANGE, by=user, row=user, fields=[what])
    if not codes:
        forget_known(request)
        end_sign_ins(staff=user, by=user, keep=request.session.session_key or "")


def factor_used(sender: Any, user: Staff, authenticator: Authenticator, **_: Any) -> None:
    """A recovery code in place of the factor: its owner, or whoever found the paper."""
    if authenticator.type == Authenticator.Type.RECOVERY_CODES:
        trail.record(TrailAction.CHANGE, by=user, row=user, fields=["recovery codes"], used=1)


def password_replaced(sender: Any, user: Staff, **_: Any) -> None:
    trail.record(TrailAction.CHANGE, by=user, row=user, fields=["password"])


def password_renewed(sender: Any, user: Staff, request: HttpRequest, **_: Any) -> None:
    """By the link that was sent to the person."""
    password_replaced(sender, user)
    guessing.forget_name(request, user.username)


def signed_out(sender: Any, request: HttpRequest, user: Staff | None, **_: Any) -> None:
    why = getattr(request, "sign_in_ended", "")
    if user is None:  # a sign-out without a sign-in is nobody's
        return
    _tell("sign-out", user, why=why)
    if not why:
        trail.record(TrailAction.SIGN_OUT, by=user, row=user)
        return
    with without_act():  # the act of this request is not done: it comes again
        trail.record(TrailAction.SIGN_OUT, by=user, row=user, why=why)


def password_failed(sender: Any, credentials: dict[str, Any], **_: Any) -> None:
    failed(credentials.get("username"), why="password")


def factor_failed(sender: Any, user: Staff, **_: Any) -> None:
    _fail(user, why="second factor")


def failed(name: str | None, *, why: str) -> None:
    """A line for a try under this name; without the name unless an account has it."""
    found = Staff.objects.filter(username__iexact=name or "").first()
    if found is None:
        _ = Staff(pk=0).roles  # as much is read for a name that nobody has
    _fail(found, why=why)


def _fail(staff: Staff | None, *, why: str) -> None:
    _tell("sign-in refused", staff, why=why)
    # not under the act of its request: a retry of that act would be answered as done
    with without_act():
        trail.record(TrailAction.SIGN_FAIL, by=staff, row=staff, kind="staff", why=why)


def _tell(event: str, staff: Staff | None, **facts: str) -> None:
    """A line in the log as well: it is read where nobody can sign in."""
    found = {"staff": staff.pk if staff else None, "origin": ORIGIN.get(), **facts}
    level = logging.WARNING if event == "sign-in refused" else logging.INFO
    logger.log(level, event, extra={"facts": found})
