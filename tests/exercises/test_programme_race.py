"""Several people at one programme in the same moment: nobody meets a database error."""

from datetime import date

import pytest
from django.core.exceptions import ValidationError

from exercises.models import Programme
from tests.durability.test_booking_race import at_once
from tests.factories.programme import Desk

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def desk(edition, time_machine):
    time_machine.move_to("2027-03-10 12:00 +0000", tick=False)
    return Desk(edition)


def told(act):
    """What somebody gets who presses the button."""

    def call():
        try:
            act()
        except ValidationError as refusal:
            return refusal.messages[0].split(":")[0]
        return "done"

    return call


def test_proposal_taken_over_at_once_makes_one_programme(desk):
    assert at_once([told(desk.take_over)] * 4) == {"done": 4}

    programme = Programme.objects.get()
    places = list(programme.items.values_list("position", flat=True))
    assert places == list(range(1, len(desk.proposal.programme) + 1))


def test_programme_issued_at_once_is_issued_once(desk):
    desk.take_over()
    desk.accept_all()
    desk.agree(date(2027, 4, 21))

    results = at_once([told(desk.issue)] * 4)

    assert results == {"done": 1, "This programme is issued": 3}


def test_taking_over_beside_issuing_is_done_or_refused(desk):
    desk.take_over()
    desk.accept_all()
    desk.agree(date(2027, 4, 21))

    results = at_once([told(desk.issue), told(desk.take_over)] * 2)

    assert set(results) == {"done", "This programme is issued"}
    assert desk.programme.is_issued
