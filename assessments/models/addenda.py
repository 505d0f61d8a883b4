"""What is added to a signed assessment; the signed rows stay as they are."""

from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import Q

from assessments.domain.vocabulary import AddendumKind
from assessments.models.assessments import Assessment
from clinic.fields import choices, values
from clinic.models import SiteRow


class AddendumQuerySet(models.QuerySet["Addendum"]):
    def for_page(self) -> Self:
        return self.select_related("author")


class Addendum(SiteRow):
    """One addition to a signed assessment, signed as it is entered and never changed."""

    assessment = models.ForeignKey(Assessment, models.PROTECT, related_name="addenda")
    number = models.PositiveSmallIntegerField(editable=False)
    kind = models.CharField(max_length=10, choices=choices(AddendumKind))
    # a section, or a measure such as o.cadence.none; empty for the whole
    about = models.CharField(max_length=80, blank=True)
    reason = models.TextField()
    text = models.TextField()
    acted_on = models.DateField("date of what you enter")
    entered_at = models.DateTimeField(editable=False)
    author = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", editable=False
    )
    # corrected answers: key, trial, was, now; was and now hold numbers and codes by field
    changes = models.JSONField(default=list, blank=True, editable=False)
    objects = AddendumQuerySet.as_manager()

    class Meta:
        ordering = ["number"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "assessment", "number"], name="addendum_number_once"
            ),
            models.CheckConstraint(
                name="addendum_kind_word", condition=Q(kind__in=values(AddendumKind))
            ),
            models.CheckConstraint(
                name="addendum_says_why",
                condition=~Q(reason="") & ~Q(text=""),
                violation_error_message="An addendum says what is added and why.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.number}"

    @property
    def version(self) -> int:
        """Version of the assessment that this addendum makes; version 1 is as signed."""
        return self.number + 1
