"""Keys that come from the clinic's own secret, one for each purpose.

Keep the old secret in SECRET_KEY_FALLBACKS when it changes: what it sealed can be opened then.
"""

import base64
import hashlib
import hmac

from cryptography.fernet import Fernet, MultiFernet
from django.conf import settings
from django.utils.encoding import force_bytes


def derived(purpose: str, secret: str | bytes | None = None) -> bytes:
    """32 bytes that only this purpose gets from the secret."""
    key = force_bytes(settings.SECRET_KEY if secret is None else secret)
    return hashlib.sha256(purpose.encode() + b":" + key).digest()


def seal(purpose: str) -> MultiFernet:
    """Opens what any known secret sealed, seals with the newest."""
    secrets = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    return MultiFernet([Fernet(base64.urlsafe_b64encode(derived(purpose, it))) for it in secrets])


def keyed(purpose: str, *parts: object) -> bytes:
    """32 bytes that follow from the parts and cannot be guessed without the secret."""
    text = "\x1f".join(str(part) for part in parts)
    return hmac.new(derived(purpose), text.encode(), hashlib.sha256).digest()
