from datetime import UTC, date, datetime

import factory
from factory.django import DjangoModelFactory

from clinic.models import HoursChange, WaitingEntry
from tests.factories.clinic import (
    AppointmentKindFactory,
    ClientFactory,
    SiteFactory,
    StaffFactory,
)


class HoursChangeFactory(DjangoModelFactory):
    class Meta:
        model = HoursChange

    site = factory.SubFactory(SiteFactory)
    kind = "closed"
    first_day = date(2027, 3, 15)
    last_day = date(2027, 3, 15)


class WaitingEntryFactory(DjangoModelFactory):
    class Meta:
        model = WaitingEntry

    site = factory.SubFactory(SiteFactory)
    client = factory.SubFactory(ClientFactory)
    kind = factory.SubFactory(AppointmentKindFactory)
    asked_by = factory.SubFactory(StaffFactory)
    since = datetime(2027, 3, 1, 9, tzinfo=UTC)
