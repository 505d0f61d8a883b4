"""A browser that counts what the hand does and hears what the page complains about."""

import re
import shutil

import pytest
from axe_playwright_python.sync_playwright import Axe

from clinic.domain.vocabulary import Role
from tests.factories import (
    AppointmentKindFactory,
    OpeningHoursFactory,
    ReferrerFactory,
    RoomFactory,
    SiteFactory,
    StaffFactory,
)

PASS_PHRASE = "slow steady miles 7"  # an invented account of the test database
# answers that the page reads itself (sign in again, overtaken, refused), and a network that is cut
MEANT = re.compile(r"favicon|responded with a status of (401|403|409|422)|net::ERR_INTERNET")
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    return {
        **browser_type_launch_args,
        "executable_path": shutil.which("chromium"),
        "args": [
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--no-first-run",
            "--disable-dev-shm-usage",
        ],
    }


@pytest.fixture(scope="session")
def browser_context_args(browser_context_args):
    return {
        **browser_context_args,
        "viewport": {"width": 1366, "height": 768},
        "locale": "en-GB",
        "timezone_id": "Europe/London",
    }


class Hand:
    """Drives one page and counts key presses and clicks; the characters of a typed value are free.

    A value that is typed into a field costs what it takes to get there, not its characters.
    """

    def __init__(self, page, address):
        self.page, self.address, self.count = page, address, 0
        self.complaints, self.outside, self.pages_checked = [], [], []
        page.on("console", self._hear)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", self._watch)

    def _hear(self, message):
        if message.type == "error" or "Content Security Policy" in message.text:
            self.complaints.append(message.text)

    def _watch(self, request):
        if not request.url.startswith((self.address, "blob:", "data:", "about:")):
            self.outside.append(request.url)

    def go(self, path):
        self.page.goto(self.address + path)

    def press(self, key, times=1):
        for _ in range(times):
            self.page.keyboard.press(key)
        self.count += times

    def click(self, target):
        target.click()
        self.count += 1

    def type(self, target, value):
        """Type a value into a field that one click reaches."""
        target.fill(value)
        self.count += 1

    def write(self, value):
        """Type a value where the focus is."""
        self.page.keyboard.type(value)

    def sign_in(self, name):
        self.go("/accounts/login/")
        self.page.get_by_label("Name you sign in with").fill(name)
        self.page.get_by_label("Password", exact=True).fill(PASS_PHRASE)
        self.page.keyboard.press("Enter")
        self.page.wait_for_url(self.address + "/")

    def violations(self):
        """What axe-core finds against WCAG 2.2 A/AA: rule and the first places of each."""
        found = (
            Axe()
            .run(self.page, options={"runOnly": {"type": "tag", "values": WCAG}})
            .response["violations"]
        )
        return [(v["id"], [n["html"][:200] for n in v["nodes"][:3]]) for v in found]

    def check(self, name):
        """No violation on the page as it stands."""
        self.pages_checked.append(name)
        assert [(name, *fault) for fault in self.violations()] == []


@pytest.fixture
def hand(page, live_server):
    hand = Hand(page, live_server.url)
    yield hand
    assert hand.outside == []
    assert [text for text in hand.complaints if not MEANT.search(text)] == []


@pytest.fixture
def clinic_of_test(edition, transactional_db, django_user_model):
    """One site with a clinician, a receptionist and what a booking needs."""
    site = SiteFactory()
    people = {}
    for name, role in (
        ("ines", Role.CLINICIAN),
        ("jonas", Role.CLINICIAN),
        ("rose", Role.RECEPTION),
        ("max", Role.MANAGER),
    ):
        person = StaffFactory(username=name, first_name=name.title(), home_site=site, role=role)
        person.set_password(PASS_PHRASE)
        person.save()
        people[name] = person
    RoomFactory(site=site)
    AppointmentKindFactory(site=site)
    AppointmentKindFactory(site=site, code="first", name="First assessment", minutes=60)
    ReferrerFactory(site=site)
    for weekday in range(7):
        OpeningHoursFactory(site=site, clinician=people["ines"], weekday=weekday)
    return people
