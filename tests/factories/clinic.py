from datetime import UTC, date, datetime, time, timedelta

import factory
from django.contrib.auth.hashers import make_password
from django.contrib.auth.models import Group
from factory.django import DjangoModelFactory

from clinic.domain.vocabulary import Role
from clinic.models import (
    Appointment,
    AppointmentKind,
    Client,
    OpeningHours,
    Referrer,
    Room,
    Site,
    Staff,
)

PASSWORD = "kettle-orchard-window"


class SiteFactory(DjangoModelFactory):
    class Meta:
        model = Site
        django_get_or_create = ("code",)

    clinic_name = "Larkfield Running Clinic"
    name = "Mill Lane"
    code = "ML"
    address = "4 Mill Lane\nLarkfield"
    telephone = "01632 960 100"


class StaffFactory(DjangoModelFactory):
    """A member of staff of one site; `role` names the sign-in group."""

    class Meta:
        model = Staff
        skip_postgeneration_save = True

    username = factory.Sequence(lambda n: f"staff{n}")
    first_name = "Ines"
    last_name = factory.Sequence(lambda n: f"Marlow{n}")
    home_site = factory.SubFactory(SiteFactory)
    profession = "Physiotherapist"
    registration_number = factory.Sequence(lambda n: f"PH{n:05d}")
    password = factory.LazyFunction(lambda: make_password(PASSWORD))

    @factory.post_generation
    def role(self, create, extracted, **kwargs):
        group, _ = Group.objects.get_or_create(name=extracted or Role.CLINICIAN)
        self.groups.add(group)
        self.sites.add(self.home_site)


class ReferrerFactory(DjangoModelFactory):
    class Meta:
        model = Referrer

    site = factory.SubFactory(SiteFactory)
    name = factory.Sequence(lambda n: f"Dr Alder {n}")
    kind = "doctor"
    practice = "Brook Surgery"
    address = "9 Brook Street\nLarkfield"


class ClientFactory(DjangoModelFactory):
    class Meta:
        model = Client

    site = factory.SubFactory(SiteFactory)
    number = factory.Sequence(lambda n: f"ML{n:05d}")
    family_name = factory.Sequence(lambda n: f"Fenwick{n}")
    given_names = "Orla"
    birth_date = date(1990, 4, 12)
    sex_for_norms = "f"
    registered_on = date(2026, 1, 5)
    search_text = factory.LazyAttribute(
        lambda it: f"{it.given_names} {it.family_name} {it.number}".casefold()
    )


class RoomFactory(DjangoModelFactory):
    class Meta:
        model = Room
        django_get_or_create = ("site", "name")

    site = factory.SubFactory(SiteFactory)
    name = "Room 1"
    has_treadmill = True


class AppointmentKindFactory(DjangoModelFactory):
    class Meta:
        model = AppointmentKind
        django_get_or_create = ("site", "code")

    site = factory.SubFactory(SiteFactory)
    code = "reassessment"
    name = "Reassessment"
    minutes = 45
    needs_treadmill = True


class OpeningHoursFactory(DjangoModelFactory):
    class Meta:
        model = OpeningHours

    site = factory.SubFactory(SiteFactory)
    clinician = factory.SubFactory(StaffFactory)
    weekday = 0
    opens = time(9)
    closes = time(17)


class AppointmentFactory(DjangoModelFactory):
    class Meta:
        model = Appointment

    site = factory.SubFactory(SiteFactory)
    client = factory.SubFactory(ClientFactory)
    clinician = factory.SubFactory(StaffFactory)
    room = factory.SubFactory(RoomFactory)
    kind = factory.SubFactory(AppointmentKindFactory)
    local_date = date(2027, 3, 15)
    local_time = time(9)
    time_zone = "Europe/London"
    starts_at = factory.LazyAttribute(
        lambda it: datetime.combine(it.local_date, it.local_time, tzinfo=UTC)
    )
    ends_at = factory.LazyAttribute(lambda it: it.starts_at + timedelta(minutes=45))
    clear_at = factory.SelfAttribute("ends_at")
    booked_by = factory.SelfAttribute("clinician")
    arrived_at = factory.Maybe(
        factory.LazyAttribute(lambda it: it.state == "arrived"), factory.SelfAttribute("starts_at")
    )
    cancelled_at = factory.Maybe(
        factory.LazyAttribute(lambda it: it.state == "cancelled"),
        factory.SelfAttribute("changed_at"),
    )
    state = "booked"
    booked_at = datetime(2027, 3, 1, 9, tzinfo=UTC)
    changed_at = datetime(2027, 3, 1, 9, tzinfo=UTC)
