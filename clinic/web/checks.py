"""What a production start is refused for (`check --deploy`)."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, register
from django.core.checks import Warning as Advice


@register(Tags.security, deploy=True)
def secret_key_is_given(app_configs: Any, **_: Any) -> list[CheckMessage]:
    """A key that was made on this machine is lost with its folder, and every session with it."""
    if settings.SECRET_KEY_GIVEN:
        return []
    return [
        Error(
            "The secret key was made by the system.",
            hint="Set CLINIC_SECRET_KEY, or CLINIC_SECRET_KEY_FILE, to a key that you keep.",
            id="clinic.E010",
        )
    ]


@register(Tags.security, deploy=True)
def demo_is_off(app_configs: Any, **_: Any) -> list[CheckMessage]:
    """The demo's accounts are printed for everybody."""
    if not settings.DEMO:
        return []
    return [Error("CLINIC_DEMO is on.", hint="Unset CLINIC_DEMO.", id="clinic.E011")]


@register(Tags.security, deploy=True)
def second_factor_is_asked(app_configs: Any, **_: Any) -> list[CheckMessage]:
    """A password alone opens everything."""
    if settings.SECOND_FACTOR:
        return []
    return [
        Advice(
            "No second factor is asked for.",
            hint="Unset CLINIC_SECOND_FACTOR, unless the clinic has decided otherwise in writing.",
            id="clinic.W012",
        )
    ]
