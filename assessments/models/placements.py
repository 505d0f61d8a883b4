"""What people placed on the film of a trial: landmarks and events, every version kept."""

from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import Q

from assessments.domain.camera import View
from assessments.models.assessments import Assessment, Trial
from clinic.fields import choices, values
from clinic.models import SiteRow


class PlacementQuerySet(models.QuerySet["Placement"]):
    def newest(self, trial: Trial, view: str) -> "Placement | None":
        return self.filter(trial=trial, view=view).order_by("-version").first()

    def for_versions(self, trial: Trial, view: str) -> Self:
        return self.filter(trial=trial, view=view).select_related("saved_by").order_by("-version")


class Placement(SiteRow):
    """One version of the landmarks and events of one view of one trial; never changed.

    content: JSON by fixtures/measurement.schema.json, as text so that its bytes stay; moments:
    [frame, side or null, moment] for each frame whose instant somebody named.
    """

    assessment = models.ForeignKey(Assessment, models.PROTECT, related_name="placements")
    trial = models.ForeignKey(Trial, models.PROTECT, related_name="placements")
    view = models.CharField(max_length=5, choices=choices(View))
    version = models.PositiveIntegerField(editable=False)
    content = models.TextField()
    moments = models.JSONField(default=list, blank=True)
    sha256 = models.CharField(max_length=64)
    saved_at = models.DateTimeField()
    saved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    objects = PlacementQuerySet.as_manager()

    class Meta:
        ordering = ["trial", "view", "-version"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "trial", "view", "version"], name="placement_version_once"
            ),
            models.CheckConstraint(name="placement_view_word", condition=Q(view__in=values(View))),
        ]

    def __str__(self) -> str:
        return f"{self.trial_id} {self.view} {self.version}"
