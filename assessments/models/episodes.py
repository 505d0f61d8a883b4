"""One complaint or goal, from opening to discharge."""

from datetime import date
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from clinic.models import Client, Referrer, SiteRow


class EpisodeQuerySet(models.QuerySet["Episode"]):
    def open(self) -> Self:
        return self.filter(discharged_on__isnull=True)


class Episode(SiteRow):
    """Why the client comes. Complaint and goal use the codes of the history table."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="episodes")
    reason = models.CharField("why they come, in their words", max_length=300)
    complaint_present = models.CharField(
        "complaint", max_length=3, blank=True, choices=[("yes", "yes"), ("no", "no")]
    )
    complaint_region = models.CharField("region", max_length=24, blank=True)
    complaint_side = models.CharField(
        "side",
        max_length=5,
        blank=True,
        choices=[("left", "left"), ("right", "right"), ("both", "both")],
    )
    goal = models.CharField("main goal", max_length=24, blank=True)
    onset_on = models.DateField("began on", null=True, blank=True)
    mechanism = models.CharField("how it began", max_length=200, blank=True)
    aggravating = models.CharField("what makes it worse", max_length=200, blank=True)
    easing = models.CharField("what eases it", max_length=200, blank=True)
    referrer = models.ForeignKey(
        Referrer, models.PROTECT, null=True, blank=True, related_name="episodes"
    )
    clinician = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    opened_on = models.DateField()
    discharged_on = models.DateField(null=True, blank=True)
    discharge_reason = models.CharField(max_length=200, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)
    objects = EpisodeQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_on", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="episode_complaint_yes_no",
                condition=Q(complaint_present__in=["", "yes", "no"]),
            ),
            models.CheckConstraint(
                name="episode_no_complaint_no_place",
                condition=~Q(complaint_present="no") | Q(complaint_region="", complaint_side=""),
                violation_error_message="Without a complaint there is no region and no side.",
            ),
            models.CheckConstraint(
                name="episode_side_word",
                condition=Q(complaint_side__in=["", "left", "right", "both"]),
            ),
            models.CheckConstraint(
                name="episode_onset_before_opened",
                condition=Q(onset_on__isnull=True) | Q(onset_on__lte=F("opened_on")),
                violation_error_message="The complaint began after the episode was opened.",
            ),
            models.CheckConstraint(
                name="episode_discharged_after_opened",
                condition=Q(discharged_on__isnull=True) | Q(discharged_on__gte=F("opened_on")),
                violation_error_message="The discharge lies before the opening.",
            ),
        ]

    def __str__(self) -> str:
        return self.reason


class Goal(SiteRow):
    """What the client wants to do, and by when."""

    episode = models.ForeignKey(Episode, models.PROTECT, related_name="goals")
    text = models.CharField(max_length=160)
    by = models.DateField("by (event or date)", null=True, blank=True)
    set_on = models.DateField(default=date.today, editable=False)
    reached_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["by", "pk"]
        constraints = [
            models.CheckConstraint(
                name="goal_by_after_set",
                condition=Q(by__isnull=True) | Q(by__gte=F("set_on")),
                violation_error_message="The date of the goal lies before the day it was set.",
            )
        ]

    def __str__(self) -> str:
        return self.text
