"""Booking, moving and what becomes of an appointment."""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError

from clinic.domain.vocabulary import AppointmentState, TrailAction
from clinic.models import Appointment, TrailEntry
from clinic.services import diary, free_times
from clinic.services.free_times import Wish
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    RoomFactory,
    StaffFactory,
)
from tests.factories.diary import Place

pytestmark = pytest.mark.django_db
MONDAY = date(2027, 3, 15)


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)


@pytest.fixture
def place():
    return Place()


@pytest.fixture
def booked(place):
    return diary.book(**place.booking())


def words(offers):
    return [offer.words for offer in offers]


def offers(place, many=6, **wish):
    wanted = {"kind": place.kind, "first_day": MONDAY, "clinician": place.clinician} | wish
    found = free_times.offers(Wish(**wanted), many)
    return found.same, found.others


# offers


def test_offers_are_the_first_free_times_of_the_clinician(place):
    same, others = offers(place, many=3)

    assert words(same) == ["Mon 15 Mar 09:00", "Mon 15 Mar 09:15", "Mon 15 Mar 09:30"]
    assert others == []


def test_offers_put_other_clinicians_in_order_of_time(place):
    place.clinician_with_hours(opens=time(11))
    early = place.clinician_with_hours(opens=time(8, 30))

    same, others = offers(place, many=2)

    assert {offer.clinician for offer in same} == {place.clinician}
    assert [(offer.clinician, offer.words) for offer in others] == [
        (early, "Mon 15 Mar 08:30"),
        (early, "Mon 15 Mar 08:45"),
    ]


def test_offers_skip_what_is_booked_and_what_lies_in_the_past(place, time_machine):
    diary.book(**place.booking())
    time_machine.move_to(datetime(2027, 3, 15, 8, 0, tzinfo=UTC), tick=False)

    same, _ = offers(place, many=1)

    assert words(same) == ["Mon 15 Mar 09:45"]
    time_machine.move_to(datetime(2027, 3, 15, 10, 1, tzinfo=UTC), tick=False)
    same, _ = offers(place, many=1)
    assert words(same) == ["Mon 15 Mar 10:15"]


def test_offers_go_on_after_a_moment(place):
    after = datetime(2027, 3, 15, 9, 15, tzinfo=UTC)

    same, _ = offers(place, after=after, many=1)

    assert words(same) == ["Mon 15 Mar 09:30"]


def test_offers_know_a_clinician_booked_at_another_site(place):
    other = Place(code="QY", name="Quay")
    AppointmentFactory(
        site=other.site,
        client=other.client,
        room=other.room,
        kind=other.kind,
        clinician=place.clinician,
    )

    same, _ = offers(place, many=1)

    assert words(same) == ["Mon 15 Mar 09:45"]


def test_offers_leave_out_the_clients_own_appointments(place, booked):
    other = place.clinician_with_hours()
    RoomFactory(site=place.site, name="Room 2")

    found, _ = offers(place, clinician=other, client=place.client, many=1)

    assert words(found) == ["Mon 15 Mar 09:45"]


def test_offers_prefer_a_room_that_has_no_more_than_is_needed(place):
    plain = RoomFactory(site=place.site, name="Room 2", has_treadmill=False)
    talk = AppointmentKindFactory(site=place.site, code="talk", name="Talk", needs_treadmill=False)

    run, _ = offers(place, many=1)
    quiet, _ = offers(place, kind=talk, many=1)

    assert (run[0].room, quiet[0].room) == (place.room, plain)


# book


def test_booking_keeps_local_time_zone_and_instants(place):
    found = diary.book(**place.booking(local_date=date(2027, 7, 5), local_time=time(9)))

    assert (found.local_date, found.local_time, found.time_zone) == (
        date(2027, 7, 5),
        time(9),
        "Europe/London",
    )
    assert found.starts_at == datetime(2027, 7, 5, 8, tzinfo=UTC)  # British Summer Time
    assert found.ends_at - found.starts_at == timedelta(minutes=45)
    assert (found.state, found.booked_by) == (AppointmentState.BOOKED, place.desk)


