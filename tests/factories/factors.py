"""An authenticator app for tests, computed apart from the code under test."""

import base64
import hmac
import struct
import time

from django.urls import reverse

SECRET = "JBSWY3DPEHPK3PXP"


def code_of(secret, at=None):
    """The code an app shows now (RFC 6238: HMAC-SHA-1 of the 30-second step, 6 figures)."""
    step = struct.pack(">Q", int(time.time() if at is None else at) // 30)
    digest = hmac.new(base64.b32decode(secret), step, "sha1").digest()
    start = digest[-1] & 15
    return f"{(int.from_bytes(digest[start : start + 4]) & 0x7FFFFFFF) % 10**6:06d}"


def give_app(staff, secret=SECRET):
    """A person who has set up an app; returns its secret."""
    from allauth.mfa.models import Authenticator

    from clinic.accounts import SealedFactors

    Authenticator.objects.create(
        user=staff, type="totp", data={"secret": SealedFactors().encrypt(secret)}
    )
    return secret


def sign_in(browser, name, password, **extra):
    fields = {"login": name, "password": password}
    return browser.post(reverse("account_login"), fields, **extra)
