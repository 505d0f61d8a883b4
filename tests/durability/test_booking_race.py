"""Twenty people press the same slot at once: one gets it, the others are told.

Threads with connections of their own, on a server or on a file with the settings of the site.
"""

import os
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, time, timedelta
from itertools import combinations
from threading import Barrier

import pytest
from django.db import OperationalError, connections

from clinic.models import Appointment
from clinic.services import diary
from tests.factories import ClientFactory, RoomFactory
from tests.factories.diary import Place

pytestmark = pytest.mark.django_db(transaction=True)
# 100 rounds of 50: ROUNDS=100 BOOKERS=50 uv run pytest -n 0 tests/durability/test_booking_race.py
BOOKERS = int(os.environ.get("BOOKERS", "20"))
ROUNDS = int(os.environ.get("ROUNDS", "1"))
LENGTH = 45  # minutes of the kind that is booked


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


def apart(one, other):
    """Minutes between two times of a day."""
    return abs((one.hour - other.hour) * 60 + one.minute - other.minute)


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
        one.starts_at < other.clear_at
        and other.starts_at < one.clear_at
        and (one.clinician_id == other.clinician_id or one.room_id == other.room_id)
        for one, other in combinations(Appointment.objects.standing(), 2)
    )


@pytest.mark.parametrize("number", range(ROUNDS))
def test_one_of_twenty_gets_the_clinician(number):
    place = Place()
    rooms = [RoomFactory(site=place.site, name=f"Room {n}") for n in range(BOOKERS)]
    bookings = [place.booking(client=ClientFactory(), room=room) for room in rooms]

    assert at_once([booker(booking) for booking in bookings]) == {
        "booked": 1,
        "taken, 3 free times": BOOKERS - 1,
    }
    assert (Appointment.objects.count(), overlaps()) == (1, 0)


@pytest.mark.parametrize("number", range(ROUNDS))
def test_one_of_twenty_gets_the_room(number):
    place = Place()
    people = [place.clinician_with_hours() for _ in range(BOOKERS)]
    bookings = [place.booking(client=ClientFactory(), clinician=person) for person in people]

    assert at_once([booker(booking) for booking in bookings]) == {
        "booked": 1,
        "taken, 3 free times": BOOKERS - 1,
    }
    assert (Appointment.objects.count(), overlaps()) == (1, 0)


def test_one_client_pressing_twenty_times_has_one_booking():
    place = Place()

    assert at_once([booker(place.booking())] * BOOKERS) == {"booked": BOOKERS}
    assert Appointment.objects.count() == 1


def test_overlapping_starts_leave_no_overlap():
    place = Place()
    others = [place.clinician, place.clinician_with_hours()]
    starts = [time(9 + minute // 60, minute % 60) for minute in range(0, 150, 15)]
    bookings = [
        place.booking(client=ClientFactory(), clinician=person, local_time=start)
        for person in others
        for start in starts
    ]

    results = at_once([booker(booking) for booking in bookings])

    assert results["booked"] == Appointment.objects.count()
    assert results.total() == len(bookings)
    assert overlaps() == 0
    # nobody is refused for nothing: each wanted time, its own included, meets a standing one
    standing = Appointment.objects.standing().values_list("local_time", flat=True)
    assert all(any(apart(start, other) < LENGTH for other in standing) for start in starts)


def test_the_guard_alone_lets_one_of_twenty_in():
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
            clear_at=first.ends_at + timedelta(minutes=45),
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
