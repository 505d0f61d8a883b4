"""The invented clinic: two sites, its staff, rooms, hours and kinds of appointment."""

from dataclasses import dataclass
from datetime import time

from django.contrib.auth.hashers import make_password
from django.contrib.auth.models import Group

from clinic.domain.vocabulary import Role
from clinic.models import AppointmentKind, OpeningHours, Room, Site, Staff

PASS_PHRASE = "three easy miles before tea"  # noqa: S105  # printed for everybody: the demo only
CLINIC = "Larkfield Running Clinic"
SITES = {
    "ML": ("Mill Lane", "4 Mill Lane\nLarkfield\nLF1 2AB", "01632 960100"),
    "QY": ("Quayside", "The Old Rope Store\n11 Quayside\nHarbourgate\nHG3 4CD", "01632 960200"),
}
# user name, given and family name, role, sites (home first), registration number
STAFF = (
    ("ines", "Ines", "Marlow", Role.CLINICIAN, "ML", "PH10234"),
    ("jonas", "Jonas", "Akers", Role.CLINICIAN, "ML QY", "PH10391"),
    ("petra", "Petra", "Lindqvist-Rowe", Role.CLINICIAN, "QY", "PH11507"),
    ("rose", "Rose", "Tallis", Role.RECEPTION, "ML QY", ""),
    ("dev", "Dev", "Harcourt", Role.RECEPTION, "QY", ""),
    ("max", "Max", "Ferrow", Role.MANAGER, "ML QY", ""),
)
KINDS = (
    ("first", "First assessment", 60, True),
    ("reassessment", "Reassessment", 45, True),
    ("follow_up", "Follow-up", 30, False),
    ("telephone", "Telephone call", 15, False),
)
# at weekends too: whenever the clinic is prepared, today is a day of work
WORKDAYS = range(7)


@dataclass(frozen=True)
class Clinic:
    """The rows that the story needs, by code and by user name."""

    sites: dict[str, Site]
    staff: dict[str, Staff]

    def clinicians(self, code: str) -> list[Staff]:
        """Clinicians whose hours are at a site."""
        site = self.sites[code]
        return [one for one in self.staff.values() if one.profession and one.home_site == site]


def build() -> Clinic:
    """Save sites, staff, rooms, hours and kinds; returns them."""
    sites = {
        code: Site.objects.create(
            clinic_name=CLINIC,
            code=code,
            name=name,
            address=address,
            telephone=telephone,
            email=f"{code.lower()}@larkfield.example.org",
        )
        for code, (name, address, telephone) in SITES.items()
    }
    password = make_password(PASS_PHRASE)
    staff = {row[0]: _person(row, sites, password) for row in STAFF}
    for site in sites.values():
        _furnish(site)
    for person in staff.values():
        if person.profession and person.home_site:
            _hours(person, person.home_site)
    return Clinic(sites, staff)


def _person(
    row: tuple[str, str, str, Role, str, str], sites: dict[str, Site], password: str
) -> Staff:
    name, given, family, role, codes, number = row
    home, *others = codes.split()
    person = Staff.objects.create(
        username=name,
        first_name=given,
        last_name=family,
        email=f"{name}@larkfield.example.org",
        password=password,
        profession="Physiotherapist" if role is Role.CLINICIAN else "",
        registration_number=number,
        home_site=sites[home],
    )
    person.sites.set([sites[home], *(sites[code] for code in others)])
    person.groups.add(Group.objects.get(name=role.value))
    return person


def _furnish(site: Site) -> None:
    Room.objects.create(site=site, name="Treadmill room", has_treadmill=True)
    Room.objects.create(site=site, name="Treadmill room 2", has_treadmill=True)
    Room.objects.create(site=site, name="Quiet room")
    Room.objects.create(site=site, name="Quiet room 2")
    for code, name, minutes, treadmill in KINDS:
        AppointmentKind.objects.create(
            site=site, code=code, name=name, minutes=minutes, needs_treadmill=treadmill
        )


def _hours(person: Staff, site: Site) -> None:
    for weekday in WORKDAYS:
        for opens, closes in ((time(9), time(12, 30)), (time(13, 30), time(17, 30))):
            OpeningHours.objects.create(
                site=site, clinician=person, weekday=weekday, opens=opens, closes=closes
            )
