"""What a client asks of the record, and how it was answered."""

from datetime import date
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Coalesce

from clinic.domain.vocabulary import RequestKind, RequestManner, RequestOutcome
from clinic.fields import choices, values
from clinic.models.people import Client
from clinic.models.sites import SiteRow
from clinic.models.staff import Staff

WHOLE, DETAILS = "record", "details"
DENIED_AMENDMENT = Q(outcome=RequestOutcome.DENIED.value, kind=RequestKind.AMENDMENT.value)


class RecordRequestQuerySet(models.QuerySet["RecordRequest"]):
    def for_staff(self, staff: Staff) -> Self:
        """Requests about records that this person may open."""
        return self.filter(client__in=Client.objects.for_staff(staff))

    def open(self) -> Self:
        return self.filter(outcome="")

    def only_days(self) -> Self:
        return self.only("due_on", "extended_to")

    def for_listing(self) -> Self:
        """Open ones first, the most urgent at the top; then what was answered last."""
        return (
            self.select_related("client")
            .annotate(last=Coalesce("extended_to", "due_on"))
            .order_by(F("decided_at").desc(nulls_first=True), "last", "pk")
        )

    def passed_on(self) -> Self:
        """Denied amendments that go along with what others are told later.

        Source: 45 CFR 164.526(d)(5): with a statement of disagreement always, without one where
        the client asks for it.
        """
        return (
            self.filter(DENIED_AMENDMENT)
            .filter(~Q(statement="") | Q(goes_along=True))
            .order_by("received_on", "pk")
        )


class RecordRequest(SiteRow):
    """One request; what was asked and what was answered is fixed once it stands."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="record_requests")
    kind = models.CharField(
        "asks for",
        max_length=12,
        choices=[
            (RequestKind.AMENDMENT.value, "an amendment of the record"),
            (RequestKind.COPY.value, "a copy of the record"),
            (RequestKind.ERASURE.value, "erasure"),
            (RequestKind.RESTRICTION.value, "a restriction of use"),
        ],
    )
    received_on = models.DateField("received on")
    manner = models.CharField("how it came", max_length=8, choices=choices(RequestManner))
    words = models.TextField("the client’s words", max_length=4000)
    noted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", editable=False
    )
    noted_at = models.DateTimeField(editable=False)
    due_on = models.DateField(editable=False)
    # kept with the row: the table of time limits may change
    limit_source = models.CharField(max_length=200, editable=False)
    extended_to = models.DateField(null=True, editable=False)
    extended_on = models.DateField(null=True, editable=False)
    extended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )
    extension_reason = models.TextField(blank=True, editable=False, max_length=1000)
    # "record", "details", "assessment-12", "paper-3"
    about = models.CharField("what it is about", max_length=40, default=WHOLE)
    outcome = models.CharField(max_length=9, blank=True, choices=choices(RequestOutcome))
    answer = models.TextField("what was done, or why not", blank=True, max_length=4000)
    # "addendum-5": where the change stands
    answered_with = models.CharField(max_length=40, blank=True)
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )
    decided_at = models.DateTimeField(null=True, editable=False)
    goes_along = models.BooleanField("goes along with later letters", default=False)
    told_on = models.DateField("client told on", null=True, blank=True)
    statement = models.TextField("statement of disagreement", blank=True, max_length=4000)
    statement_on = models.DateField("statement received on", null=True, blank=True)
    statement_noted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )
    rebuttal = models.TextField("our answer to the statement", blank=True, max_length=4000)
    rebutted_on = models.DateField(null=True, blank=True)
    rebutted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )
    objects = RecordRequestQuerySet.as_manager()

    class Meta:
        ordering = ["-received_on", "-pk"]
        constraints = [
            models.CheckConstraint(
                name="request_kind_word", condition=Q(kind__in=values(RequestKind))
            ),
            models.CheckConstraint(
                name="request_manner_word", condition=Q(manner__in=values(RequestManner))
            ),
            models.CheckConstraint(
                name="request_outcome_word",
                condition=Q(outcome__in=["", *values(RequestOutcome)]),
            ),
            models.CheckConstraint(
                name="request_says_what",
                condition=~Q(words=""),
                violation_error_message="Write down what the client asks for.",
            ),
            models.CheckConstraint(
                name="request_due_after", condition=Q(due_on__gte=F("received_on"))
            ),
            models.CheckConstraint(
                name="request_extended_whole",
                condition=Q(
                    extended_to__isnull=True,
                    extended_on__isnull=True,
                    extended_by__isnull=True,
                    extension_reason="",
                )
                | Q(
                    extended_to__gt=F("due_on"),
                    extended_on__lte=F("due_on"),
                    extended_by__isnull=False,
                )
                & ~Q(extension_reason=""),
                violation_error_message="An extension has a reason and is taken in time.",
            ),
            models.CheckConstraint(
                name="request_decided_whole",
                condition=Q(
                    outcome="",
                    answer="",
                    answered_with="",
                    decided_by__isnull=True,
                    decided_at__isnull=True,
                    told_on__isnull=True,
                )
                | ~Q(outcome="")
                & ~Q(answer="")
                & Q(decided_by__isnull=False, decided_at__isnull=False),
                violation_error_message="An answer says what was done, or why not.",
            ),
            models.CheckConstraint(
                name="request_statement_fits",
                condition=Q(
                    statement="", statement_on__isnull=True, statement_noted_by__isnull=True
                )
                | DENIED_AMENDMENT
                & ~Q(statement="")
                & Q(statement_on__isnull=False, statement_noted_by__isnull=False),
            ),
            models.CheckConstraint(
                name="request_rebuttal_fits",
                condition=Q(rebuttal="", rebutted_on__isnull=True, rebutted_by__isnull=True)
                | ~Q(rebuttal="")
                & ~Q(statement="")
                & Q(rebutted_on__isnull=False, rebutted_by__isnull=False),
            ),
            models.CheckConstraint(
                name="request_goes_along_denied",
                condition=Q(goes_along=False) | DENIED_AMENDMENT,
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, received {self.received_on:%d %b %Y}"

    @property
    def is_open(self) -> bool:
        return not self.outcome

    @property
    def last_day(self) -> date:
        """The day on which the answer is due, an extension counted."""
        return self.extended_to or self.due_on

    @property
    def is_denied_amendment(self) -> bool:
        return self.outcome == RequestOutcome.DENIED and self.kind == RequestKind.AMENDMENT

    @property
    def is_clinical(self) -> bool:
        """Whether it is about what clinicians wrote; only a clinician then decides."""
        return self.kind == RequestKind.AMENDMENT and self.about != DETAILS
