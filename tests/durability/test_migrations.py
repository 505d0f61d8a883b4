"""Migrations that change rows: a clinic goes back, forward again, and says what it said before."""

from datetime import time

import pytest
from django.core.management import call_command

from clinic.models import Appointment
from clinic.services import diary
from clinic.web.databases import pointed_at
from tests.factories import AppointmentFactory, StaffFactory

pytestmark = pytest.mark.django_db(transaction=True)
BEFORE_CANCELLED_AT = "0023_retention_guards"


def test_what_was_cancelled_before_is_dated_by_its_last_change(shelf, bare):
    place = shelf.copy(bare)
    with pointed_at(place.config):
        stands = AppointmentFactory()
        gone = AppointmentFactory(local_time=time(11))
        diary.cancel(appointment=gone, reason="Away", by=StaffFactory())

        call_command("migrate", "clinic", BEFORE_CANCELLED_AT, verbosity=0)
        call_command("migrate", "clinic", verbosity=0)

        gone, stands = (Appointment.objects.get(pk=one.pk) for one in (gone, stands))
        assert gone.cancelled_at == gone.changed_at
        assert stands.cancelled_at is None
