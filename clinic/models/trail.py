"""The append-only list of who did what."""

from django.conf import settings
from django.db import models

from clinic.domain.vocabulary import TrailAction
from clinic.fields import choices
from clinic.models.people import Client
from clinic.models.sites import Site


class TrailEntry(models.Model):
    """One act. It names fields and codes, never free clinical text."""

    site = models.ForeignKey(Site, models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField()
    actor = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+"
    )
    actor_name = models.CharField(max_length=160)
    role = models.CharField(max_length=40, blank=True)
    action = models.CharField(max_length=10, choices=choices(TrailAction))
    client = models.ForeignKey(Client, models.PROTECT, null=True, related_name="trail")
    object_kind = models.CharField(max_length=30)
    object_key = models.CharField(max_length=30, blank=True)
    object_version = models.PositiveIntegerField(null=True)
    origin = models.CharField(max_length=60, blank=True)
    detail = models.JSONField(default=dict)

    class Meta:
        verbose_name_plural = "trail entries"
        indexes = [
            models.Index(fields=["client", "-at"], name="trail_client"),
            models.Index(fields=["site", "-at"], name="trail_site"),
        ]

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.actor_name} {self.action} {self.object_kind}"
