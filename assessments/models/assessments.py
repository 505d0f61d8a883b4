"""One dated look at one client's running, and what was seen, tested and found."""

from datetime import date
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from assessments.domain.vocabulary import (
    AssessmentKind,
    Method,
    Severity,
    Shoes,
    Side,
    Surface,
)
from assessments.models.episodes import Episode
from assessments.models.histories import RunningHistory, Screening
from assessments.models.terms import Feature, FindingTerm, Score, Test
from clinic.fields import choices, values
from clinic.models import Client, Edition, SiteRow

SIDES = [Side.LEFT.value, Side.RIGHT.value, Side.NONE.value]
SIDE_CHOICES = [(side, side) for side in SIDES]
CAMERA_SIDES = [Side.LEFT.value, Side.RIGHT.value]


class AssessmentQuerySet(models.QuerySet["Assessment"]):
    def signed(self) -> Self:
        return self.filter(signed_at__isnull=False)

    def unsigned(self) -> Self:
        return self.filter(signed_at__isnull=True)

    def standing(self) -> Self:
        """Those that count: drafts and signed ones that nobody has retracted."""
        return self.filter(retraction__isnull=True)

    def before(self, day: date) -> Self:
        return self.filter(assessed_on__lt=day).order_by("-assessed_on", "-pk")

    def for_page(self) -> Self:
        return self.select_related(
            "client__site",
            "client__doctor",
            "clinician",
            "episode",
            "history",
            "screening",
            "retraction__author",
        )


