"""What changes the diary for a while: other hours, times kept for a caller, the waiting list."""

import calendar
from datetime import datetime
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from clinic.domain.opening import ChangeKind
from clinic.domain.vocabulary import WaitingState
from clinic.fields import choices, values
from clinic.models.diary import AppointmentKind, Room
from clinic.models.people import Client
from clinic.models.sites import SiteRow

# a comparison with nothing is neither true nor false, and a constraint lets that pass
BOTH_TIMES = Q(opens__isnull=True, closes__isnull=True) | Q(
    opens__isnull=False, closes__isnull=False, closes__gt=F("opens")
)


class HoursChange(SiteRow):
    """Other hours than usual: leave, a closed day, an extra morning."""

    clinician = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="hours_changes",
        help_text="Empty: the whole site.",
    )
    kind = models.CharField(max_length=6, choices=choices(ChangeKind))
    first_day = models.DateField("from")
    last_day = models.DateField("to, this day included")
    opens = models.TimeField("from", null=True, blank=True, help_text="Empty: the whole day.")
    closes = models.TimeField("until", null=True, blank=True)
    why = models.CharField(max_length=60, blank=True, help_text="Everybody reads it.")

    class Meta:
        ordering = ["first_day", "clinician", "opens"]
        constraints = [
            models.CheckConstraint(
                name="hours_change_days",
                condition=Q(last_day__gte=F("first_day")),
                violation_error_message="The last day lies before the first.",
            ),
            models.CheckConstraint(
                name="hours_change_times",
                condition=BOTH_TIMES,
                violation_error_message="Give both times, the later one second, or neither.",
            ),
            models.CheckConstraint(
                name="hours_change_open_has_times",
                condition=~Q(kind=ChangeKind.OPEN.value) | Q(opens__isnull=False),
                violation_error_message="Say from when until when it is open.",
            ),
            models.CheckConstraint(
                name="hours_change_word", condition=Q(kind__in=values(ChangeKind))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.first_day:%d %b %Y} to {self.last_day:%d %b %Y}"


class KeptTimeQuerySet(models.QuerySet["KeptTime"]):
    def at(self, now: datetime) -> Self:
        """Those that still stand."""
        return self.filter(kept_until__gt=now)


class KeptTime(SiteRow):
    """A free time that nobody else is offered for some minutes, while the caller decides."""

    client = models.ForeignKey(Client, models.CASCADE, related_name="kept_times")
    clinician = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    room = models.ForeignKey(Room, models.PROTECT, related_name="+")
    kind = models.ForeignKey(AppointmentKind, models.PROTECT, related_name="+")
    starts_at = models.DateTimeField()
    clear_at = models.DateTimeField()
    kept_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    kept_until = models.DateTimeField()
    objects = KeptTimeQuerySet.as_manager()

    class Meta:
        ordering = ["starts_at"]
        constraints = [
            models.CheckConstraint(
                name="kept_time_order", condition=Q(clear_at__gt=F("starts_at"))
            ),
            # one person keeps one time for one client: the next one lets the first go
            models.UniqueConstraint(fields=["site", "client", "kept_by"], name="kept_time_once"),
        ]

    def __str__(self) -> str:
        return f"kept until {self.kept_until:%H:%M}"


class WaitingEntryQuerySet(models.QuerySet["WaitingEntry"]):
    def waiting(self) -> Self:
        return self.filter(state=WaitingState.WAITING.value)

    def for_listing(self) -> Self:
        return self.select_related("client", "kind", "clinician").order_by("since", "pk")


class WaitingEntry(SiteRow):
    """A client who wants an earlier time than the one that could be found."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="waiting_entries")
    kind = models.ForeignKey(AppointmentKind, models.PROTECT, related_name="+")
    clinician = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    earliest = models.DateField("not before", null=True, blank=True)
    latest = models.DateField("not after", null=True, blank=True)
    weekdays = models.CharField(max_length=7, blank=True, help_text="Digits, 0 is Monday.")
    opens = models.TimeField("from", null=True, blank=True)
    closes = models.TimeField("until", null=True, blank=True)
    since = models.DateTimeField()
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    state = models.CharField(
        max_length=8, choices=choices(WaitingState), default=WaitingState.WAITING.value
    )
    objects = WaitingEntryQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "waiting entries"
        constraints = [
            models.UniqueConstraint(
                fields=["site", "client", "kind"],
                condition=Q(state=WaitingState.WAITING.value),
                name="waiting_once",
                violation_error_message="This client waits for that already.",
            ),
            models.CheckConstraint(
                name="waiting_days",
                condition=Q(earliest__isnull=True)
                | Q(latest__isnull=True)
                | Q(latest__gte=F("earliest")),
                violation_error_message="The last day lies before the first.",
            ),
            models.CheckConstraint(
                name="waiting_times",
                condition=BOTH_TIMES,
                violation_error_message="Give both times, the later one second, or neither.",
            ),
            models.CheckConstraint(
                name="waiting_state_word", condition=Q(state__in=values(WaitingState))
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} since {self.since:%d %b %Y}"

    @property
    def wishes(self) -> str:
        """Days and hours in words, "any time" where nothing was said."""
        said = [", ".join(calendar.day_abbr[int(digit)] for digit in self.weekdays)]
        if self.opens and self.closes:
            said.append(f"{self.opens:%H:%M} to {self.closes:%H:%M}")
        if self.earliest:
            said.append(f"from {self.earliest.day} {self.earliest:%b %Y}")
        if self.latest:
            said.append(f"until {self.latest.day} {self.latest:%b %Y}")
        return "; ".join(part for part in said if part) or "any time"
