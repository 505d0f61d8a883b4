"""Two records of one person: joined by a link, parted again; what new entries ask before."""

from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic.domain.vocabulary import ReassessmentState, TrailAction
from clinic.models import Client, Destruction, RecordLink, Restriction, Staff
from clinic.services import trail

MEANWHILE = "Somebody has just joined one of these records: look at them again."


def kept_of(client: Client) -> Client | None:
    """The record that this one is joined to; None for one that stands by itself."""
    link = RecordLink.objects.open().filter(joined=client).select_related("kept__site").first()
    return link.kept if link else None


def where_new_goes(client: Client) -> Client:
    """The record that takes new entries of this person."""
    return kept_of(client) or client


def refuse_joined(client: Client) -> None:
    """Raise ValidationError where new entries belong in another record of the person.

    Called inside a transaction: who joins the records in the same moment is waited for.
    """
    Client.objects.select_for_update(no_key=True, of=("self",)).get(pk=client.pk)
    kept = kept_of(client)
    if kept:
        raise ValidationError(
            f"This record is joined to {kept.number}, {kept}: make the new entry there."
        )


@transaction.atomic
def join_records(
    *,
    kept: Client,
    joined: Client,
    by: Staff,
    reason: str,
    birth_reason: str = "",
    **compared: bool,
) -> RecordLink:
    """Save and return the link; raises ValidationError and PermissionDenied.

    compared: names_compared, births_compared and addresses_compared, each seen side by side.
    """
    if not by.is_manager:
        raise PermissionDenied
    # in the order of their keys, so that two who join the same records wait for each other
    rows = {
        row.pk: row
        for row in Client.objects.select_for_update(of=("self",))
        .filter(pk__in=[kept.pk, joined.pk])
        .order_by("pk")
    }
    refuse_unfit(rows.get(kept.pk), rows.get(joined.pk))
    differ = rows[kept.pk].birth_date != rows[joined.pk].birth_date
    if differ and not birth_reason.strip():
        raise ValidationError(
            {"birth_reason": "The dates of birth differ: say why it is one person all the same."}
        )
    link = RecordLink(
        site_id=kept.site_id,
        kept=kept,
        joined=joined,
        reason=reason.strip(),
        births_differ=differ,
        birth_reason=birth_reason.strip() if differ else "",
        joined_at=timezone.now(),
        joined_by=by,
        **compared,
    )
    link.full_clean()
    try:
        with transaction.atomic():
            link.save(force_insert=True)
    except IntegrityError as clash:
        raise ValidationError(MEANWHILE) from clash
    _tell(link, TrailAction.MERGE, by, births_differ=differ)
    return link


def refuse_unfit(kept: Client | None, joined: Client | None) -> None:
    """Raise ValidationError for two records that cannot be joined as they are."""
    if kept is None or joined is None or kept.pk == joined.pk:
        raise ValidationError("Choose two records.")
    if kept.destroyed_on or joined.destroyed_on:
        raise ValidationError("One of the records was destroyed.")
    if Destruction.objects.waiting().filter(client__in=[kept, joined]).exists():
        raise ValidationError("One of them is reviewed for destruction: decide that first.")
    if kept.site_id != joined.site_id:
        raise ValidationError("The records lie at two sites: only records of one site are joined.")
    restricted = Restriction.objects.standing().filter(client__in=[kept, joined])
    if restricted.values("client").distinct().count() == 1:
        raise ValidationError(
            "One of them is restricted and the other is not: restrict both, or end the "
            "restriction, then join them."
        )
    if kept.died_on != joined.died_on:
        raise ValidationError(
            "The records differ in whether, or when, the client died: find out which is right, "
            "and change the other one first."
        )
    links = RecordLink.objects.open()
    if links.filter(joined__in=[kept, joined]).exists():
        raise ValidationError("One of them is joined to another record: part it first.")
    if links.filter(kept=joined).exists():
        raise ValidationError(
            f"Other records are joined to {joined.number}: keep {joined.number}, or part it first."
        )
    if joined.reassessments.filter(state=ReassessmentState.OPEN).exists():
        raise ValidationError(
            f"A reassessment is due in {joined.number}: close it on the due list, and set its day "
            f"in {kept.number}. Two days for one person would both be called."
        )


@transaction.atomic
def part_records(*, link: RecordLink, by: Staff, reason: str) -> RecordLink:
    """End a link, so that each record stands by itself again; raises ValidationError."""
    if not by.is_manager:
        raise PermissionDenied
    found = (
        RecordLink.objects.select_for_update(of=("self",))
        .select_related("kept", "joined")
        .get(pk=link.pk)
    )
    if found.parted_at:
        raise ValidationError("These records were parted already.")
    if not reason.strip():
        raise ValidationError({"reason": "Say why they are parted."})
    found.parted_at, found.parted_by, found.part_reason = timezone.now(), by, reason.strip()
    found.save(update_fields=["parted_at", "parted_by", "part_reason"])
    _tell(found, TrailAction.UNMERGE, by)
    return found


def _tell(link: RecordLink, action: TrailAction, by: Staff, **detail: Any) -> None:
    """A line in the trail of each of the two records, naming the other."""
    for own, other in ((link.kept, link.joined), (link.joined, link.kept)):
        trail.record(
            action,
            by=by,
            row=link,
            client=own,
            kept=link.kept.number,
            other=other.number,
            **detail,
        )
