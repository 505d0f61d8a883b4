"""Letters, referral letters, handouts and slips, as written and as sent."""

from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import Q

from clinic.domain.vocabulary import PaperKind, PaperState, SendingManner
from clinic.fields import choices, values
from clinic.models.people import Client
from clinic.models.sites import SiteRow


class PaperQuerySet(models.QuerySet["Paper"]):
    def without_bytes(self) -> Self:
        return self.defer("pdf")

    def for_listing(self) -> Self:
        return self.without_bytes().select_related("signed_by").order_by("-created_at")


class Paper(SiteRow):
    """One version of one paper; it holds text and no key upwards, so it prints the same later."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="papers")
    kind = models.CharField(max_length=10, choices=choices(PaperKind))
    about = models.CharField(
        max_length=40, help_text="What it was written from, e.g. assessment-12."
    )
    title = models.CharField(max_length=120)
    dated = models.DateField()
    version = models.PositiveSmallIntegerField(default=1)
    replaces = models.OneToOneField("self", models.PROTECT, null=True, related_name="replaced_by")
    content = models.JSONField()
    edits = models.PositiveIntegerField(default=1, editable=False)
    state = models.CharField(
        max_length=8, choices=choices(PaperState), default=PaperState.DRAFT.value
    )
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    created_at = models.DateTimeField()
    signed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+"
    )
    signed_at = models.DateTimeField(null=True)
    pdf = models.BinaryField(null=True)
    sha256 = models.CharField(max_length=64, blank=True)
    objects = PaperQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "client", "kind", "about", "version"], name="paper_version"
            ),
            models.CheckConstraint(
                name="paper_signed_whole",
                condition=Q(
                    state=PaperState.DRAFT.value,
                    signed_at__isnull=True,
                    signed_by__isnull=True,
                    pdf__isnull=True,
                )
                | (
                    Q(
                        state=PaperState.SIGNED.value,
                        signed_at__isnull=False,
                        signed_by__isnull=False,
                        pdf__isnull=False,
                    )
                    & ~Q(sha256="")
                ),
            ),
            models.CheckConstraint(
                name="paper_kind_word", condition=Q(kind__in=values(PaperKind))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.title}, version {self.version}"

    @property
    def is_signed(self) -> bool:
        return self.state == PaperState.SIGNED.value


class Sending(SiteRow):
    """One copy of a signed paper that left the clinic."""

    paper = models.ForeignKey(Paper, models.PROTECT, related_name="sendings")
    recipient = models.CharField(max_length=200)
    manner = models.CharField(max_length=8, choices=choices(SendingManner))
    sent_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    sent_at = models.DateTimeField()

    class Meta:
        ordering = ["sent_at"]

    def __str__(self) -> str:
        return f"{self.recipient}, {self.sent_at:%d %b %Y}"
