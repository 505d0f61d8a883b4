"""Taking over a diary from CSV (RFC 4180) and iCalendar (RFC 5545): tried first, then kept."""

from datetime import UTC, date, datetime, time

import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.urls import reverse

from clinic.calendar_files import appointment_file
from clinic.diary_files import MOST_BYTES, rows_of
from clinic.domain.vocabulary import TrailAction
from clinic.models import Appointment, TrailEntry
from clinic.services import diary, diary_import
from clinic.services.diary_import import Defaults
from clinic.services.free_times import zone_of
from tests.factories import ClientFactory, RoomFactory, StaffFactory
from tests.factories.diary import Place

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)


@pytest.fixture
def place():
    found = Place()
    found.client.number = "ML00001"
    found.client.family_name = "Ó Briain"
    found.client.save()
    return found


@pytest.fixture
def defaults(place):
    return Defaults(place.site, place.kind, place.clinician)


def csv(*rows, head="day,time,client,clinician,room,kind"):
    return "\r\n".join([head, *rows]).encode()


def event(*lines, uid="a1"):
    return "\r\n".join(["BEGIN:VEVENT", f"UID:{uid}", *lines, "END:VEVENT"])


def calendar(*events):
    return "\r\n".join(
        ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:x", *events, "END:VCALENDAR", ""]
    ).encode()


def told(report):
    return [line.problem or line.appointment.local_time.strftime("%H:%M") for line in report.lines]


def test_rows_of_csv_are_tried_and_nothing_is_stored(place, defaults):
    content = csv(
        "2027-03-15,09:00,ML00001,,,",
        "15.3.2027,10.00,Orla Ó Briain,,Room 1,Reassessment",
        '15 Mar 2027,11:00,"Ó Briain, Orla",,,',
    )

    report = diary_import.tried(content, defaults, place.desk)

    assert told(report) == ["09:00", "10:00", "11:00"]
    assert Appointment.objects.count() == 0
    assert TrailEntry.objects.count() == 0


def test_every_bad_row_is_told_with_what_to_do(place, defaults):
    ClientFactory(site=place.site, given_names="Ann", family_name="Lee", birth_date="1980-01-01")
    twin = ClientFactory(site=place.site, given_names="Ann", family_name="Lee")
    content = csv(
        "tomorrow,09:00,ML00001,",
        "2027-03-15,nine,ML00001,",
        "2027-03-15,09:00,,",
        "2027-03-15,09:00,ML99999,",
        "2027-03-15,09:00,Ann Lee,",
        f"2027-03-15,09:00,Ann Lee,{twin.birth_date}",
        "2027-03-01,09:00,ML00001,",
        "2027-03-20,09:00,ML00001,",
        "2027-03-28,01:30,ML00001,",
        "2027-03-15,09:30,ML00001,",
        "2027-03-15,13:00,ML00001,last year",
        head="day,time,client,born",
    )

    report = diary_import.tried(content, defaults, place.desk)

    name = place.clinician
    assert told(report) == [
        "“tomorrow” is no day such as 2027-03-15.",
        "“nine” is no time such as 14:30.",
        "No client is named.",
        f"No client of {place.site} that is open to you is “ML99999”. Register first.",
        "2 clients are “Ann Lee”: give the record number or the birth date in the column born.",
        "09:00",
        "It lies in the past.",
        f"{name} can be booked on Saturday 20 March 2027: not at all. "
        "Reassessment takes 45 minutes.",
        "01:30 does not exist on 28 March 2027: the clocks go forward. "
        "Choose 02:30 or another time.",
        f"{name} is taken at that time. Next free: Mon 15 Mar 09:45, Mon 15 Mar 10:00, "
        "Mon 15 Mar 10:15.",
        "“last year” is no date of birth such as 1990-04-12.",
    ]
    assert [line.row.line for line in report.bad][:3] == [2, 3, 4]


@pytest.mark.parametrize(
    ("column", "value", "message"),
    [
        ("clinician", "nobody", "No clinician is “nobody”."),
        ("kind", "massage", "No kind of appointment is “massage”."),
    ],
)
def test_a_name_that_nobody_has_is_told(place, defaults, column, value, message):
    content = csv(f"2027-03-15,09:00,ML00001,{value}", head=f"day,time,client,{column}")

    assert told(diary_import.tried(content, defaults, place.desk)) == [message]


