"""Rooms, hours, appointments and the reassessments that are due."""

import calendar
from datetime import date, datetime
from typing import Self
from uuid import uuid4
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from clinic.domain.lateness import latest_in_time, notice_words
from clinic.domain.vocabulary import AppointmentState, ReassessmentState
from clinic.fields import choices, values
from clinic.models.people import Client
from clinic.models.sites import SiteRow


class Room(SiteRow):
    name = models.CharField(max_length=40)
    has_treadmill = models.BooleanField(default=False)

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint(fields=["site", "name"], name="room_name")]

    def __str__(self) -> str:
        return self.name


class AppointmentKind(SiteRow):
    """First assessment, reassessment and so on, with what it needs."""

    code = models.SlugField(max_length=20)
    name = models.CharField(max_length=40)
    minutes = models.PositiveSmallIntegerField()
    clear_minutes = models.PositiveSmallIntegerField(
        "minutes to clear the room", default=0, help_text="Nobody else is booked in them."
    )
    needs_treadmill = models.BooleanField(default=False)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["site", "code"], name="appointment_kind_code"),
            models.CheckConstraint(
                name="appointment_kind_length",
                condition=Q(minutes__gte=5, minutes__lte=240),
                violation_error_message="An appointment lasts 5 to 240 minutes.",
            ),
            models.CheckConstraint(
                name="appointment_kind_clearing",
                condition=Q(clear_minutes__lte=60),
                violation_error_message="Clearing the room takes at most 60 minutes.",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class OpeningHours(SiteRow):
    """When one clinician can be booked on a weekday; local time of the site."""

    clinician = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="hours")
    weekday = models.PositiveSmallIntegerField(choices=list(enumerate(calendar.day_name)))
    opens = models.TimeField()
    closes = models.TimeField()

    class Meta:
        ordering = ["weekday", "opens"]
        verbose_name_plural = "opening hours"
        constraints = [
            models.UniqueConstraint(
                fields=["site", "clinician", "weekday", "opens"], name="opening_hours_once"
            ),
            models.CheckConstraint(name="opening_hours_weekday", condition=Q(weekday__lte=6)),
            models.CheckConstraint(
                name="opening_hours_order",
                condition=Q(closes__gt=F("opens")),
                violation_error_message="Closing comes after opening.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_weekday_display()} {self.opens:%H:%M} to {self.closes:%H:%M}"


class AppointmentQuerySet(models.QuerySet["Appointment"]):
    def standing(self) -> Self:
        """Appointments that take up time."""
        return self.exclude(state=AppointmentState.CANCELLED.value)

    def on_day(self, day: date) -> Self:
        return self.filter(local_date=day)

    def for_listing(self) -> Self:
        return self.select_related("client", "clinician", "room", "kind").order_by(
            "starts_at", "clinician"
        )


class Appointment(SiteRow):
    """One time of one clinician in one room.

    Local date, time and zone are what was agreed; the instants follow from them and carry the
    guards against double booking (a migration, one for each engine). Clinician and room are taken
    until clear_at.
    """

    client = models.ForeignKey(Client, models.PROTECT, related_name="appointments")
    clinician = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="appointments"
    )
    room = models.ForeignKey(Room, models.PROTECT, related_name="appointments")
    kind = models.ForeignKey(AppointmentKind, models.PROTECT, related_name="+")
    local_date = models.DateField("day")
    local_time = models.TimeField("time")
    time_zone = models.CharField(max_length=40)
    second_time = models.BooleanField(
        default=False, help_text="Of a time that the clocks show twice: the second."
    )
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    clear_at = models.DateTimeField()
    state = models.CharField(
        max_length=10, choices=choices(AppointmentState), default=AppointmentState.BOOKED.value
    )
    reason = models.CharField("why cancelled or missed", max_length=160, blank=True)
    booked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    booked_at = models.DateTimeField()
    changed_at = models.DateTimeField()
    sequence = models.PositiveIntegerField(default=0)
    arrived_at = models.DateTimeField(null=True, blank=True, editable=False)
    cancelled_at = models.DateTimeField(null=True, blank=True, editable=False)
    uid = models.CharField(
        max_length=255,
        default=uuid4,  # random: RFC 7986, 5.3
        editable=False,
        help_text="In calendar files, for good; an imported appointment keeps its own.",
    )
    objects = AppointmentQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="appointment_ends_after_start",
                condition=Q(ends_at__gt=F("starts_at")),
                violation_error_message="The appointment ends before it starts.",
            ),
            models.CheckConstraint(
                name="appointment_clear_after_end", condition=Q(clear_at__gte=F("ends_at"))
            ),
            models.CheckConstraint(
                name="appointment_reason_fits",
                condition=Q(reason="")
                | Q(state__in=[AppointmentState.CANCELLED.value, AppointmentState.MISSED.value]),
                violation_error_message="A reason goes with a cancelled or missed appointment.",
            ),
            models.CheckConstraint(
                name="appointment_state_word", condition=Q(state__in=values(AppointmentState))
            ),
            models.CheckConstraint(
                name="appointment_arrived_has_time",
                condition=~Q(state=AppointmentState.ARRIVED.value) | Q(arrived_at__isnull=False),
            ),
            models.CheckConstraint(
                name="appointment_cancelled_has_time",
                condition=Q(state=AppointmentState.CANCELLED.value, cancelled_at__isnull=False)
                | (~Q(state=AppointmentState.CANCELLED.value) & Q(cancelled_at__isnull=True)),
            ),
            models.UniqueConstraint(fields=["site", "uid"], name="appointment_uid"),
        ]
        indexes = [models.Index(fields=["site", "local_date"], name="appointment_day")]

    def __str__(self) -> str:
        return f"{self.local_date:%d %b %Y} {self.local_time:%H:%M}"

    def on_its_clock(self, at: datetime) -> datetime:
        """An instant on the clock of the appointment, without a zone.

        A template shows an instant that has a zone on the clock of the machine.
        """
        return at.astimezone(ZoneInfo(self.time_zone)).replace(tzinfo=None)

    @property
    def booked_local(self) -> datetime:
        return self.on_its_clock(self.booked_at)

    @property
    def arrived_local(self) -> datetime | None:
        return self.on_its_clock(self.arrived_at) if self.arrived_at else None

    @property
    def cancelled_local(self) -> datetime | None:
        return self.on_its_clock(self.cancelled_at) if self.cancelled_at else None

    @property
    def notice(self) -> str:
        """How long before the start it was cancelled, in words; empty if it was not."""
        return notice_words(self.cancelled_at, self.starts_at) if self.cancelled_at else ""

    @property
    def is_cancelled_late(self) -> bool:
        return self.cancelled_at is not None and self.is_late_at(self.cancelled_at)

    def is_late_at(self, at: datetime) -> bool:
        """Whether cancelling it at that instant is late."""
        zone = ZoneInfo(self.time_zone)
        return at > latest_in_time(self.local_date, self.local_time, zone)


