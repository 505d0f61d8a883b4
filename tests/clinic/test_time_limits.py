"""Check SS-04: when a sign-in ends, and that it can be made longer ten times and more.

Source: NIST SP 800-63B, 4.2 (30 minutes, 12 hours); WCAG 2.2, 2.2.1 (extend at least ten times).
"""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.conf import settings as real
from django.contrib.sessions.models import Session
from django.core.exceptions import ImproperlyConfigured
from django.urls import reverse

from clinic.models import TrailEntry
from clinic.time_limits import NOTED_EVERY, WARNED_BEFORE
from clinic.web import environment
from tests.factories import StaffFactory

START = datetime(2027, 3, 15, 8, tzinfo=UTC)
PAGE = "/clients/"


@pytest.fixture
def clock(db):
    with time_machine.travel(START, tick=False) as clock:
        yield clock


@pytest.fixture
def ines(client, clock):
    staff = StaffFactory()
    client.force_login(staff)
    return staff


def is_in(browser, page=PAGE):
    return browser.get(page).status_code == 200


def minutes_until_the_end(browser, clock, page=PAGE):
    """Minutes of silence after which a sign-in is over, to the second."""
    low, high = 0, 24 * 60 * 60
    while high - low > 1:
        middle = (low + high) // 2
        session = Session.objects.get()
        clock.shift(timedelta(seconds=middle))
        alive = is_in(browser, page)
        clock.shift(timedelta(seconds=-middle))
        browser.cookies[real.SESSION_COOKIE_NAME] = session.session_key
        session.save()  # as it was before the look
        low, high = (middle, high) if alive else (low, middle)
    return high / 60


def test_unused_sign_in_ends_after_thirty_minutes(client, ines, clock):
    assert minutes_until_the_end(client, clock) == 30


@pytest.mark.parametrize("minutes", [5, 10])
def test_clinic_sets_the_length(client, ines, clock, settings, minutes):
    settings.IDLE_SECONDS = minutes * 60

    assert minutes_until_the_end(client, clock) == minutes


def test_used_sign_in_ends_after_twelve_hours(client, ines, clock):
    for _ in range(12 * 6 - 1):
        clock.shift(timedelta(minutes=10))
        assert is_in(client)
    clock.shift(timedelta(minutes=9, seconds=59))
    assert is_in(client)
    clock.shift(timedelta(seconds=1))

    assert not is_in(client)


def test_sign_in_is_extended_more_than_ten_times(client, ines, clock):
    extensions = 0
    while True:
        clock.shift(timedelta(minutes=29))
        answer = client.post(reverse("sign-in-extend"), headers={"X-Act": "clock"})
        if answer.status_code == 401:
            break
        extensions += 1

    assert extensions == 24  # 24 times 29 minutes; the 25th lies after twelve hours


def test_page_that_only_says_it_is_open_keeps_nothing_alive(client, ines, clock):
    for _ in range(29):
        clock.shift(timedelta(minutes=1))
        fields = {"address": "/clients/"}
        assert client.post("/pages/opened/", fields).status_code == 200
        assert client.get("/sign-in/left/").status_code == 200
        client.post("/pages/unsent/")
        client.post("/pages/closed/", fields)
    clock.shift(timedelta(minutes=1))

    assert client.post("/pages/opened/", fields).status_code == 302
    assert not is_in(client)


def test_use_is_noted_no_later_than_promised(client, ines, clock):
    """Not every request writes; what is not written makes the limit shorter, never longer."""
    clock.shift(timedelta(seconds=NOTED_EVERY - 1))
    assert is_in(client)

    assert minutes_until_the_end(client, clock) == pytest.approx(30, abs=NOTED_EVERY / 60)


def test_use_within_the_same_moment_writes_nothing(client, ines, django_assert_num_queries):
    with django_assert_num_queries(3):  # session, person, roles
        client.get("/sign-in/left/")
    with django_assert_num_queries(3):
        client.post(reverse("sign-in-extend"))


def test_page_knows_what_is_left(client, ines, clock):
    clock.shift(timedelta(minutes=10))
    before = client.get("/sign-in/left/").json()
    after = client.post("/sign-in/extend/").json()

    assert (before["idle"], before["whole"]) == (20 * 60, 11 * 3600 + 50 * 60)
    assert (after["idle"], after["whole"]) == (30 * 60, 11 * 3600 + 50 * 60)
    page = client.get(PAGE).content.decode()
    assert 'data-idle="1800"' in page
    assert 'data-whole="42600"' in page


def test_warning_leaves_two_minutes_also_in_the_background():
    script = (real.BASE_DIR / "clinic/static/clinic/clock.js").read_text(encoding="utf-8")

    assert f"WARNED_BEFORE_MS = {WARNED_BEFORE}_000" in script
    assert WARNED_BEFORE - 60 >= 120  # a page in the background is woken once a minute


def test_ended_sign_in_is_told_and_leads_back(client, ines, clock):
    clock.shift(timedelta(minutes=30))

    answer = client.get(PAGE)
    page = client.get(answer.url).content.decode()

    assert answer.url == "/accounts/login/?next=/clients/&ended=unused"
    assert "nothing was done for 30 minutes" in page
    assert 'name="next" value="/clients/"' in page


def test_words_of_the_address_are_not_repeated(client, db):
    page = client.get("/accounts/login/?ended=<b>sent+by+somebody</b>").content.decode()

    assert "sent by somebody" not in page


def test_end_is_a_line_and_uses_up_no_act(client, ines, clock):
    act = "0b3f1c1e-54a2-4a43-9d7e-55b0a1d8c3aa"
    clock.shift(timedelta(minutes=31))

    assert client.post("/sign-in/extend/", headers={"X-Act": act}).status_code == 401

    line = TrailEntry.objects.get()
    assert (line.action, line.actor, line.origin) == ("sign_out", ines, "127.0.0.1")
    assert (line.detail, line.act) == ({"why": "unused"}, None)


def test_session_without_its_times_has_ended(client, ines):
    session = client.session
    del session["sign-in-began"]
    session.save()

    assert not is_in(client)


@pytest.mark.parametrize("value", ["4", "31", "-5", "half", "1.5", ""])
def test_length_outside_its_limits_stops_the_start(monkeypatch, value):
    monkeypatch.setenv("CLINIC_IDLE_MINUTES", value)

    with pytest.raises(ImproperlyConfigured, match="write a number from 5 to 30"):
        environment.number("CLINIC_IDLE_MINUTES", default=30, least=5, most=30)


def test_length_is_read(monkeypatch):
    monkeypatch.setenv("CLINIC_IDLE_MINUTES", "12")

    assert environment.number("CLINIC_IDLE_MINUTES", default=30, least=5, most=30) == 12
