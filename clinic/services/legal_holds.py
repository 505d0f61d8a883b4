"""Legal holds: the record is needed for a claim or an inquiry, so nothing of it goes."""

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from clinic.domain.vocabulary import TrailAction
from clinic.models import Client, LegalHold, Staff
from clinic.services import trail
from clinic.services.reassessments import today_at

STANDS = "A legal hold stands already: end that one first."


@transaction.atomic
def set_legal_hold(*, client: Client, reason: str, by: Staff) -> LegalHold:
    """Save and return a legal hold from today on; raises ValidationError while one stands."""
    hold = LegalHold(
        site_id=client.site_id,
        client=client,
        reason=reason.strip(),
        since=today_at(client.site),
        set_by=by,
    )
    hold.full_clean()
    try:
        with transaction.atomic():
            hold.save()
    except IntegrityError as clash:  # two people in the same moment, or the record went
        raise ValidationError(STANDS) from clash
    trail.record(TrailAction.RETAIN, by=by, row=hold, client=client, legal_hold="set")
    return hold


@transaction.atomic
def end_legal_hold(*, hold: LegalHold, reason: str, by: Staff) -> LegalHold:
    """Save and return the legal hold as ended, with the reason; raises ValidationError."""
    found = (
        LegalHold.objects.select_for_update(of=("self",))
        .select_related("client__site")
        .get(pk=hold.pk)
    )
    if found.ended_on is not None:
        raise ValidationError("This legal hold has ended already.")
    if not reason.strip():
        raise ValidationError({"end_reason": "Say why it ends."})
    found.ended_on, found.ended_by = today_at(found.client.site), by
    found.end_reason = reason.strip()
    found.full_clean()
    found.save(update_fields=["ended_on", "ended_by", "end_reason"])
    trail.record(TrailAction.CHANGE, by=by, row=found, client=found.client, legal_hold="ended")
    return found
