"""The database itself refuses double booking, whatever writes to it."""

from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest
from django.db import DatabaseError, connection, transaction

from clinic.domain.vocabulary import AppointmentState
from clinic.models import Appointment
from tests.factories import AppointmentFactory, ClientFactory, RoomFactory, StaffFactory
from tests.factories.diary import Place

pytestmark = pytest.mark.django_db
NINE = datetime(2027, 3, 15, 9, tzinfo=UTC)
COPY = """
INSERT INTO clinic_appointment (site_id, client_id, clinician_id, room_id, kind_id, local_date,
  local_time, time_zone, second_time, starts_at, ends_at, clear_at, state, reason, booked_by_id,
  booked_at, changed_at, sequence, uid, cancelled_at)
SELECT site_id, %s, %s, %s, kind_id, local_date, local_time, time_zone,
  second_time, %s, %s, %s, %s, '',
  booked_by_id, booked_at, changed_at, 0, %s, %s FROM clinic_appointment WHERE id = %s
"""


@pytest.fixture
def place():
    return Place()


@pytest.fixture
def standing(place):
    """An appointment from 9:00 to 9:45."""
    return AppointmentFactory(
        site=place.site,
        client=place.client,
        clinician=place.clinician,
        room=place.room,
        kind=place.kind,
    )


@pytest.fixture
def elsewhere(place):
    """Another clinician and another room."""
    return StaffFactory(home_site=place.site), RoomFactory(site=place.site, name="Room 2")


def stored(moment):
    return connection.ops.adapt_datetimefield_value(moment)


def insert(standing, clinician, room, start, minutes, state="booked"):
    """A row by straight SQL, from `start` minutes after nine on."""
    starts_at = NINE + timedelta(minutes=start)
    ends_at = starts_at + timedelta(minutes=minutes)
    values = [
        ClientFactory().pk,
        clinician.pk,
        room.pk,
        *map(stored, (starts_at, ends_at, ends_at)),
        state,
    ]
    with transaction.atomic(), connection.cursor() as cursor:
        cancelled_at = stored(NINE) if state == "cancelled" else None
        cursor.execute(COPY, [*values, str(uuid4()), cancelled_at, standing.pk])


def update(row, sets, values):
    statement = f"UPDATE clinic_appointment SET {sets} WHERE id = %s"  # noqa: S608 own words
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement, [*values, row.pk])


OVERLAPS = [(0, 45), (-15, 16), (44, 30), (10, 5), (-30, 120)]


@pytest.mark.parametrize(("start", "minutes"), OVERLAPS)
def test_overlap_of_a_clinician_is_refused(standing, elsewhere, start, minutes):
    with pytest.raises(DatabaseError, match=r"clinician is taken|appointment_clinician_free"):
        insert(standing, standing.clinician, elsewhere[1], start, minutes)

    assert Appointment.objects.count() == 1


@pytest.mark.parametrize(("start", "minutes"), OVERLAPS)
def test_overlap_of_a_room_is_refused(standing, elsewhere, start, minutes):
    with pytest.raises(DatabaseError, match=r"room is taken|appointment_room_free"):
        insert(standing, elsewhere[0], standing.room, start, minutes)

    assert Appointment.objects.count() == 1


@pytest.mark.parametrize(("start", "minutes"), [(-45, 45), (45, 45)])
def test_back_to_back_is_allowed(standing, start, minutes):
    insert(standing, standing.clinician, standing.room, start, minutes)

    assert Appointment.objects.count() == 2


def test_time_to_clear_the_room_is_taken(standing):
    update(standing, "clear_at = %s", [stored(NINE + timedelta(minutes=60))])

    with pytest.raises(DatabaseError, match=r"is taken|_free"):
        insert(standing, standing.clinician, standing.room, 45, 45)
    insert(standing, standing.clinician, standing.room, 60, 45)


def test_another_clinician_in_another_room_is_allowed(standing, elsewhere):
    insert(standing, *elsewhere, 0, 45)

    assert Appointment.objects.count() == 2


def test_a_cancelled_appointment_takes_no_time(standing):
    insert(standing, standing.clinician, standing.room, 0, 45, state="cancelled")
    update(standing, "state = %s, cancelled_at = %s", [AppointmentState.CANCELLED, stored(NINE)])
    insert(standing, standing.clinician, standing.room, 0, 45)

    assert Appointment.objects.standing().count() == 1


@pytest.mark.parametrize(
    ("sets", "change"),
    [
        ("starts_at = %s", lambda of: [stored(NINE + timedelta(minutes=30))]),
        ("clinician_id = %s, starts_at = %s", lambda of: [of.clinician_id, stored(NINE)]),
    ],
)
def test_moving_into_an_overlap_is_refused(standing, sets, change):
    following = following_one(standing)

    with pytest.raises(DatabaseError, match=r"is taken|_free"):
        update(following, sets, change(standing))


def following_one(standing, **changed):
    starts_at = NINE + timedelta(minutes=45)
    given = {
        name: getattr(standing, name) for name in ("site", "clinician", "room", "kind")
    } | changed
    return AppointmentFactory(client=ClientFactory(), starts_at=starts_at, **given)


@pytest.mark.parametrize("what", ["clinician", "room"])
def test_changing_to_a_taken_clinician_or_room_is_refused(standing, elsewhere, what):
    other = AppointmentFactory(
        site=standing.site,
        client=ClientFactory(),
        clinician=elsewhere[0],
        room=elsewhere[1],
        kind=standing.kind,
    )

    with pytest.raises(DatabaseError, match=rf"{what} is taken|appointment_{what}_free"):
        update(other, f"{what}_id = %s", [getattr(standing, f"{what}_id")])


@pytest.fixture
def cancelled(standing):
    insert(standing, standing.clinician, standing.room, 120, 45, state="cancelled")
    return Appointment.objects.get(state=AppointmentState.CANCELLED)


@pytest.mark.parametrize(
    ("sets", "value"),
    [
        ("state = %s", AppointmentState.BOOKED),
        ("reason = %s", "Another reason"),
        ("cancelled_at = %s", stored(NINE - timedelta(days=3))),
        ("starts_at = %s", stored(NINE + timedelta(days=3))),
        ("local_time = %s", "11:00:00"),
        ("local_date = %s", "2027-03-20"),
        ("time_zone = %s", "America/New_York"),
    ],
)
def test_what_was_cancelled_is_never_changed(cancelled, sets, value):
    with pytest.raises(DatabaseError, match="what was cancelled is never changed"):
        update(cancelled, sets, [value])

    assert Appointment.objects.filter(state=AppointmentState.CANCELLED).count() == 1


@pytest.mark.parametrize(
    ("sets", "values"),
    [
        ("state = %s", [AppointmentState.CANCELLED]),
        ("cancelled_at = %s", [stored(NINE)]),
    ],
)
def test_cancelled_and_its_time_go_together(standing, sets, values):
    with pytest.raises(DatabaseError, match="appointment_cancelled_has_time"):
        update(standing, sets, values)


def test_a_change_that_moves_nothing_is_allowed(standing):
    arrived = [AppointmentState.ARRIVED, stored(NINE)]
    update(standing, "state = %s, arrived_at = %s", arrived)
    update(standing, "starts_at = starts_at, ends_at = ends_at", [])

    standing.refresh_from_db()
    assert standing.state == AppointmentState.ARRIVED