def test_without_a_clinician_the_row_is_left_out(place):
    defaults = Defaults(place.site, place.kind)

    report = diary_import.tried(csv("2027-03-15,09:00,ML00001,,,"), defaults, place.desk)

    assert told(report) == ["No clinician is named: choose one for such rows."]


def test_a_free_room_is_found_and_a_named_one_is_kept_to(place, defaults):
    other = RoomFactory(site=place.site, name="Room 2")
    colleague = place.clinician_with_hours()
    runner = ClientFactory(site=place.site, number="ML00002")
    content = csv(
        "2027-03-15,09:00,ML00001,,,",
        f"2027-03-15,09:00,ML00002,{colleague.username},,",
        f"2027-03-15,10:00,ML00001,{colleague},room 2,",
    )

    report = diary_import.imported(content, defaults, place.desk, good=3)

    assert [line.appointment.room for line in report.lines] == [place.room, other, other]
    assert report.lines[1].appointment.client == runner


def test_the_same_row_twice_in_one_file_is_one(place, defaults):
    report = diary_import.tried(csv(*["2027-03-15,09:00,ML00001,,,"] * 2), defaults, place.desk)

    assert (len(report.good), len(report.known)) == (1, 1)


def test_what_is_imported_twice_is_there_once(place, defaults):
    content = csv("2027-03-15,09:00,ML00001,,,")
    diary_import.imported(content, defaults, place.desk, good=1)

    again = diary_import.tried(content, defaults, place.desk)

    assert (len(again.good), len(again.known)) == (0, 1)
    assert Appointment.objects.count() == 1
    line = TrailEntry.objects.get(action=TrailAction.IMPORT)
    assert line.detail | {"checksum": ""} == {
        "rows": 1,
        "booked": 1,
        "known": 0,
        "left_out": 0,
        "checksum": "",
    }


def test_a_report_that_no_longer_holds_stops_all_of_it(place, defaults):
    content = csv("2027-03-15,09:00,ML00001,,,", "2027-03-16,09:00,ML00001,,,")
    diary.book(**place.booking(client=ClientFactory(site=place.site)))

    with pytest.raises(ValidationError, match="Something changed since"):
        diary_import.imported(content, defaults, place.desk, good=2)

    assert Appointment.objects.count() == 1


def test_a_calendar_is_taken_over_with_its_ids(place, defaults):
    content = calendar(
        event(
            "SUMMARY:Reassessment ML00001",
            "DTSTART;TZID=Europe/London:20270315T090000",
            "LOCATION:Room 1",
        ),
        event("SUMMARY:Orla Ó Briain", "DTSTART:20270615T100000Z", uid="b2"),
        event("SUMMARY:Orla Ó Briain", "DTSTART:20270616T100000", uid="c3"),
        event("SUMMARY:ML00001", "STATUS:CANCELLED", "DTSTART:20270617T100000", uid="d4"),
        event("SUMMARY:ML00001", "DTSTART;VALUE=DATE:20270618", uid="e5"),
        event("SUMMARY:ML00001", "DTSTART:20270621T100000", "RRULE:FREQ=DAILY", uid="f6"),
        event("SUMMARY:ML00001", uid="g7"),
    )

    report = diary_import.imported(content, defaults, place.desk, good=3)

    # 10:00 UTC is 11:00 in British Summer Time
    assert told(report) == [
        "09:00",
        "11:00",
        "10:00",
        "It has no time of day.",
        "It repeats: enter each appointment by itself.",
        "It has no time of day.",
    ]
    assert list(Appointment.objects.order_by("starts_at").values_list("uid", flat=True)) == [
        "a1",
        "b2",
        "c3",
    ]


@pytest.mark.parametrize("second", [False, True])
def test_our_own_file_is_read_back(place, second):
    night = place.clinician_with_hours(opens=time(0), closes=time(5), weekdays=[6])
    booked = diary.book(
        **place.booking(
            clinician=night, local_date=date(2027, 10, 31), local_time=time(1, 30), second=second
        )
    )

    (row,) = rows_of(appointment_file(booked)[0], zone_of(place.site))

    assert (row.starts, row.second, row.uid) == (
        datetime(2027, 10, 31, 1, 30),  # noqa: DTZ001  # on the clock of the site
        second,
        str(booked.uid),
    )


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "missing: day, time, client"),
        (b"name;when\r\nx;y", "missing: day, time, client"),
        (b"day,time,client\r\n", "holds no appointment"),
        (b"BEGIN:VCALENDAR\r\nnonsense", "cannot be read"),
        (b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\nEND:VCALENDAR\r\n", "no appointment"),
        (b"\x81\x8d\x8f", "not text"),
        (b"x" * (MOST_BYTES + 1), "larger than 500 kB"),
        (b"day,time,client\r\n" + b"1,1,1\r\n" * 5001, "more than 5000"),
    ],
)
def test_a_file_that_is_none_is_refused(place, defaults, content, message):
    with pytest.raises(ValidationError, match=message):
        diary_import.tried(content, defaults, place.desk)


