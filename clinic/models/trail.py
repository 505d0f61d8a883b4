"""The append-only list of who did what."""

from django.conf import settings
from django.db import models
from django.db.models import Q

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
    chain = models.PositiveBigIntegerField(help_text="The site, or 0 where there is none.")
    number = models.PositiveBigIntegerField(help_text="Position in the chain, from 1.")
    prev_hash = models.CharField(max_length=64)
    hash = models.CharField(max_length=64)
    act = models.UUIDField(null=True, help_text="The id that the browser gave to its request.")

    class Meta:
        verbose_name_plural = "trail entries"
        indexes = [
            models.Index(fields=["client", "-at"], name="trail_client"),
            models.Index(fields=["site", "-at"], name="trail_site"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["chain", "number"], name="trail_number"),
            # of one person: another's id is no way to make their line fail
            models.UniqueConstraint(
                fields=["actor", "act"], condition=Q(act__isnull=False), name="trail_act_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.actor_name} {self.action} {self.object_kind}"


class TrailHead(models.Model):
    """The newest line of one chain; where it is ahead of the lines, the end was cut."""

    chain = models.PositiveBigIntegerField(primary_key=True)
    number = models.PositiveBigIntegerField()
    hash = models.CharField(max_length=64)

    def __str__(self) -> str:
        return f"chain {self.chain}, line {self.number}"
