"""How a record ends: what keeps it from destruction, and the decision of two people."""

from datetime import date
from typing import Self

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from clinic.domain.vocabulary import DestructionBasis, DestructionDecision
from clinic.fields import values
from clinic.models.limits import open_to
from clinic.models.people import Client
from clinic.models.sites import SiteRow
from clinic.models.staff import Staff

CONFIRMED = DestructionDecision.CONFIRMED.value
AGAIN = DestructionBasis.AGAIN.value


class LegalHoldQuerySet(models.QuerySet["LegalHold"]):
    def open(self) -> Self:
        return self.filter(ended_on__isnull=True)

    def for_staff(self, staff: Staff) -> Self:
        return self.filter(client__in=Client.objects.for_staff(staff))


class LegalHold(SiteRow):
    """The record is needed for a claim or an inquiry: nothing of it is destroyed meanwhile."""

    client = models.ForeignKey(Client, models.PROTECT, related_name="legal_holds")
    reason = models.CharField(max_length=300, help_text="What the record is needed for.")
    since = models.DateField()
    set_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    ended_on = models.DateField(null=True, blank=True)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    end_reason = models.CharField("why it ends", max_length=300, blank=True)
    objects = LegalHoldQuerySet.as_manager()

    class Meta:
        ordering = ["-since", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "client"],
                condition=Q(ended_on__isnull=True),
                name="legal_hold_one_open",
                violation_error_message="A legal hold stands already: end that one first.",
            ),
            models.CheckConstraint(
                name="legal_hold_reasoned",
                condition=~Q(reason=""),
                violation_error_message="Say what the record is needed for.",
            ),
            models.CheckConstraint(
                name="legal_hold_ends_after_start",
                condition=Q(ended_on__isnull=True) | Q(ended_on__gte=F("since")),
                violation_error_message="The legal hold ends before it starts.",
            ),
            models.CheckConstraint(
                name="legal_hold_ended_whole",
                condition=Q(ended_on__isnull=True, ended_by__isnull=True, end_reason="")
                | (Q(ended_on__isnull=False, ended_by__isnull=False) & ~Q(end_reason="")),
                violation_error_message="Say who ends the legal hold and why.",
            ),
        ]

    def __str__(self) -> str:
        return f"legal hold since {self.since:%d %b %Y}"


class DestructionQuerySet(models.QuerySet["Destruction"]):
    def for_staff(self, staff: Staff) -> Self:
        """Of records that this person may open, and of those of their sites that are gone."""
        gone = Q(client__destroyed_on__isnull=False, site__in=staff.sites.all())
        return self.filter(gone | open_to(staff, "client__"))

    def waiting(self) -> Self:
        """Reviewed by one person, not yet decided by the second."""
        return self.filter(decision="", client__destroyed_on__isnull=True)

    def erasures_refused(self, client: Client, since: date) -> Self:
        """Refusals of a client's wish to be erased from a day on, the newest first.

        A refusal is one act; of a review, another person says later that the record stays.
        """
        return self.filter(
            client=client,
            basis=DestructionBasis.ASKED.value,
            decision=DestructionDecision.REFUSED.value,
            decided_at=F("reviewed_at"),
            reviewed_at__date__gte=since,
        )

    def done(self) -> Self:
        return self.filter(done_on__isnull=False)

    def for_listing(self) -> Self:
        return self.select_related("client", "reviewed_by", "decided_by")


