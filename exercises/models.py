"""Tables of what is prescribed: programme, items, advice."""

from datetime import date
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from assessments.domain.vocabulary import Side, Stage
from assessments.models import Assessment
from assessments.models.terms import Term
from clinic.fields import choices, values
from clinic.models import SiteRow
from exercises.domain.decisions import Decision


class Exercise(Term):
    """A code of the library; what it says is read from the edition."""


class ProgrammeQuerySet(models.QuerySet["Programme"]):
    def for_page(self) -> Self:
        return self.select_related(
            "assessment__client__site",
            "assessment__client__doctor",
            "assessment__clinician",
            "assessment__episode",
            "assessment__history",
            "assessment__screening",
        )


class Programme(SiteRow):
    """The exercises decided for a client; fixed once it is issued.

    `proposal` is what the system showed when the clinician decided, so that each suggestion and
    what became of it stay in the record.
    """

    assessment = models.OneToOneField(Assessment, models.PROTECT, related_name="programme")
    proposal = models.JSONField()
    minutes_a_day = models.DecimalField(max_digits=5, decimal_places=1, default=0)
    review_on = models.DateField()
    cadence_measured = models.DecimalField(max_digits=5, decimal_places=1, null=True, blank=True)
    cadence_first_target = models.PositiveSmallIntegerField(null=True, blank=True)
    cadence_second_target = models.PositiveSmallIntegerField(null=True, blank=True)
    cadence_second_from_week = models.PositiveSmallIntegerField(null=True, blank=True)
    agreed = models.CharField(
        "agreed with the client",
        max_length=3,
        blank=True,
        choices=[("yes", "yes"), ("no", "no")],
    )
    version = models.PositiveIntegerField(default=1, editable=False)
    issued_at = models.DateTimeField(null=True, editable=False)
    issued_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )
    objects = ProgrammeQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="programme_issued_whole",
                condition=Q(issued_at__isnull=True, issued_by__isnull=True)
                | Q(issued_at__isnull=False, issued_by__isnull=False),
            ),
            models.CheckConstraint(
                name="programme_cadence_rises",
                condition=Q(cadence_first_target__isnull=True)
                | (
                    Q(cadence_measured__isnull=False)
                    & Q(cadence_first_target__gt=F("cadence_measured"))
                    & Q(cadence_second_target__gte=F("cadence_first_target"))
                ),
                violation_error_message="The cadence targets rise from what was measured.",
            ),
            models.CheckConstraint(
                name="programme_agreed_word", condition=Q(agreed__in=["", "yes", "no"])
            ),
        ]

    def __str__(self) -> str:
        return f"programme of assessment {self.assessment_id}"

    @property
    def is_issued(self) -> bool:
        return self.issued_at is not None


class ProgrammeItem(SiteRow):
    """One exercise with its dose, who decided it and why."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="items")
    exercise = models.ForeignKey(Exercise, models.PROTECT, related_name="+")
    position = models.PositiveSmallIntegerField()
    stage = models.CharField(max_length=5, choices=choices(Stage))
    side = models.CharField(max_length=5, choices=choices(Side), default=Side.NONE.value)
    priority = models.PositiveSmallIntegerField(null=True, blank=True)
    sets = models.PositiveSmallIntegerField(null=True, blank=True)
    reps = models.PositiveSmallIntegerField(null=True, blank=True)
    hold_s = models.PositiveSmallIntegerField("hold (s)", null=True, blank=True)
    duration_min = models.DecimalField(
        "minutes", max_digits=4, decimal_places=1, null=True, blank=True
    )
    per_side = models.BooleanField("each side", default=False)
    tempo_s_per_rep = models.DecimalField(
        "seconds a repetition", max_digits=5, decimal_places=1, null=True, blank=True
    )
    rest_s = models.PositiveSmallIntegerField("rest (s)", null=True, blank=True)
    sessions_per_week = models.DecimalField(
        "sessions a week", max_digits=4, decimal_places=1, null=True, blank=True
    )
    weeks = models.PositiveSmallIntegerField(null=True, blank=True)
    pain_ceiling = models.PositiveSmallIntegerField(null=True, blank=True)
    order_note = models.CharField(max_length=200, blank=True)
    missing_kit = models.JSONField(default=list, blank=True)
    because = models.JSONField(default=list, blank=True)
    decision = models.CharField(
        max_length=10, choices=choices(Decision), default=Decision.PROPOSED.value
    )
    reason = models.CharField("why changed or declined", max_length=200, blank=True)
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    tick_needed = models.BooleanField(default=False)
    ticked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    ticked_on = models.DateField(null=True, blank=True)
    shown_and_tried = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "programme", "exercise"],
                name="programme_item_once",
                violation_error_message="This exercise is in the programme already.",
            ),
            models.CheckConstraint(
                name="programme_item_declined_with_reason",
                condition=~Q(decision=Decision.DECLINED.value) | ~Q(reason=""),
                violation_error_message="Say why the exercise is declined.",
            ),
            models.CheckConstraint(
                name="programme_item_decided_named",
                condition=Q(decision=Decision.PROPOSED.value)
                | Q(decided_by__isnull=False, decided_at__isnull=False),
            ),
            models.CheckConstraint(
                name="programme_item_ticked_named",
                condition=Q(ticked_by__isnull=True, ticked_on__isnull=True)
                | Q(ticked_by__isnull=False, ticked_on__isnull=False),
            ),
            models.CheckConstraint(
                name="programme_item_pain",
                condition=Q(pain_ceiling__isnull=True) | Q(pain_ceiling__lte=10),
                violation_error_message="The pain ceiling lies between 0 and 10.",
            ),
            models.CheckConstraint(
                name="programme_item_dose_given",
                condition=Q(sets__gte=1) | Q(duration_min__gt=0),
                violation_error_message="Give sets, or minutes.",
            ),
            models.CheckConstraint(
                name="programme_item_stage_word", condition=Q(stage__in=values(Stage))
            ),
            models.CheckConstraint(
                name="programme_item_decision_word", condition=Q(decision__in=values(Decision))
            ),
        ]

    def __str__(self) -> str:
        return self.exercise_id


class Advice(SiteRow):
    """What the client was told beside the exercises, and whether it was understood."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="advice")
    text = models.CharField(max_length=300)
    given_on = models.DateField(default=date.today)
    understood = models.BooleanField(default=False)

    class Meta:
        ordering = ["pk"]
        verbose_name_plural = "advice"

    def __str__(self) -> str:
        return self.text
