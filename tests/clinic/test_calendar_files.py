"""Calendar files, read back by two parsers that did not write them.

RFC 5545 (content lines, VTIMEZONE), RFC 5546 3.2 (REQUEST, CANCEL; UID and SEQUENCE), RFC 7986.
Parsers: `ical` and `vobject`; the files are written with `icalendar`.
"""

import re
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest
import vobject
from django.urls import reverse
from ical.calendar_stream import CalendarStream

from clinic.calendar_files import appointment_file, feed_file
from clinic.models import Appointment, CalendarFeed, TrailEntry
from clinic.services import diary, reminders
from tests.factories import AppointmentFactory, ClientFactory, StaffFactory
from tests.factories.diary import Place

pytestmark = pytest.mark.django_db
LONDON = ZoneInfo("Europe/London")


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)


@pytest.fixture
def place():
    return Place(email="desk@clinic.example", clinic_name="Larkfield, Mill; Lane\\Quay")


@pytest.fixture
def booked(place):
    return diary.book(**place.booking())


def read(content):
    """What each parser makes of a file: (uid, sequence, status, start, end, summary) of events."""
    text = content.decode()
    (calendar,) = CalendarStream.from_ics(text).calendars
    one = [
        (
            it.uid,
            it.sequence,
            it.status.value,
            it.dtstart.astimezone(UTC),
            it.dtend.astimezone(UTC),
            it.summary,
        )
        for it in calendar.events
    ]
    other = [
        (
            it.uid.value,
            int(it.sequence.value),
            it.status.value,
            it.dtstart.value.astimezone(UTC),
            it.dtend.value.astimezone(UTC),
            it.summary.value,
        )
        for it in getattr(vobject.readOne(text), "vevent_list", [])
    ]
    assert one == other
    return one


def method_of(content):
    return vobject.readOne(content.decode()).method.value


def test_new_moved_and_cancelled_keep_one_uid_with_a_rising_sequence(place, booked):
    place.client.email = "orla@runner.example"
    place.client.save()
    booked.refresh_from_db()
    files = [appointment_file(booked)]
    moved = diary.move(
        appointment=booked,
        clinician=place.clinician,
        room=place.room,
        local_date=date(2027, 4, 6),
        local_time=time(14, 30),
        seen=0,
        by=place.desk,
    )
    files.append(appointment_file(moved))
    files.append(appointment_file(diary.cancel(appointment=moved, reason="Away", by=place.desk)))

    (first,), (second,), (third,) = (read(content) for content, _ in files)
    assert {first[0], second[0], third[0]} == {str(booked.uid)}
    assert [it[1] for it in (first, second, third)] == [0, 1, 2]
    assert [it[2] for it in (first, second, third)] == ["CONFIRMED", "CONFIRMED", "CANCELLED"]
    assert [method for _, method in files] == ["REQUEST", "REQUEST", "CANCEL"]
    assert [method_of(content) for content, _ in files] == ["REQUEST", "REQUEST", "CANCEL"]
    assert first[3:5] == (booked.starts_at, booked.ends_at)
    # 14:30 in summer time
    assert second[3] == datetime(2027, 4, 6, 13, 30, tzinfo=UTC)


def test_nobody_is_invited_without_an_address(place, booked):
    content, method = appointment_file(booked)

    assert (method, b"ATTENDEE" in content) == ("PUBLISH", False)


def test_lines_are_folded_and_special_marks_escaped(place, booked):
    place.site.address = "An old rope store beside the long quay, second yard on the left\nHarbour"
    place.site.save()
    booked = Appointment.objects.get(pk=booked.pk)

    content, _ = appointment_file(booked)

    lines = content.split(b"\r\n")
    assert max(len(line) for line in lines) <= 75  # RFC 5545, 3.1
    assert b"\n" not in b"".join(lines)
    (event,) = CalendarStream.from_ics(content.decode()).calendars[0].events
    assert event.location.startswith("Larkfield, Mill; Lane\\Quay, An old rope store")


def test_the_zone_is_given_with_its_rules(booked):
    content, _ = appointment_file(booked)

    text = content.decode()
    assert "DTSTART;TZID=Europe/London:20270315T090000" in text
    assert re.search(r"BEGIN:VTIMEZONE\r\nTZID:Europe/London", text)


@pytest.mark.parametrize("second", [False, True])
def test_a_time_shown_twice_is_written_as_the_instant(place, second):
    night = place.clinician_with_hours(opens=time(0), closes=time(5), weekdays=[6])
    booked = diary.book(
        **place.booking(
            clinician=night, local_date=date(2027, 10, 31), local_time=time(1, 30), second=second
        )
    )

    ((_, _, _, start, end, _),) = read(appointment_file(booked)[0])

    assert (start, end) == (booked.starts_at, booked.ends_at)


HEALTH = ["reassess", "gait", "injur", "pain", "treat", "physio", "exercise", "assess", "knee"]


def test_no_file_speaks_of_health_or_gives_the_clients_name(place, booked):
    booked.reason = ""
    files = [appointment_file(booked)[0], feed_file([booked], "Ines")]

    for content in files:
        text = content.decode().casefold()
        assert [word for word in HEALTH if word in text] == []
        assert place.client.family_name.casefold() not in text
        assert place.client.given_names.casefold() not in text


