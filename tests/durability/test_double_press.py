"""The same act sent twice, one after the other or at the same moment: one change."""

from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse

from assessments.models import Assessment, Observation
from clinic.models import TrailEntry
from tests.durability.test_booking_race import at_once
from tests.factories import StaffFactory
from tests.factories.consult import answer, make_assessment

pytestmark = pytest.mark.django_db(transaction=True)
ROUNDS = 10
CELL = answer("cadence", value="171")
WORDS = {"w.words": "It aches after 5 km.", "w.words.seen": ""}


class Page:
    """The assessment page of one person; each press is a request of its own."""

    def __init__(self, edition):
        self.by = StaffFactory()
        self.pk = make_assessment(edition=edition, by=self.by).pk
        self.address = reverse("assessment-answers", args=[self.pk])

    def presser(self, fields, act):
        """What sends the fields and gives the status and whether the page says it is saved."""
        browser = Client()
        browser.force_login(self.by)

        def call():
            sent = browser.post(self.address, fields, headers={"X-Act": act, "HX-Request": "true"})
            return sent.status_code, b"saved at" in sent.content

        return call

    def versions(self):
        """How often the cell and the words were written."""
        cells = Observation.objects.filter(assessment=self.pk).values_list("version", flat=True)
        return list(cells), Assessment.objects.get(pk=self.pk).version


def lines(act):
    return TrailEntry.objects.filter(act=act).count()


@pytest.mark.parametrize(("fields", "kept"), [(CELL, ([1], 1)), (WORDS, ([], 2))])
def test_pressed_twice_in_turn(edition, fields, kept):
    page, act = Page(edition), str(uuid4())
    press = page.presser(fields, act)

    assert [press(), press(), press()] == [(200, True)] * 3
    assert (page.versions(), lines(act)) == (kept, 1)


@pytest.mark.parametrize(("fields", "kept"), [(CELL, ([1], 1)), (WORDS, ([], 2))])
def test_pressed_twice_at_once(edition, fields, kept):
    for number in range(ROUNDS):
        page, act = Page(edition), str(uuid4())
        answers = at_once([page.presser(fields, act) for _ in range(2)])

        assert answers == {(200, True): 2}, f"round {number}: {answers}"
        assert (page.versions(), lines(act)) == (kept, 1), f"round {number}"
