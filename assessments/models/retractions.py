"""Assessments that do not count; they stay, and stay readable, with the reason beside them."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from assessments.domain.vocabulary import RetractionCause
from assessments.models.assessments import Assessment
from clinic.fields import values
from clinic.models import SiteRow


class Retraction(SiteRow):
    """One assessment taken out of what counts, for good; nothing of it is deleted.

    Source: HL7 EHR-S FM R2.1.1, RI.1.3.4 (a retracted entry stays reachable with authority).
    """

    assessment = models.OneToOneField(Assessment, models.PROTECT, related_name="retraction")
    cause = models.CharField(
        "why it does not count",
        max_length=12,
        choices=[
            (RetractionCause.WRONG_RECORD.value, "it is about another person"),
            (RetractionCause.MISTAKE.value, "it was opened by mistake"),
        ],
    )
    reason = models.TextField("what happened", max_length=1000)
    retracted_at = models.DateTimeField(editable=False)
    author = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", editable=False
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="retraction_cause_word", condition=Q(cause__in=values(RetractionCause))
            ),
            models.CheckConstraint(
                name="retraction_says_why",
                condition=~Q(reason=""),
                violation_error_message="Say what happened.",
            ),
        ]

    def __str__(self) -> str:
        return f"Retracted: {self.get_cause_display()}"