class ReassessmentQuerySet(models.QuerySet["Reassessment"]):
    def waiting(self) -> Self:
        """Open ones: not booked, declined, lost or done."""
        return self.filter(state=ReassessmentState.OPEN.value)

    def for_listing(self) -> Self:
        return self.select_related("client", "clinician").order_by("due_on", "client")


class Reassessment(SiteRow):
    """A client's next look, from the programme's review date until it is booked and done."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="reassessments")
    clinician = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    due_on = models.DateField()
    state = models.CharField(
        max_length=10, choices=choices(ReassessmentState), default=ReassessmentState.OPEN.value
    )
    appointment = models.ForeignKey(
        Appointment, models.PROTECT, null=True, blank=True, related_name="reassessments"
    )
    reason = models.CharField("why declined or lost", max_length=160, blank=True)
    opened_on = models.DateField()
    objects = ReassessmentQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "client"],
                condition=Q(
                    state__in=[ReassessmentState.OPEN.value, ReassessmentState.BOOKED.value]
                ),
                name="reassessment_one_open",
                violation_error_message="This client has a reassessment open already.",
            ),
            models.CheckConstraint(
                name="reassessment_booked_has_time",
                condition=~Q(state=ReassessmentState.BOOKED.value) | Q(appointment__isnull=False),
            ),
            models.CheckConstraint(
                name="reassessment_due_after_opened",
                condition=Q(due_on__gte=F("opened_on")),
                violation_error_message="The reassessment is due before it was decided.",
            ),
            models.CheckConstraint(
                name="reassessment_state_word", condition=Q(state__in=values(ReassessmentState))
            ),
        ]

    def __str__(self) -> str:
        return f"due {self.due_on:%d %b %Y}"
