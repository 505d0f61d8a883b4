"""What was done so that an appointment comes about: reminders, calendars that are read."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from clinic.domain.vocabulary import Channel, ReminderOutcome
from clinic.fields import choices, values
from clinic.models.diary import Reassessment
from clinic.models.people import Client
from clinic.models.sites import SiteRow


class Reminder(SiteRow):
    """One time that the clinic wrote or telephoned because a reassessment is due."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="reminders")
    reassessment = models.ForeignKey(Reassessment, models.PROTECT, related_name="reminders")
    channel = models.CharField(max_length=10, choices=choices(Channel))
    outcome = models.CharField(max_length=12, choices=choices(ReminderOutcome))
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")

    class Meta:
        ordering = ["made_at"]
        constraints = [
            models.CheckConstraint(
                name="reminder_outcome_fits",
                condition=Q(channel=Channel.EMAIL.value, outcome=ReminderOutcome.SENT.value)
                | Q(channel=Channel.LETTER.value, outcome=ReminderOutcome.PRINTED.value)
                | Q(
                    channel=Channel.TELEPHONE.value,
                    outcome__in=[
                        ReminderOutcome.REACHED.value,
                        ReminderOutcome.NOT_REACHED.value,
                    ],
                ),
            ),
            models.CheckConstraint(
                name="reminder_channel_word", condition=Q(channel__in=values(Channel))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_channel_display()}, {self.get_outcome_display()}"


class CalendarFeed(models.Model):
    """An address under which a calendar program reads one clinician's appointments.

    Only the hash of its secret part is kept.
    """

    staff = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="feeds")
    secret_sha256 = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["staff"], condition=Q(revoked_at__isnull=True), name="feed_one_open"
            )
        ]

    def __str__(self) -> str:
        return f"calendar of {self.staff_id}"
