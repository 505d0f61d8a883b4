"""A death is noted: what was booked, due or waited for ends with it."""

from django.db import transaction
from django.utils import timezone

from clinic.domain.vocabulary import ReassessmentState
from clinic.models import Appointment, Client, KeptTime, Reassessment, Staff, WaitingEntry
from clinic.services import diary, reassessments, waiting_list

WHY = "The client has died"


@transaction.atomic
def end_what_is_open(*, client: Client, by: Staff) -> None:
    """Save as cancelled or ended what lies ahead; each with its own line in the trail."""
    ahead = Appointment.objects.filter(
        client=client, state="booked", starts_at__gte=timezone.now()
    )
    for appointment in ahead.order_by("pk"):
        diary.cancel(appointment=appointment, reason=WHY, by=by)
    for entry in WaitingEntry.objects.waiting().filter(client=client):
        waiting_list.stop_waiting(entry=entry, by=by)
    for due in Reassessment.objects.waiting().filter(client=client):
        reassessments.close_reassessment(
            reassessment=due, state=ReassessmentState.LOST, reason=WHY, by=by
        )
    KeptTime.objects.filter(client=client).delete()