class Assessment(SiteRow):
    """One look at one client's running; fixed once it is signed."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="assessments")
    episode = models.ForeignKey(Episode, models.PROTECT, related_name="assessments")
    clinician = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="assessments"
    )
    kind = models.CharField(max_length=12, choices=choices(AssessmentKind))
    assessed_on = models.DateField()
    edition = models.ForeignKey(Edition, models.PROTECT, related_name="+")
    history = models.ForeignKey(
        RunningHistory, models.PROTECT, null=True, blank=True, related_name="+"
    )
    history_confirmed_on = models.DateField(null=True, blank=True)
    screening = models.ForeignKey(
        Screening, models.PROTECT, null=True, blank=True, related_name="+"
    )
    words = models.TextField("in the client's words", blank=True)
    impression = models.TextField("clinician's reasoning", blank=True)
    response = models.TextField("response to the programme so far", blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)
    signed_at = models.DateTimeField(null=True, editable=False)
    signed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )
    objects = AssessmentQuerySet.as_manager()

    class Meta:
        ordering = ["-assessed_on", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="assessment_kind_word", condition=Q(kind__in=values(AssessmentKind))
            ),
            models.CheckConstraint(
                name="assessment_signed_whole",
                condition=Q(signed_at__isnull=True, signed_by__isnull=True)
                | Q(signed_at__isnull=False, signed_by__isnull=False),
            ),
            models.CheckConstraint(
                name="assessment_history_confirmed",
                condition=Q(history_confirmed_on__isnull=True) | Q(history__isnull=False),
                violation_error_message="There is no running history to confirm.",
            ),
            models.CheckConstraint(
                name="assessment_confirmed_by_its_day",
                condition=Q(history_confirmed_on__isnull=True)
                | Q(history_confirmed_on__gte=F("assessed_on")),
                violation_error_message="The history was confirmed before the assessment.",
            ),
        ]
        indexes = [models.Index(fields=["client", "-assessed_on"], name="assessment_latest")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.assessed_on:%d %b %Y}"

    @property
    def is_signed(self) -> bool:
        return self.signed_at is not None

    @property
    def is_retracted(self) -> bool:
        """Whether it was taken out of what counts."""
        return getattr(self, "retraction", None) is not None


class Trial(SiteRow):
    """One run at one speed, surface, shoe and camera setting."""

    assessment = models.ForeignKey(Assessment, models.PROTECT, related_name="trials")
    position = models.PositiveSmallIntegerField()
    surface = models.CharField(max_length=10, blank=True, choices=choices(Surface))
    speed_m_s = models.DecimalField(
        "speed (m/s)", max_digits=4, decimal_places=2, null=True, blank=True
    )
    incline_percent = models.DecimalField(
        "incline (%)", max_digits=4, decimal_places=1, null=True, blank=True
    )
    frame_rate_hz = models.DecimalField(
        "frames a second", max_digits=6, decimal_places=2, null=True, blank=True
    )
    steps_averaged = models.PositiveSmallIntegerField(null=True, blank=True)
    shoes = models.CharField(max_length=10, blank=True, choices=choices(Shoes))
    camera = models.CharField(
        "camera stood on the runner's",
        max_length=5,
        blank=True,
        choices=[(side, side) for side in CAMERA_SIDES],
        help_text="Side view only.",
    )
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "assessment", "position"], name="trial_position"
            ),
            # the limits of the assessment schema, which no table holds
            models.CheckConstraint(
                name="trial_speed",
                condition=Q(speed_m_s__isnull=True) | Q(speed_m_s__gte=1, speed_m_s__lte=7.5),
                violation_error_message="The speed lies between 1 and 7.5 m/s.",
            ),
            models.CheckConstraint(
                name="trial_incline",
                condition=Q(incline_percent__isnull=True)
                | Q(incline_percent__gte=-20, incline_percent__lte=20),
                violation_error_message="The incline lies between -20 and 20 %.",
            ),
            models.CheckConstraint(
                name="trial_frame_rate",
                condition=Q(frame_rate_hz__isnull=True)
                | Q(frame_rate_hz__gte=1, frame_rate_hz__lte=2000),
                violation_error_message="The frame rate lies between 1 and 2000 a second.",
            ),
            models.CheckConstraint(
                name="trial_steps",
                condition=Q(steps_averaged__isnull=True)
                | Q(steps_averaged__gte=1, steps_averaged__lte=1000),
                violation_error_message="Between 1 and 1000 steps are averaged.",
            ),
            models.CheckConstraint(
                name="trial_camera_side",
                condition=Q(camera__in=["", *CAMERA_SIDES]),
                violation_error_message="The camera stood on the left or the right.",
            ),
        ]

    def __str__(self) -> str:
        return f"trial {self.position}"

    @property
    def code(self) -> str:
        """Id of the trial in an assessment file."""
        return f"t{self.position}"


class Answer(SiteRow):
    """What every answer of an assessment knows about its saving."""

    version = models.PositiveIntegerField(default=1, editable=False)
    saved_at = models.DateTimeField()
    saved_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        abstract = True


class Observation(Answer):
    """One feature, one side, one trial: a grade, a value, a choice, or "not seen"."""

    assessment = models.ForeignKey(Assessment, models.PROTECT, related_name="observations")
    trial = models.ForeignKey(Trial, models.PROTECT, related_name="observations")
    feature = models.ForeignKey(Feature, models.PROTECT, related_name="+")
    side = models.CharField(max_length=5, choices=SIDE_CHOICES)
    not_seen = models.BooleanField(default=False)
    grade = models.PositiveSmallIntegerField(null=True, blank=True)
    value = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    choice = models.CharField(max_length=20, blank=True)
    method = models.CharField(max_length=18, blank=True, choices=choices(Method))
    # standard error of a value that was computed; a typed value has none
    sd = models.DecimalField(max_digits=9, decimal_places=4, null=True, blank=True, editable=False)

    # how many readings a computed value is the mean of
    steps = models.PositiveIntegerField(null=True, blank=True, editable=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "trial", "feature", "side"], name="observation_once"
            ),
            models.CheckConstraint(
                name="observation_grade",
                condition=Q(grade__isnull=True) | Q(grade__lte=3),
                violation_error_message="A grade is 0, 1, 2 or 3.",
            ),
            models.CheckConstraint(
                name="observation_not_seen_is_empty",
                condition=Q(not_seen=False) | Q(grade__isnull=True, value__isnull=True, choice=""),
                violation_error_message="What was not seen has no grade and no value.",
            ),
            models.CheckConstraint(name="observation_side_word", condition=Q(side__in=SIDES)),
            models.CheckConstraint(
                name="observation_method_word", condition=Q(method__in=["", *values(Method)])
            ),
            models.CheckConstraint(
                name="observation_sd_of_value",
                condition=Q(sd__isnull=True) | Q(sd__gte=0, value__isnull=False),
                violation_error_message="An error is 0 or more and belongs to a value.",
            ),
            models.CheckConstraint(
                name="observation_steps_of_value",
                condition=Q(steps__isnull=True) | Q(steps__gte=1, value__isnull=False),
                violation_error_message="A mean is of one reading or more.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.feature_id} {self.side}"


class TestResult(Answer):
    """One strength or mobility test on one side."""

    __test__ = False  # the name begins like a test case

    assessment = models.ForeignKey(Assessment, models.PROTECT, related_name="tests")
    test = models.ForeignKey(Test, models.PROTECT, related_name="+")
    side = models.CharField(max_length=5, choices=SIDE_CHOICES)
    value = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    choice = models.CharField(max_length=20, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "assessment", "test", "side"], name="test_result_once"
            ),
            models.CheckConstraint(name="test_result_side_word", condition=Q(side__in=SIDES)),
        ]

    def __str__(self) -> str:
        return f"{self.test_id} {self.side}"


class ScoreValue(Answer):
    """One outcome measure on the day of the assessment."""

    assessment = models.ForeignKey(Assessment, models.PROTECT, related_name="scores")
    score = models.ForeignKey(Score, models.PROTECT, related_name="+")
    value = models.DecimalField(max_digits=9, decimal_places=3, null=True, blank=True)
    choice = models.CharField(max_length=20, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "assessment", "score"], name="score_once")
        ]

    def __str__(self) -> str:
        return self.score_id


class Finding(SiteRow):
    """What the observations amounted to when the assessment was signed, with its reasons."""

    assessment = models.ForeignKey(Assessment, models.PROTECT, related_name="findings")
    finding = models.ForeignKey(FindingTerm, models.PROTECT, related_name="+")
    side = models.CharField(max_length=5, choices=choices(Side))
    severity = models.CharField(max_length=10, choices=choices(Severity))
    because = models.JSONField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "assessment", "finding"], name="finding_once"),
            models.CheckConstraint(name="finding_side_word", condition=Q(side__in=values(Side))),
            models.CheckConstraint(
                name="finding_severity_word", condition=Q(severity__in=values(Severity))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.finding_id} {self.side} {self.severity}"
