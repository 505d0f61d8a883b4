"""What is no longer done for somebody who has died."""

from django.core.exceptions import ValidationError

from clinic.models import Client
from clinic.models.record_links import person


def refuse_dead(client: Client) -> None:
    """Raise ValidationError where a record of the person names a day of death, as it is now."""
    if Client.objects.filter(pk__in=person(client.pk), died_on__isnull=False).exists():
        raise ValidationError(
            "The record says that the client has died: nothing is booked or sent any more. If "
            "that is wrong, take the day of death out of the client’s details first."
        )
