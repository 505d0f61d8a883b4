"""Links by which a person chooses the password of an account that was opened for them."""

from datetime import datetime
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class InvitationQuerySet(models.QuerySet["Invitation"]):
    def standing(self, at: datetime) -> Self:
        """Those that still open: not used, not withdrawn, not too old."""
        return self.filter(used_at=None, withdrawn_at=None, expires_at__gt=at)


class Invitation(models.Model):
    """One link. Only the hash of its token is kept, so the table opens nothing."""

    staff = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="invitations")
    token_hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    objects = InvitationQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="invitation_used_or_withdrawn",
                condition=Q(used_at__isnull=True) | Q(withdrawn_at__isnull=True),
            ),
            models.CheckConstraint(
                name="invitation_used_in_time",
                condition=Q(used_at__isnull=True) | Q(used_at__lte=F("expires_at")),
            ),
        ]

    def __str__(self) -> str:
        return f"invitation of {self.made_at:%Y-%m-%d %H:%M}"
