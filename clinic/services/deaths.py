"""A death is noted: what was booked, due or waited for ends with it."""

from django.db import transaction
from django.utils import timezone

from clinic.domain.vocabulary import ReassessmentState
from clinic.models import Appointment, Client, KeptTime, Reassessment, Staff, WaitingEntry
from clinic.models.record_links import person
from clinic.services import diary, reassessments, waiting_list

WHY = "The client has died"


@transaction.atomic
def end_what_is_open(*, client: Client, by: Staff) -> None:
    """Save as cancelled or ended what lies ahead; each with its own line in the trail.

    In all records that are joined to this one.
    """
    of_person = {"client__in": person(client.pk)}
    ahead = Appointment.objects.filter(state="booked", starts_at__gte=timezone.now(), **of_person)
    for appointment in ahead.order_by("pk"):
        diary.cancel(appointment=appointment, reason=WHY, by=by)
    for entry in WaitingEntry.objects.waiting().filter(**of_person):
        waiting_list.stop_waiting(entry=entry, by=by)
    for due in Reassessment.objects.waiting().filter(**of_person):
        reassessments.close_reassessment(
            reassessment=due, state=ReassessmentState.LOST, reason=WHY, by=by
        )
    KeptTime.objects.filter(**of_person).delete()