def test_semicolons_and_western_letters_are_read(place, defaults):
    content = "day;time;client\r\n15/03/2027;9:00;Orla Ó Briain".encode("cp1252")

    assert told(diary_import.tried(content, defaults, place.desk)) == ["09:00"]


# The page and the command


@pytest.fixture
def manager(client, place):
    person = StaffFactory(home_site=place.site, role="manager")
    client.force_login(person)
    return client


def send(manager, place, content, name="diary.csv"):
    return manager.post(
        reverse("diary-import"),
        {
            "file": SimpleUploadedFile(name, content),
            "kind": place.kind.pk,
            "clinician": place.clinician.pk,
        },
    )


def test_the_page_tries_reports_and_imports(manager, place):
    tried = send(manager, place, csv("2027-03-15,09:00,ML00001,,,", "2027-03-15,09:00,<b>x,,,"))

    assert "1 can be booked, 0 stand already, 1 would be left out" in " ".join(
        tried.content.decode().split()
    )
    assert "&lt;b&gt;x" in tried.content.decode()
    assert Appointment.objects.count() == 0
    done = manager.post(reverse("diary-import"), {"tried": tried.context["tried"]}, follow=True)
    assert [str(it) for it in done.context["messages"]] == ["Imported: 1. Left out: 1."]
    assert Appointment.objects.count() == 1


def test_the_page_shows_a_new_report_when_the_old_one_no_longer_holds(manager, place):
    tried = send(manager, place, csv("2027-03-15,09:00,ML00001,,,"))
    diary.book(**place.booking(client=ClientFactory(site=place.site)))

    page = manager.post(reverse("diary-import"), {"tried": tried.context["tried"]})

    assert (page.status_code, len(page.context["report"].bad)) == (409, 1)


def test_the_page_refuses_what_it_did_not_seal_or_sealed_long_ago(manager, place, time_machine):
    tried = send(manager, place, csv("2027-03-15,09:00,ML00001,,,")).context["tried"]
    time_machine.move_to(datetime(2027, 3, 8, 13, 0, 1, tzinfo=UTC), tick=False)
    manager.force_login(StaffFactory(home_site=place.site, role="manager"))

    for text in (tried, "made up"):
        page = manager.post(reverse("diary-import"), {"tried": text}, follow=True)
        assert [str(it) for it in page.context["messages"]] == [
            "This page is too old. Choose the file again."
        ]
    assert Appointment.objects.count() == 0


def test_the_page_says_what_is_wrong_with_a_file(manager, place):
    page = send(manager, place, b"a,b")
    assert "missing: day, time, client" in page.context["form"].errors["file"][0]

    page = send(manager, place, b"x" * (MOST_BYTES + 1))
    assert page.context["form"].errors["file"] == ["The file is larger than 500 kB: part it."]


def test_the_command_tries_and_imports(place, tmp_path, capsys):
    file = tmp_path / "diary.csv"
    file.write_bytes(csv("2027-03-15,09:00,ML00001,,,", "2027-03-15,09:00,Nobody,,,"))
    asked = {"site": place.site.code, "by": place.desk.username, "kind": place.kind.code}
    asked["clinician"] = place.clinician.username

    call_command("import_diary", file, **asked)
    assert Appointment.objects.count() == 0
    call_command("import_diary", file, keep=True, **asked)

    out = capsys.readouterr().out.splitlines()
    assert out[1] == "1 can be booked, 0 known already, 1 left out"
    assert out[3] == "1 booked, 0 known already, 1 left out"
    assert Appointment.objects.count() == 1


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"site": "ZZ"}, "Site matching query does not exist"),
        ({"by": "nobody"}, "Staff matching query does not exist"),
        ({}, "No such file"),
    ],
)
def test_the_command_says_what_is_wrong(place, tmp_path, changed, message):
    asked = {"site": place.site.code, "by": place.desk.username, "kind": place.kind.code} | changed

    with pytest.raises(CommandError, match=message):
        call_command("import_diary", tmp_path / "none.csv", **asked)
