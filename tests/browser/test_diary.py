"""The diary's pages by rule of WCAG 2.2 A/AA, and a time kept and booked by hand."""

from datetime import UTC, date, datetime, time, timedelta
from io import BytesIO

import pytest
from django.utils import timezone
from pypdf import PdfReader

from clinic.models import Appointment, KeptTime
from tests.factories import AppointmentFactory, ClientFactory, RoomFactory, StaffFactory
from tests.factories.hours import HoursChangeFactory, WaitingEntryFactory
from tests.factories.people import ReassessmentFactory

pytestmark = pytest.mark.browser
CSV = b"day,time,client\n2030-01-07,10:00,ML00001\n2030-01-07,nine,ML00001\n"


@pytest.fixture
def runner(clinic_of_test):
    found = ClientFactory(
        number="ML00001",
        telephone="01632 960 111",
        address="1 Hill Road\nLarkfield",
    )
    ReassessmentFactory(
        client=found,
        clinician=clinic_of_test["ines"],
        due_on=timezone.localdate() + timedelta(days=1),
        opened_on=date(2026, 1, 1),
    )
    return found


def narrow(hand):
    """No sideways scrolling of the page at 320 CSS pixels (WCAG 1.4.10)."""
    hand.page.set_viewport_size({"width": 320, "height": 700})
    wide = hand.page.evaluate("document.documentElement.scrollWidth")
    hand.page.set_viewport_size({"width": 1366, "height": 768})
    return wide <= 320


def test_pages_of_the_desk(hand, runner):
    WaitingEntryFactory(client=runner, weekdays="04")
    hand.sign_in("rose")

    for path in (
        "/due/",
        "/due/?show=closed",
        "/due/letters/",
        "/waiting/",
        f"/clients/{runner.pk}/wait/",
        f"/clients/{runner.pk}/book/",
        "/hours/",
        "/diary/",
        "/diary/week/",
        "/diary/rooms/",
        "/diary/rooms/week/",
    ):
        hand.go(path)
        hand.check(path)
        assert narrow(hand), path


def test_pages_of_the_manager(hand, runner, clinic_of_test):
    HoursChangeFactory(
        site=runner.site, last_day=timezone.localdate() + timedelta(days=400), why="training"
    )
    hand.sign_in("max")

    for path in (
        "/hours/",
        f"/hours/weeks/{clinic_of_test['ines'].pk}/",
        "/hours/changes/new/",
        "/diary/import/",
    ):
        hand.go(path)
        hand.check(path)
        assert narrow(hand), path
    hand.page.locator("#id_file").set_input_files(
        {"name": "diary.csv", "mimeType": "text/csv", "buffer": CSV}
    )
    hand.page.get_by_role("button", name="Try the file").click()
    hand.page.get_by_role("heading", name="Report of the trial").wait_for()
    hand.check("report")


def test_the_calendar_address_of_a_clinician(hand, clinic_of_test):
    hand.sign_in("ines")
    hand.go("/calendar/")
    hand.page.get_by_role("button", name="Make an address").click()
    hand.page.get_by_role("heading", name="Your address, shown this once").wait_for()

    hand.check("calendar")
    assert narrow(hand)


def test_a_time_is_kept_while_the_client_thinks_and_then_booked(hand, runner):
    hand.sign_in("rose")
    hand.go(f"/clients/{runner.pk}/book/")

    hand.page.get_by_role("button", name="Keep 5 min").first.click()
    hand.page.get_by_role("heading", name="Kept for you until").wait_for()
    hand.check("kept")
    kept = KeptTime.objects.get()
    hand.page.get_by_role("button", name="Book it").click()
    hand.page.get_by_text("Booked for").wait_for()

    assert Appointment.objects.get().starts_at == kept.starts_at
    assert not KeptTime.objects.exists()


def test_full_rooms_print_on_one_sheet(hand, runner):
    """Five rooms: eight visits a day in the second, four in each of the last three."""
    for number in range(4):
        room = RoomFactory(site=runner.site, name=f"Treadmill room {number}")
        person = StaffFactory(home_site=runner.site)
        people = [ClientFactory(number=f"ML9{number}{hour}") for hour in range(8)]
        for day in range(5):
            for hour in range(4 if number else 8):
                AppointmentFactory(
                    site=runner.site,
                    client=people[hour],
                    clinician=person,
                    room=room,
                    local_date=date(2027, 3, 15 + day),
                    local_time=time(9 + hour),
                    starts_at=datetime(2027, 3, 15 + day, 9 + hour, tzinfo=UTC),
                )
    hand.sign_in("rose")

    found = {}
    for path in ("/diary/rooms/", "/diary/rooms/week/"):
        hand.go(f"{path}?day=2027-03-15")
        paper = hand.page.pdf(format="A4", prefer_css_page_size=True)
        pages = PdfReader(BytesIO(paper)).pages
        found[path] = len(pages), "".join(it.extract_text() for it in pages).count("Fenwick")

    assert found == {"/diary/rooms/": (1, 8 + 3 * 4), "/diary/rooms/week/": (1, 5 * (8 + 3 * 4))}
