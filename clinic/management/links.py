"""The link of an invitation, told on the command line."""

from django.conf import settings
from django.core.management.base import BaseCommand
from django.urls import reverse

from clinic.services.invitations import VALID


def tell_link(command: BaseCommand, *, token: str, address: str) -> None:
    """Say the link; it is kept nowhere."""
    scheme = "https" if settings.HTTPS else "http"
    start = address or f"{scheme}://{settings.ALLOWED_HOSTS[0]}"
    link = start.rstrip("/") + reverse("invitation-open", args=[token])
    command.stdout.write(
        f"Open this link in a browser to choose the password. It opens once, within {VALID.days} "
        f"days, and is shown this once:\n\n{link}\n"
    )
