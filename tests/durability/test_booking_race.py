"""Twenty people press the same slot at once: one gets it, the others are told.

Threads with connections of their own. On SQLite the test database is kept in memory, where
connections of several threads lock each other out in another way than in a file; so this test
makes a file of its own with the settings of the site.
"""

import sqlite3
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime, time, timedelta
from itertools import combinations
from threading import Barrier

import pytest
from django.db import OperationalError, connection, connections

from clinic.models import Appointment
from clinic.services import diary
from clinic.web import settings as site
from tests.factories import ClientFactory, RoomFactory
from tests.factories.diary import Place

pytestmark = pytest.mark.django_db(transaction=True)
BOOKERS = 20


@pytest.fixture
def shared_database(tmp_path):
    """The test database as every thread sees it: on SQLite a copy in a file."""
    if connection.vendor == "postgresql":
        yield
        return
    in_memory, given = connections["default"], connections.settings["default"]
    file = tmp_path / "race.sqlite3"
    in_memory.ensure_connection()
    with closing(sqlite3.connect(file)) as target:
        in_memory.connection.backup(target)
    connections.settings["default"] = {**given, "NAME": str(file), "OPTIONS": site.SQLITE_OPTIONS}
    del connections["default"]
    try:
        yield
    finally:
        connections["default"].close()
        connections.settings["default"], connections["default"] = given, in_memory


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC))


def at_once(work):
    """Results of all the calls, started together, each in a thread of its own."""
    barrier = Barrier(len(work))

    def attempt(call):
        try:
            barrier.wait()
            return call()
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(work)) as pool:
        return Counter(pool.map(attempt, work))


def booker(booking):
    def call():
        try:
            diary.book(**booking)
        except diary.TakenError as refused:
            return f"taken, {len(refused.free)} free times"
        return "booked"

    return call


def overlaps():
    """Pairs of standing appointments that share a moment of a clinician or a room."""
    return sum(
        one.starts_at < other.ends_at
        and other.starts_at < one.ends_at
        and (one.clinician_id == other.clinician_id or one.room_id == other.room_id)
        for one, other in combinations(Appointment.objects.standing(), 2)
    )


def test_one_of_twenty_gets_the_clinician(shared_database):
    place = Place()
    rooms = [RoomFactory(site=place.site, name=f"Room {n}") for n in range(BOOKERS)]
    bookings = [place.booking(client=ClientFactory(), room=room) for room in rooms]

    assert at_once([booker(booking) for booking in bookings]) == {
        "booked": 1,
        "taken, 3 free times": BOOKERS - 1,
    }
    assert (Appointment.objects.count(), overlaps()) == (1, 0)


def test_one_of_twenty_gets_the_room(shared_database):
    place = Place()
    people = [place.clinician_with_hours() for _ in range(BOOKERS)]
    bookings = [place.booking(client=ClientFactory(), clinician=person) for person in people]

    assert at_once([booker(booking) for booking in bookings]) == {
        "booked": 1,
        "taken, 3 free times": BOOKERS - 1,
    }
    assert (Appointment.objects.count(), overlaps()) == (1, 0)


def test_one_client_pressing_twenty_times_has_one_booking(shared_database):
    place = Place()

    assert at_once([booker(place.booking())] * BOOKERS) == {"booked": BOOKERS}
    assert Appointment.objects.count() == 1


def test_overlapping_starts_leave_no_overlap(shared_database):
    place = Place()
    others = [place.clinician, place.clinician_with_hours()]
    starts = [time(9 + minute // 60, minute % 60) for minute in range(0, 150, 15)]
    bookings = [
        place.booking(client=ClientFactory(), clinician=person, local_time=start)
        for person in others
        for start in starts
    ]

    results = at_once([booker(booking) for booking in bookings])

    assert results["booked"] == Appointment.objects.count() >= 2
    assert results.total() == len(bookings)
    assert overlaps() == 0


def test_the_guard_alone_lets_one_of_twenty_in(shared_database):
    """No check and no lock before the insert: what is left is the database's own refusal."""
    place = Place()
    first = diary.book(**place.booking())
    bookings = [
        Appointment(
            **{
                name: getattr(first, name)
                for name in (
                    "site", "clinician", "room", "kind", "local_date", "local_time", "time_zone",
                    "booked_by", "booked_at", "changed_at",
                )
            },
            client=ClientFactory(),
            starts_at=first.ends_at,
            ends_at=first.ends_at + timedelta(minutes=45),
        )
        for _ in range(BOOKERS)
    ]  # fmt: skip

    def inserter(appointment):
        def call():
            try:
                with diary.refused_by_guard(appointment):
                    appointment.save()
            except (diary.TakenError, OperationalError) as refused:
                return "refused" if isinstance(refused, diary.TakenError) else "deadlock"
            return "saved"

        return call

    results = at_once([inserter(appointment) for appointment in bookings])

    assert results["saved"] == 1
    assert (Appointment.objects.count(), overlaps()) == (2, 0)