def test_booking_leaves_a_line_in_the_trail(place, booked):
    entry = TrailEntry.objects.get(action=TrailAction.BOOK)

    assert (entry.client, entry.object_key, entry.actor) == (
        place.client,
        str(booked.pk),
        place.desk,
    )
    assert entry.detail == {"state": "booked", "day": "2027-03-15", "sequence": 0}


def test_the_same_booking_twice_is_one(place, booked):
    again = diary.book(**place.booking())

    assert again == booked
    assert Appointment.objects.count() == 1
    assert TrailEntry.objects.filter(action=TrailAction.BOOK).count() == 1


@pytest.mark.parametrize(
    ("zone", "day", "at", "message"),
    [
        # AP-01: IANA tz database, European Union and United States rules of 2027
        ("Europe/London", date(2027, 3, 28), time(1, 30), "01:30 does not exist on 28 March 2027"),
        (
            "America/New_York",
            date(2027, 3, 14),
            time(2, 30),
            "02:30 does not exist on 14 March 2027",
        ),
    ],
)
def test_a_time_that_does_not_exist_is_refused(zone, day, at, message):
    place = Place(code="NT", name="Night", time_zone=zone)

    with pytest.raises(ValidationError) as refused:
        diary.book(**place.booking(local_date=day, local_time=at))

    assert refused.value.message_dict["local_time"][0].startswith(message)
    assert Appointment.objects.count() == 0


# AP-02: which instant each of the two stands for, RFC 5545 3.3.5 and the IANA tz database
DOUBLED = [
    ("Europe/London", date(2027, 10, 31), 0, datetime(2027, 10, 31, 0, 30, tzinfo=UTC)),
    ("Europe/London", date(2027, 10, 31), 1, datetime(2027, 10, 31, 1, 30, tzinfo=UTC)),
    ("America/New_York", date(2027, 11, 7), 0, datetime(2027, 11, 7, 5, 30, tzinfo=UTC)),
    ("America/New_York", date(2027, 11, 7), 1, datetime(2027, 11, 7, 6, 30, tzinfo=UTC)),
]


def at_night(zone, day):
    place = Place(code="NT", name="Night", time_zone=zone)
    night = place.clinician_with_hours(opens=time(0), closes=time(5), weekdays=[6])
    return place.booking(clinician=night, local_date=day, local_time=time(1, 30))


@pytest.mark.parametrize(("zone", "day", "second", "expected"), DOUBLED)
def test_a_doubled_time_is_the_one_that_was_chosen(zone, day, second, expected):
    found = diary.book(**at_night(zone, day), second=bool(second))

    assert found.starts_at == expected
    assert found.ends_at == expected + timedelta(minutes=45)
    assert (diary.is_doubled(found), found.second_time) == (True, bool(second))


@pytest.mark.parametrize(("zone", "day", "second", "expected"), DOUBLED[::2])
def test_a_doubled_time_is_asked_about(zone, day, second, expected):
    with pytest.raises(ValidationError) as refused:
        diary.book(**at_night(zone, day))

    assert refused.value.error_dict["second"][0].code == "doubled"
    assert Appointment.objects.count() == 0


@pytest.mark.parametrize(("zone", "day"), [row[:2] for row in DOUBLED[::2]])
def test_both_of_a_doubled_time_can_be_booked(zone, day):
    booking = at_night(zone, day)
    first = diary.book(**booking, second=False)

    second = diary.book(**booking | {"client": ClientFactory(site=first.site)}, second=True)

    assert second.starts_at - first.starts_at == timedelta(hours=1)
    assert list(Appointment.objects.for_listing()) == [first, second]


def test_one_that_spans_the_doubled_hour_is_as_long_as_it_says():
    booking = at_night("Europe/London", date(2027, 10, 31)) | {"local_time": time(0, 45)}

    found = diary.book(**booking)

    assert found.ends_at - found.starts_at == timedelta(minutes=45)


def test_a_plain_time_is_not_doubled(booked):
    assert not diary.is_doubled(booked)


