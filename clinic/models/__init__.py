"""Tables of the floor: places, people, papers, appointments, trail."""

from clinic.models.diary import Appointment, AppointmentKind, OpeningHours, Reassessment, Room
from clinic.models.editions import Edition, EditionTable, PolicyConfirmation
from clinic.models.hours import HoursChange, KeptTime, WaitingEntry
from clinic.models.invitations import Invitation
from clinic.models.limits import (
    EmergencyOpening,
    Restriction,
    RestrictionLine,
    Team,
    TeamMember,
)
from clinic.models.papers import Paper, Sending
from clinic.models.people import Alert, Client, Consent, Hold, Referrer
from clinic.models.record_links import RecordLink
from clinic.models.record_requests import RecordRequest
from clinic.models.reminders import CalendarFeed, Reminder
from clinic.models.retention import Destruction, LegalHold
from clinic.models.sites import Site, SiteRow
from clinic.models.staff import Staff
from clinic.models.trail import TrailEntry, TrailHead

__all__ = [
    "Alert",
    "Appointment",
    "AppointmentKind",
    "CalendarFeed",
    "Client",
    "Consent",
    "Destruction",
    "Edition",
    "EditionTable",
    "EmergencyOpening",
    "Hold",
    "HoursChange",
    "Invitation",
    "KeptTime",
    "LegalHold",
    "OpeningHours",
    "Paper",
    "PolicyConfirmation",
    "Reassessment",
    "RecordLink",
    "RecordRequest",
    "Referrer",
    "Reminder",
    "Restriction",
    "RestrictionLine",
    "Room",
    "Sending",
    "Site",
    "SiteRow",
    "Staff",
    "Team",
    "TeamMember",
    "TrailEntry",
    "TrailHead",
    "WaitingEntry",
]