class Destruction(SiteRow):
    """One review of a record that may go: by one person, and decided by a second one.

    It stays when the record is gone, so it holds no name and nothing clinical.
    """

    client = models.ForeignKey(Client, models.PROTECT, related_name="destructions")
    basis = models.CharField(
        "why it may go",
        max_length=8,
        choices=[
            (DestructionBasis.OVER.value, "the period is over"),
            (DestructionBasis.ASKED.value, "the client asks for it"),
            (DestructionBasis.MISTAKE.value, "registered by mistake"),
            (DestructionBasis.AGAIN.value, "came back with an old backup"),
        ],
    )
    care_ended = models.DateField()
    keep_until = models.DateField()
    rule = models.CharField(max_length=60)
    reason = models.CharField(max_length=300)
    reviewed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+"
    )
    reviewed_at = models.DateTimeField()
    decision = models.CharField(
        max_length=9,
        blank=True,
        choices=[
            (DestructionDecision.REFUSED.value, "not destroyed"),
            (DestructionDecision.KEPT.value, "kept longer"),
            (DestructionDecision.CONFIRMED.value, "confirmed"),
        ],
    )
    decided_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    decision_reason = models.CharField(max_length=300, blank=True)
    keep_to = models.DateField(null=True, blank=True)
    done_on = models.DateField(null=True, blank=True)
    counts = models.JSONField(default=dict, blank=True, help_text="Rows that went, by table.")
    objects = DestructionQuerySet.as_manager()

    class Meta:
        ordering = ["-reviewed_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "client"],
                condition=Q(decision="") & ~Q(basis=AGAIN),
                name="destruction_one_waiting",
                violation_error_message="This record was reviewed: a second person decides.",
            ),
            models.UniqueConstraint(
                fields=["site", "client"],
                condition=Q(done_on__isnull=False),
                name="destruction_once",
            ),
            models.CheckConstraint(
                name="destruction_basis_word", condition=Q(basis__in=values(DestructionBasis))
            ),
            models.CheckConstraint(
                name="destruction_decision_word",
                condition=Q(decision__in=["", *values(DestructionDecision)]),
            ),
            models.CheckConstraint(
                name="destruction_reasoned",
                condition=~Q(reason=""),
                violation_error_message="Say why.",
            ),
            # after a restore the decision is the one that was taken before: nobody decides anew
            models.CheckConstraint(
                name="destruction_reviewed",
                condition=Q(basis=AGAIN, reviewed_by__isnull=True, decided_by__isnull=True)
                | (~Q(basis=AGAIN) & Q(reviewed_by__isnull=False)),
            ),
            models.CheckConstraint(
                name="destruction_decided_whole",
                condition=Q(basis=AGAIN)
                | Q(decision="", decided_by__isnull=True, decided_at__isnull=True)
                | (~Q(decision="") & Q(decided_by__isnull=False, decided_at__isnull=False)),
            ),
            models.CheckConstraint(
                name="destruction_by_two",
                condition=~Q(decision=CONFIRMED)
                | Q(basis=AGAIN)
                | ~Q(decided_by=F("reviewed_by")),
                violation_error_message="A second person confirms: you reviewed this record.",
            ),
            models.CheckConstraint(
                name="destruction_declined_with_reason",
                condition=Q(decision__in=["", CONFIRMED]) | ~Q(decision_reason=""),
                violation_error_message="Say why.",
            ),
            models.CheckConstraint(
                name="destruction_kept_to",
                condition=Q(decision=DestructionDecision.KEPT.value, keep_to__gt=F("keep_until"))
                | (~Q(decision=DestructionDecision.KEPT.value) & Q(keep_to__isnull=True)),
                violation_error_message="Give a day after the end of the period.",
            ),
            models.CheckConstraint(
                name="destruction_done_confirmed",
                condition=Q(done_on__isnull=True) | Q(decision=CONFIRMED),
            ),
            models.CheckConstraint(
                name="destruction_after_period",
                condition=Q(done_on__isnull=True)
                | Q(done_on__gt=F("keep_until"))
                | Q(basis__in=[DestructionBasis.MISTAKE.value, AGAIN]),
                violation_error_message="The period still runs.",
            ),
        ]

    @property
    def row_count(self) -> int:
        """How many rows went."""
        return sum(self.counts.values())

    @property
    def refuses_erasure(self) -> bool:
        """Whether it is a refusal of the client's wish, as `erasures_refused` finds it."""
        refused = self.decision == DestructionDecision.REFUSED
        asked = self.basis == DestructionBasis.ASKED
        return refused and asked and self.decided_at == self.reviewed_at

    def __str__(self) -> str:
        return f"{self.get_basis_display()}: {self.get_decision_display() or 'waiting'}"
