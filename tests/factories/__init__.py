"""Invented people and places for tests."""

from tests.factories.clinic import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    OpeningHoursFactory,
    ReferrerFactory,
    RoomFactory,
    SiteFactory,
    StaffFactory,
)

__all__ = [
    "AppointmentFactory",
    "AppointmentKindFactory",
    "ClientFactory",
    "OpeningHoursFactory",
    "ReferrerFactory",
    "RoomFactory",
    "SiteFactory",
    "StaffFactory",
]
