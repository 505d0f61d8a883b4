"""The due list holds every open reassessment and nothing else."""

from datetime import UTC, date, datetime

import pytest
from django.core.exceptions import ValidationError

from clinic.domain.vocabulary import ReassessmentState, TrailAction
from clinic.models import Reassessment, TrailEntry
from clinic.services import diary, reassessments
from tests.factories import AppointmentKindFactory
from tests.factories.diary import Place

pytestmark = pytest.mark.django_db
DUE = date(2027, 3, 12)


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)


@pytest.fixture
def place():
    return Place()


@pytest.fixture
def due(place):
    return opened(place)


def opened(place, due_on=DUE):
    return reassessments.open_reassessment(
        client=place.client, clinician=place.clinician, due_on=due_on, by=place.clinician
    )


def state_of(reassessment):
    reassessment.refresh_from_db()
    return reassessment.state, reassessment.appointment


def on_the_day(time_machine):
    time_machine.move_to(datetime(2027, 3, 15, 9, 5, tzinfo=UTC), tick=False)


def test_today_is_that_of_the_site(place):
    late = datetime(2027, 3, 8, 23, 30, tzinfo=UTC)

    assert reassessments.today_at(place.site, late) == date(2027, 3, 8)
    place.site.time_zone = "Europe/Athens"
    assert reassessments.today_at(place.site, late) == date(2027, 3, 9)


def test_opening_keeps_who_and_when(place, due):
    assert (due.client, due.clinician, due.due_on, due.opened_on, due.state) == (
        place.client,
        place.clinician,
        DUE,
        date(2027, 3, 8),
        ReassessmentState.OPEN,
    )
    entry = TrailEntry.objects.get(action=TrailAction.CREATE)
    assert entry.detail == {"due_on": "2027-03-12"}


def test_opening_replaces_the_open_one(place, due):
    again = opened(place, date(2027, 4, 12))

    assert list(Reassessment.objects.waiting()) == [again]
    assert again.due_on == date(2027, 4, 12)


def test_opening_in_the_past_is_refused(place):
    with pytest.raises(ValidationError, match="due before it was decided"):
        opened(place, date(2027, 3, 7))


def test_opening_keeps_a_booking_of_a_later_day(place, due):
    booked = diary.book(**place.booking())

    again = opened(place, date(2027, 3, 16))

    assert (again.pk, again.due_on) == (due.pk, date(2027, 3, 16))
    assert state_of(again) == (ReassessmentState.BOOKED, booked)


def test_opening_at_the_visit_itself_ends_the_one_that_was_booked(place, due, time_machine):
    booked = diary.book(**place.booking())
    on_the_day(time_machine)

    new = opened(place, date(2027, 4, 26))

    assert state_of(due) == (ReassessmentState.DONE, booked)
    assert state_of(new) == (ReassessmentState.OPEN, None)
    diary.mark_seen(appointment=booked, by=place.desk)
    assert state_of(new) == (ReassessmentState.OPEN, None)


def test_a_booking_of_the_kind_takes_it_off_the_list(place, due):
    booked = diary.book(**place.booking())

    assert state_of(due) == (ReassessmentState.BOOKED, booked)
    assert not Reassessment.objects.waiting().exists()


def test_a_booking_of_another_kind_leaves_it_on_the_list(place, due):
    talk = AppointmentKindFactory(site=place.site, code="talk", name="Talk")

    diary.book(**place.booking(kind=talk))

    assert state_of(due) == (ReassessmentState.OPEN, None)


def test_cancelling_puts_it_on_the_list_again(place, due):
    booked = diary.book(**place.booking())

    diary.cancel(appointment=booked, reason="away", by=place.desk)

    assert state_of(due) == (ReassessmentState.OPEN, None)


def test_a_missed_appointment_puts_it_on_the_list_until_that_is_put_back(place, due, time_machine):
    booked = diary.book(**place.booking())
    on_the_day(time_machine)

    diary.mark_missed(appointment=booked, by=place.desk)
    assert state_of(due) == (ReassessmentState.OPEN, None)
    diary.put_back(appointment=booked, by=place.desk)
    assert state_of(due) == (ReassessmentState.BOOKED, booked)


def test_it_is_done_when_the_client_was_seen_until_that_is_put_back(place, due, time_machine):
    booked = diary.book(**place.booking())
    on_the_day(time_machine)

    diary.arrive(appointment=booked, by=place.desk)
    assert state_of(due) == (ReassessmentState.BOOKED, booked)
    diary.mark_seen(appointment=booked, by=place.desk)
    assert state_of(due) == (ReassessmentState.DONE, booked)
    diary.put_back(appointment=booked, by=place.desk)
    assert state_of(due) == (ReassessmentState.BOOKED, booked)


def test_putting_back_leaves_a_newer_one_alone(place, due, time_machine):
    booked = diary.book(**place.booking())
    on_the_day(time_machine)
    diary.mark_seen(appointment=booked, by=place.desk)
    newer = opened(place, date(2027, 4, 26))

    diary.put_back(appointment=booked, by=place.desk)

    assert state_of(due) == (ReassessmentState.DONE, booked)
    assert state_of(newer) == (ReassessmentState.OPEN, None)


@pytest.mark.parametrize("state", [ReassessmentState.DECLINED, ReassessmentState.LOST])
def test_closing_keeps_the_reason(place, due, state):
    closed = reassessments.close_reassessment(
        reassessment=due, state=state, reason=" moved away ", by=place.desk
    )

    assert (closed.state, closed.reason) == (state, "moved away")
    assert not Reassessment.objects.waiting().exists()
    assert TrailEntry.objects.get(action=TrailAction.CHANGE).detail == {"state": state}


def closing(place, due, **changed):
    given = {"state": ReassessmentState.DECLINED, "reason": "moved away"} | changed
    return reassessments.close_reassessment(reassessment=due, by=place.desk, **given)


def test_closing_needs_a_reason(place, due):
    with pytest.raises(ValidationError) as refused:
        closing(place, due, reason=" ")

    assert refused.value.message_dict == {"reason": ["Say why."]}


def test_closing_twice_keeps_the_first_reason(place, due):
    closing(place, due)

    assert closing(place, due, reason="another").reason == "moved away"


def test_a_booked_one_is_not_closed(place, due):
    diary.book(**place.booking())

    with pytest.raises(ValidationError, match="booked by now"):
        closing(place, due)


def test_closing_as_anything_else_is_a_mistake_of_ours(place, due):
    with pytest.raises(ValueError, match="not done"):
        closing(place, due, state=ReassessmentState.DONE)
