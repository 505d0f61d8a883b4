"""After a restore: what was erased since the backup was made is erased again, before any use."""

from collections.abc import Iterable
from datetime import date

from django.db import transaction
from django.utils import timezone

from clinic.domain.vocabulary import DestructionBasis, DestructionDecision
from clinic.models import Client, Destruction
from clinic.web.backups.erasures import Erasure, first_line
from clinic.web.destroying import erase
from clinic.web.retaining import locked

WHY = "Restored from a backup that is older than the destruction."
FIELDS = {
    "client",
    "number",
    "registered_on",
    "first_line",
    "care_ended",
    "keep_until",
    "destroyed_on",
}


def apply_again(erasures: Iterable[Erasure]) -> tuple[int, list[Erasure]]:
    """Erase what the default database still holds of these: how many records, and which are left.

    Nobody decides anew: it is the decision that two people took. An erasure is left when it has
    not the fields of this version; one whose record is gone already counts as neither.
    """
    erased, left = 0, []
    for one in erasures:
        if one.keys() >= FIELDS:
            erased += _apply(one)
        else:
            left.append(one)
    return erased, left


@transaction.atomic
def _apply(one: Erasure) -> bool:
    """Whether there was something to erase."""
    client = Client.objects.filter(
        pk=one["client"],
        number=one["number"],
        registered_on=date.fromisoformat(one["registered_on"]),
        destroyed_on__isnull=True,
    ).first()
    # a key can be given anew after a restore, so somebody else may stand under it
    if client is None or first_line(client.pk) != one["first_line"]:
        return False
    client, on = locked(client), date.fromisoformat(one["destroyed_on"])
    again = Destruction(
        site_id=client.site_id,
        client=client,
        basis=DestructionBasis.AGAIN.value,
        care_ended=date.fromisoformat(one["care_ended"]),
        keep_until=date.fromisoformat(one["keep_until"]),
        rule=DestructionBasis.AGAIN.value,
        reason=WHY,
        reviewed_at=timezone.now(),
    )
    again.full_clean(exclude=["reviewed_by"])
    again.save()
    again.decision, again.decided_at = DestructionDecision.CONFIRMED.value, timezone.now()
    again.save(update_fields=["decision", "decided_at"])
    erase(client=client, destruction=again, on=on, by=None)
    return True