def test_a_taken_clinician_is_told_with_the_next_free_times(place, booked):
    other_room = RoomFactory(site=place.site, name="Room 2")

    with pytest.raises(diary.TakenError) as refused:
        diary.book(**place.booking(client=ClientFactory(), room=other_room))

    assert refused.value.messages == [
        f"{place.clinician} is taken at that time. "
        "Next free: Mon 15 Mar 09:45, Mon 15 Mar 10:00, Mon 15 Mar 10:15."
    ]
    assert len(refused.value.free) == 3


def test_a_taken_room_is_told(place, booked):
    other = place.clinician_with_hours()

    with pytest.raises(diary.TakenError, match=r"Room 1 is taken at that time"):
        diary.book(**place.booking(client=ClientFactory(), clinician=other))


def test_a_refusal_without_any_free_time_says_so(place, booked):
    never = StaffFactory(home_site=place.site)

    refusal = diary.refusal_of(Appointment(**vars_of(booked) | {"clinician": never}), str(never))

    assert refusal.messages == [
        f"{never} is taken at that time. Next free: none in the next twelve weeks."
    ]


def vars_of(appointment):
    names = ("site", "client", "room", "kind", "local_date", "local_time", "starts_at", "ends_at")
    return {name: getattr(appointment, name) for name in names}


def test_the_guard_of_the_database_is_said_in_our_words(place, booked):
    double = Appointment(
        **vars_of(booked) | {"client": ClientFactory()},
        clinician=place.clinician,
        time_zone="Europe/London",
        booked_by=place.desk,
        booked_at=booked.booked_at,
        changed_at=booked.changed_at,
        clear_at=booked.clear_at,
    )

    with pytest.raises(diary.TakenError), diary.refused_by_guard(double):
        double.save()

    assert Appointment.objects.count() == 1


def test_other_refusals_of_the_database_stay_what_they_are(booked):
    booked.state = "elsewhere"

    with pytest.raises(IntegrityError), diary.refused_by_guard(booked):
        booked.save()


def test_back_to_back_is_free(place, booked):
    following = diary.book(**place.booking(client=ClientFactory(), local_time=time(9, 45)))

    assert following.starts_at == booked.ends_at


def test_a_client_is_not_booked_twice_at_one_time(place, booked):
    other, room = place.clinician_with_hours(), RoomFactory(site=place.site, name="Room 2")

    with pytest.raises(ValidationError, match="has another appointment at that time"):
        diary.book(**place.booking(clinician=other, room=room, local_time=time(9, 15)))


@pytest.mark.parametrize(
    ("day", "at", "said"),
    [
        (MONDAY, time(16, 30), "Monday 15 March 2027: 09:00 to 17:00."),
        (MONDAY, time(8, 45), "Monday 15 March 2027: 09:00 to 17:00."),
        (date(2027, 3, 20), time(9), "Saturday 20 March 2027: not at all."),
    ],
)
def test_a_time_outside_the_hours_is_refused(place, day, at, said):
    with pytest.raises(ValidationError) as refused:
        diary.book(**place.booking(local_date=day, local_time=at))

    told = f"{place.clinician} can be booked on {said} Reassessment takes 45 minutes."
    assert refused.value.message_dict == {"local_time": [told]}


def test_a_kind_with_a_treadmill_needs_a_room_with_one(place):
    plain = RoomFactory(site=place.site, name="Room 2", has_treadmill=False)

    with pytest.raises(ValidationError) as refused:
        diary.book(**place.booking(room=plain))

    assert refused.value.message_dict == {
        "room": ["Reassessment needs a treadmill, and Room 2 has none."]
    }


def test_only_clinicians_of_the_site_are_booked(place):
    with pytest.raises(ValidationError) as refused:
        diary.book(**place.booking(clinician=place.desk))

    assert refused.value.message_dict == {
        "clinician": [f"{place.desk} cannot be booked at Mill Lane."]
    }


def test_room_and_kind_belong_to_the_site_of_the_client(place):
    other = Place(code="QY", name="Quay")

    with pytest.raises(ValidationError, match="different sites"):
        diary.book(**place.booking(room=other.room))
    with pytest.raises(ValidationError, match="different sites"):
        diary.book(**place.booking(kind=other.kind))


# move


def moved(place, appointment, **changed):
    given = {
        "appointment": appointment,
        "clinician": place.clinician,
        "room": place.room,
        "local_date": MONDAY,
        "local_time": time(9, 15),
        "seen": 0,
        "by": place.desk,
    }
    return diary.move(**given | changed)


