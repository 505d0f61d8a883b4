from datetime import date, time

import factory
from factory.django import DjangoModelFactory

from clinic.models import Reassessment
from tests.factories.clinic import (
    AppointmentKindFactory,
    ClientFactory,
    OpeningHoursFactory,
    RoomFactory,
    SiteFactory,
    StaffFactory,
)


class ReassessmentFactory(DjangoModelFactory):
    class Meta:
        model = Reassessment

    site = factory.SubFactory(SiteFactory)
    client = factory.SubFactory(ClientFactory)
    clinician = factory.SubFactory(StaffFactory)
    due_on = date(2027, 3, 15)
    opened_on = date(2027, 2, 1)


class Place:
    """One site with a clinician, a room with a treadmill, one kind and a client."""

    def __init__(self, **site):
        self.site = SiteFactory(**site)
        self.clinician = self.clinician_with_hours()
        self.room = RoomFactory(site=self.site)
        self.kind = AppointmentKindFactory(site=self.site)
        self.client = ClientFactory(site=self.site)
        self.desk = StaffFactory(home_site=self.site, role="reception")

    def clinician_with_hours(self, opens=time(9), closes=time(17), weekdays=range(5)):
        clinician = StaffFactory(home_site=self.site)
        for weekday in weekdays:
            OpeningHoursFactory(
                site=self.site, clinician=clinician, weekday=weekday, opens=opens, closes=closes
            )
        return clinician

    def booking(self, **changed):
        """Arguments of a booking on Monday 15 March 2027, 9:00."""
        return {
            "client": self.client,
            "kind": self.kind,
            "clinician": self.clinician,
            "room": self.room,
            "local_date": date(2027, 3, 15),
            "local_time": time(9),
            "by": self.desk,
        } | changed
