"""Calendar files of appointments (RFC 5545), as requests, changes and cancellations (RFC 5546).

They say when and where, and nothing of why: no word about health, and in a clinician's calendar
no client's name.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from icalendar import (
    Calendar,
    Component,
    Event,
    Timezone,
    TimezoneDaylight,
    TimezoneStandard,
    vCalAddress,
)

from clinic.domain.vocabulary import AppointmentState
from clinic.models import Appointment, Site

PRODUCT = "-//Clinic Records//appointments//EN"  # the whole name would speak of health
REQUEST, CANCEL, PUBLISH = "REQUEST", "CANCEL", "PUBLISH"


def appointment_file(appointment: Appointment) -> tuple[bytes, str]:
    """The file that a client's calendar takes, and its method.

    One UID and a rising SEQUENCE let the calendar move or strike out what it has. Without the
    client's e-mail address nobody is invited, and the file is only published.
    """
    cancelled = appointment.state == AppointmentState.CANCELLED
    invited = bool(appointment.client.email and appointment.site.email)
    method = CANCEL if cancelled else REQUEST if invited else PUBLISH
    event = _event(appointment, f"Appointment at {appointment.site.clinic_name}")
    event.add("status", "CANCELLED" if cancelled else "CONFIRMED")
    event.add("location", ", ".join(_lines(appointment.site)))
    if appointment.site.email:
        event.add("organizer", _person(appointment.site.email, appointment.site.clinic_name))
    if invited:
        event.add("attendee", _person(appointment.client.email, ""))
    return _file([event], method), method


def feed_file(appointments: Iterable[Appointment], name: str) -> bytes:
    """A clinician's appointments for their own calendar program: times, kinds of room, no names.

    name: what the calendar program calls it.
    """
    events = []
    for appointment in appointments:
        event = _event(appointment, f"Booked: {appointment.room}")
        event.add("status", "CONFIRMED")
        event.add("location", appointment.site.name)
        event.add("class", "PRIVATE")
        events.append(event)
    return _file(events, PUBLISH, name)


def _event(appointment: Appointment, summary: str) -> Event:
    event = Event()
    event.add("uid", str(appointment.uid))
    event.add("sequence", appointment.sequence)
    event.add("dtstamp", appointment.changed_at.astimezone(UTC).replace(microsecond=0))
    start, end = _agreed(appointment)
    event.add("dtstart", start)
    event.add("dtend", end)
    event.add("summary", summary)
    return event


def _agreed(appointment: Appointment) -> tuple[datetime, datetime]:
    """Start and end on the clock of the site; as instants where that clock shows one twice.

    A local time that occurs twice means the first (RFC 5545, 3.3.5), so the second cannot be
    written that way.
    """
    zone = ZoneInfo(appointment.time_zone)
    span = (appointment.starts_at, appointment.ends_at)
    local = [moment.astimezone(zone) for moment in span]
    if any(it.replace(fold=0).utcoffset() != it.replace(fold=1).utcoffset() for it in local):
        return span[0].astimezone(UTC), span[1].astimezone(UTC)
    return local[0], local[1]


def _file(events: Sequence[Event], method: str, name: str = "") -> bytes:
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", method)
    if name:
        calendar.add("name", name)
    for zone, moments in _zones(events).items():
        calendar.add_component(_timezone(zone, min(moments), max(moments)))
    for event in events:
        calendar.add_component(event)
    written: bytes = calendar.to_ical()
    return written


def _zones(events: Iterable[Event]) -> dict[ZoneInfo, list[datetime]]:
    """The zones whose clock the events are written on, with their times."""
    found: defaultdict[ZoneInfo, list[datetime]] = defaultdict(list)
    for event in events:
        for name in ("dtstart", "dtend"):
            moment = event.decoded(name)
            if isinstance(moment, datetime) and isinstance(moment.tzinfo, ZoneInfo):
                found[moment.tzinfo].append(moment)
    return found


def _timezone(zone: ZoneInfo, first: datetime, last: datetime) -> Timezone:
    """The rules of a zone from the year before the first time to the year after the last.

    Written here, since icalendar 7.3 gives the onset of summer time on the new clock and not on
    the old one (RFC 5545, 3.6.5: the onset is a local time of TZOFFSETFROM).
    """
    component = Timezone()
    component.add("tzid", zone.key)
    begins = datetime(first.year - 1, 1, 1, tzinfo=UTC)
    component.add_component(_observance(zone, begins, begins))
    before = begins
    while before < datetime(last.year + 2, 1, 1, tzinfo=UTC):
        after = before + timedelta(days=1)
        if _offset(before, zone) != _offset(after, zone):
            component.add_component(_observance(zone, *_change(zone, before, after)))
        before = after
    return component


def _change(zone: ZoneInfo, before: datetime, after: datetime) -> tuple[datetime, datetime]:
    """The last minute of the old offset and the first of the new one, within that day."""
    while after - before > timedelta(minutes=1):
        middle = before + (after - before) // 2
        middle = middle.replace(second=0, microsecond=0)
        if _offset(middle, zone) == _offset(before, zone):
            before = middle
        else:
            after = middle
    return before, after


def _observance(zone: ZoneInfo, before: datetime, after: datetime) -> Component:
    """One offset of the zone from a moment on."""
    local = after.astimezone(zone)
    part: Component = TimezoneDaylight() if local.dst() else TimezoneStandard()
    part.add("dtstart", (after + _offset(before, zone)).replace(tzinfo=None))
    part.add("tzoffsetfrom", _offset(before, zone))
    part.add("tzoffsetto", _offset(after, zone))
    part.add("tzname", local.tzname())
    return part


def _offset(moment: datetime, zone: ZoneInfo) -> timedelta:
    return moment.astimezone(zone).utcoffset() or timedelta()


def _person(address: str, name: str) -> vCalAddress:
    person = vCalAddress(f"mailto:{address}")
    if name:
        person.params["CN"] = name
    return person


def _lines(site: Site) -> list[str]:
    return [site.clinic_name, *(line.strip() for line in site.address.splitlines() if line)]