def test_a_move_may_overlap_its_own_old_time_and_raises_the_sequence(place, booked):
    found = moved(place, booked)

    assert (found.pk, found.local_time, found.sequence) == (booked.pk, time(9, 15), 1)
    assert TrailEntry.objects.get(action=TrailAction.MOVE).detail["sequence"] == 1


def test_the_same_move_twice_is_one(place, booked):
    moved(place, booked)

    assert moved(place, booked).sequence == 1


def test_a_move_after_somebody_elses_is_refused(place, booked):
    moved(place, booked)

    with pytest.raises(ValidationError, match=r"moved this appointment to 15 Mar 2027 09:15"):
        moved(place, booked, local_time=time(14))
    booked.refresh_from_db()
    assert booked.local_time == time(9, 15)


def test_a_move_to_a_taken_time_is_refused_and_changes_nothing(place, booked):
    diary.book(**place.booking(client=ClientFactory(), local_time=time(11)))

    with pytest.raises(diary.TakenError):
        moved(place, booked, local_time=time(11, 30))
    booked.refresh_from_db()
    assert (booked.local_time, booked.sequence) == (time(9), 0)


def test_a_cancelled_appointment_is_not_moved(place, booked):
    diary.cancel(appointment=booked, reason="away", by=place.desk)

    with pytest.raises(ValidationError, match="cancelled by now"):
        moved(place, booked)


# states


def test_cancelling_frees_the_time_and_leaves_its_line(place, booked):
    found = diary.cancel(appointment=booked, reason=" away ", by=place.desk)

    assert (found.state, found.reason, found.sequence) == ("cancelled", "away", 1)
    assert TrailEntry.objects.get(action=TrailAction.CANCEL).client == place.client
    assert diary.book(**place.booking()).pk != booked.pk


def test_cancelling_needs_a_reason(place, booked):
    with pytest.raises(ValidationError) as refused:
        diary.cancel(appointment=booked, reason=" ", by=place.desk)

    assert refused.value.message_dict == {"reason": ["Say why."]}


def test_cancelling_twice_is_one(place, booked):
    diary.cancel(appointment=booked, reason="away", by=place.desk)
    again = diary.cancel(appointment=booked, reason="ill", by=place.desk)

    assert (again.reason, again.sequence) == ("away", 1)
    assert TrailEntry.objects.filter(action=TrailAction.CANCEL).count() == 1


ON_THE_DAY = [
    (diary.arrive, AppointmentState.ARRIVED),
    (diary.mark_seen, AppointmentState.SEEN),
    (diary.mark_missed, AppointmentState.MISSED),
]


@pytest.mark.parametrize(("act", "state"), ON_THE_DAY)
def test_states_of_the_day_are_kept_on_the_day(place, booked, time_machine, act, state):
    time_machine.move_to(datetime(2027, 3, 15, 9, 5, tzinfo=UTC), tick=False)

    found = act(appointment=booked, by=place.desk)

    assert (found.state, found.sequence) == (state, 0)
    assert TrailEntry.objects.get(action=TrailAction.CHANGE).detail["state"] == state


@pytest.mark.parametrize(("act", "state"), ON_THE_DAY)
def test_states_of_the_day_wait_for_the_day(place, booked, act, state):
    with pytest.raises(ValidationError, match="The appointment is on 15 March 2027"):
        act(appointment=booked, by=place.desk)


@pytest.mark.parametrize(("act", "state"), ON_THE_DAY)
def test_a_wrong_press_is_put_back(place, booked, time_machine, act, state):
    time_machine.move_to(datetime(2027, 3, 15, 9, 5, tzinfo=UTC), tick=False)
    act(appointment=booked, by=place.desk)

    assert diary.put_back(appointment=booked, by=place.desk).state == AppointmentState.BOOKED


def test_a_cancelled_appointment_stays_cancelled(place, booked):
    diary.cancel(appointment=booked, reason="away", by=place.desk)

    with pytest.raises(ValidationError, match="cancelled by now"):
        diary.put_back(appointment=booked, by=place.desk)
