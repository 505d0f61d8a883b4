"""Running history and screening: dated answers, one row an answer."""

from datetime import date
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from assessments.models.terms import Fact, Flag
from clinic.models import Client, SiteRow


class RunningHistory(SiteRow):
    """One dated snapshot. Dates are kept; weeks and months are counted when they are needed."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="histories")
    taken_on = models.DateField()
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    injured_on = models.DateField(
        "last running injury, about when",
        null=True,
        blank=True,
        help_text="The day, or the first of the month, on which it stopped usual running.",
    )
    gave_birth_on = models.DateField("gave birth on", null=True, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["-taken_on", "-pk"]
        verbose_name_plural = "running histories"
        constraints = [
            models.CheckConstraint(
                name="history_injured_before",
                condition=Q(injured_on__isnull=True) | Q(injured_on__lte=F("taken_on")),
                violation_error_message="The injury lies after the day of the history.",
            ),
            models.CheckConstraint(
                name="history_birth_before",
                condition=Q(gave_birth_on__isnull=True) | Q(gave_birth_on__lte=F("taken_on")),
                violation_error_message="The birth lies after the day of the history.",
            ),
        ]

    def __str__(self) -> str:
        return f"running history of {self.taken_on:%d %b %Y}"


class HistoryAnswer(SiteRow):
    """One fact: a number, a choice, or a list of things."""

    history = models.ForeignKey(RunningHistory, models.PROTECT, related_name="answers")
    fact = models.ForeignKey(Fact, models.PROTECT, related_name="+")
    value = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    choice = models.CharField(max_length=24, blank=True)
    items = models.JSONField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "history", "fact"], name="history_answer_once")
        ]

    def __str__(self) -> str:
        return self.fact_id


class ScreeningQuerySet(models.QuerySet["Screening"]):
    def newest_first(self) -> Self:
        return self.order_by("-screened_on", "-pk")

    def on_or_before(self, day: date) -> Self:
        return self.filter(screened_on__lte=day).newest_first()


class Screening(SiteRow):
    """One round of the screening questions; a lift belongs to the round it was made in."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="screenings")
    screened_on = models.DateField()
    screened_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    version = models.PositiveIntegerField(default=1, editable=False)
    objects = ScreeningQuerySet.as_manager()

    class Meta:
        ordering = ["-screened_on", "-pk"]

    def __str__(self) -> str:
        return f"screening of {self.screened_on:%d %b %Y}"


class ScreeningAnswer(SiteRow):
    screening = models.ForeignKey(Screening, models.PROTECT, related_name="answers")
    flag = models.ForeignKey(Flag, models.PROTECT, related_name="+")
    answer = models.CharField(
        max_length=9, choices=[("yes", "yes"), ("no", "no"), ("not_asked", "not asked")]
    )
    lifted_on = models.DateField(null=True, blank=True)
    lifted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    reason = models.CharField(max_length=300, blank=True)
    keeps = models.CharField(
        max_length=10,
        blank=True,
        choices=[("nothing", "nothing: lifted whole"), ("no_impact", "no impact: lifted in part")],
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "screening", "flag"], name="screening_answer_once"
            ),
            models.CheckConstraint(
                name="screening_answer_word", condition=Q(answer__in=["yes", "no", "not_asked"])
            ),
            models.CheckConstraint(
                name="screening_lift_whole",
                condition=Q(lifted_on__isnull=True, lifted_by__isnull=True, reason="", keeps="")
                | (
                    Q(
                        answer="yes",
                        lifted_on__isnull=False,
                        lifted_by__isnull=False,
                        keeps__in=["nothing", "no_impact"],
                    )
                    & ~Q(reason="")
                ),
                violation_error_message=(
                    "A lift needs the answer yes, its date, the clinician and the reason."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.flag_id} {self.answer}"