def test_the_file_is_handed_out_and_recorded(client, place, booked):
    client.force_login(place.desk)

    answer = client.get(reverse("appointment-calendar", args=[booked.pk]))

    assert answer["Content-Type"] == "text/calendar; charset=utf-8; method=PUBLISH"
    assert read(answer.content)[0][0] == str(booked.uid)
    assert TrailEntry.objects.filter(action="export", object_key=str(booked.pk)).exists()


def test_the_page_sends_it_to_who_agreed(client, place, booked, mailoutbox):
    from tests.factories.people import ConsentFactory

    place.client.email = "orla@runner.example"
    place.client.save()
    client.force_login(place.desk)
    where = reverse("appointment-open", args=[booked.pk])
    send = reverse("appointment-send", args=[booked.pk])
    assert "E-mail it" not in client.get(where).content.decode()
    refused = client.post(send, follow=True)
    assert [str(it) for it in refused.context["messages"]] == [reminders.NO_CONSENT]

    ConsentFactory(client=place.client, purpose="reminding")
    assert "E-mail it to orla@runner.example" in client.get(where).content.decode()
    client.post(send, follow=True)

    (message,) = mailoutbox
    ((name, content, kind),) = message.attachments
    assert (name, kind) == ("appointment.ics", "text/calendar; method=REQUEST")
    assert read(content if isinstance(content, bytes) else content.encode())[0][1] == 0
    Appointment.objects.update(state="seen")
    gone = client.post(send, follow=True)
    assert [str(it) for it in gone.context["messages"]] == ["This appointment is seen by now."]


# A clinician's calendar address


def make(client):
    page = client.post(reverse("calendar-open"), {"make": ""})
    return page.context["address"].removeprefix("http://testserver")


@pytest.fixture
def clinician(client, place):
    client.force_login(place.clinician)
    return client


def test_the_address_shows_own_standing_appointments(clinician, place, booked, django_user_model):
    from django.test import Client

    AppointmentFactory(
        site=place.site,
        client=ClientFactory(),
        clinician=StaffFactory(home_site=place.site),
        room=place.room,
        kind=place.kind,
        starts_at=datetime(2027, 3, 16, 9, tzinfo=UTC),
    )
    address = make(clinician)

    stranger = Client()
    answer = stranger.get(address)
    assert [it[0] for it in read(answer.content)] == [str(booked.uid)]
    assert answer["Cache-Control"] == "no-store"
    diary.cancel(appointment=booked, reason="Away", by=place.desk)
    assert read(stranger.get(address).content) == []


def test_the_address_is_shown_once_and_only_its_hash_is_kept(clinician):
    address = make(clinician)

    secret = address.rstrip("/").rpartition("/")[2]
    assert len(secret) == 43  # 256 bits
    assert secret not in clinician.get(reverse("calendar-open")).content.decode()
    assert CalendarFeed.objects.get().secret_sha256 == reminders.hash_of(secret)


def test_a_new_address_ends_the_old_one(clinician):
    first, second = make(clinician), make(clinician)

    assert (clinician.get(first).status_code, clinician.get(second).status_code) == (404, 200)
    clinician.post(reverse("calendar-open"), {"end": ""})
    assert clinician.get(second).status_code == 404


@pytest.mark.parametrize("change", ["is_active", "groups"])
def test_who_left_or_lost_the_role_is_read_no_longer(clinician, place, change):
    address = make(clinician)

    if change == "groups":
        place.clinician.groups.clear()
    else:
        place.clinician.is_active = False
        place.clinician.save()

    assert clinician.get(address).status_code in {302, 404}
    from django.test import Client

    assert Client().get(address).status_code == 404


def test_the_rules_of_a_zone_are_those_of_the_tz_database(booked):
    """IANA tz database: London forward at 01:00 GMT on 28 March 2027, back on 31 October."""
    text = appointment_file(booked)[0].decode()

    onsets = re.findall(
        r"BEGIN:(\w+)\r\nDTSTART:(\S+)\r\nTZNAME:(\w+)\r\nTZOFFSETFROM:(\S+)\r\nTZOFFSETTO:(\S+)",
        text,
    )
    assert [it for it in onsets if it[1].startswith("2027")] == [
        ("DAYLIGHT", "20270328T010000", "BST", "+0000", "+0100"),
        ("STANDARD", "20271031T020000", "GMT", "+0100", "+0000"),
    ]


@pytest.mark.parametrize(
    "zone", ["America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "Pacific/Apia"]
)
@pytest.mark.parametrize("day", [date(2027, 1, 15), date(2027, 7, 15)])
def test_other_zones_are_read_right(zone, day):
    place = Place(code="FA", name="Far", time_zone=zone)
    person = place.clinician_with_hours(weekdays=range(7))
    booked = diary.book(**place.booking(clinician=person, local_date=day, local_time=time(10)))

    ((_, _, _, start, end, _),) = read(appointment_file(booked)[0])

    assert (start, end) == (booked.starts_at, booked.ends_at)
    assert start == datetime.combine(day, time(10), tzinfo=ZoneInfo(zone)).astimezone(UTC)


def test_a_guessed_address_leads_nowhere(client, place):
    assert client.get("/calendars/guessed/").status_code == 404


def test_an_ended_address_cannot_be_brought_back(clinician):
    from django.db import DatabaseError, transaction

    make(clinician)
    clinician.post(reverse("calendar-open"), {"end": ""})

    with pytest.raises(DatabaseError), transaction.atomic():
        CalendarFeed.objects.update(revoked_at=None)
