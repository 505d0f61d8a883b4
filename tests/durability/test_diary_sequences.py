"""Whatever reception does in whatever order: nothing overlaps and no booking is lost.

Random sequences of book, move, cancel, leave, other hours, keeping a time and waiting, through
the services. A model that only notes what was acknowledged is compared with the table after each
sequence. `ROUNDS` sequences run with the tests; 2,000 by
`SEQUENCES=2000 uv run pytest -n 0 tests/durability/test_diary_sequences.py`.
"""

import os
from datetime import UTC, date, datetime, time, timedelta
from itertools import combinations, pairwise
from random import Random

import pytest
from django.core.exceptions import ValidationError
from django.db import transaction

from clinic.domain.diary import Hours
from clinic.domain.opening import ChangeKind
from clinic.models import Appointment, HoursChange
from clinic.services import diary, hours, waiting_list
from tests.factories import ClientFactory, RoomFactory
from tests.factories.diary import Place

pytestmark = pytest.mark.django_db
MONDAY = date(2027, 3, 15)
ROUNDS, PARTS = int(os.environ.get("SEQUENCES", "240")), 4
STEPS = 10


class Desk:
    """What was acknowledged, and acts that add to it."""

    def __init__(self, place, random):
        self.place, self.random = place, random
        self.people = [place.clinician, place.clinician_with_hours()]
        self.rooms = [place.room, RoomFactory(site=place.site, name="Room 2")]
        self.clients = [place.client, *(ClientFactory(site=place.site) for _ in range(3))]
        self.standing, self.cancelled, self.refused = {}, set(), 0

    def time(self):
        day = MONDAY + timedelta(days=self.random.randrange(2))
        return day, time(9 + self.random.randrange(4), self.random.choice([0, 15, 30, 45]))

    def act(self):
        name = self.random.choices(
            ["book", "move", "cancel", "leave", "back", "extra", "keep", "wait"],
            [8, 5, 3, 2, 1, 1, 2, 1],
        )[0]
        try:
            with transaction.atomic():
                getattr(self, name)()
        except ValidationError:
            self.refused += 1

    def book(self):
        day, at = self.time()
        made = diary.book(
            client=self.random.choice(self.clients),
            kind=self.place.kind,
            clinician=self.random.choice(self.people),
            room=self.random.choice(self.rooms),
            local_date=day,
            local_time=at,
            by=self.place.desk,
        )
        self.note(made)

    def note(self, made):
        self.standing[made.pk] = (made.client_id, made.starts_at)

    def some(self):
        key = self.random.choice([None, *self.standing])
        if key is None:
            raise ValidationError("nothing is booked")
        return Appointment.objects.get(pk=key)

    def move(self):
        found = self.some()
        day, at = self.time()
        moved = diary.move(
            appointment=found,
            clinician=self.random.choice(self.people),
            room=self.random.choice(self.rooms),
            local_date=day,
            local_time=at,
            seen=found.sequence,
            by=self.place.desk,
        )
        self.note(moved)

    def cancel(self):
        found = self.some()
        diary.cancel(appointment=found, reason="Away", by=self.place.desk)
        del self.standing[found.pk]
        self.cancelled.add(found.pk)

    def leave(self):
        self.change(ChangeKind.CLOSED, self.random.choice([None, Hours(time(9), time(11))]))

    def extra(self):
        self.change(ChangeKind.OPEN, Hours(time(8), time(12)))

    def change(self, kind, stretch):
        day, _ = self.time()
        hours.change_hours(
            site=self.place.site,
            clinician=self.random.choice([None, *self.people]),
            kind=kind,
            first_day=day,
            last_day=day,
            hours=stretch,
            by=self.place.desk,
        )

    def back(self):
        found = HoursChange.objects.order_by("?").first()
        if found:
            hours.take_back_change(change=found, by=self.place.desk)

    def keep(self):
        day, at = self.time()
        waiting_list.keep_time(
            client=self.random.choice(self.clients),
            kind=self.place.kind,
            clinician=self.random.choice(self.people),
            room=self.random.choice(self.rooms),
            starts_at=datetime.combine(day, at, tzinfo=UTC),
            by=self.random.choice([self.place.desk, self.people[0]]),
        )

    def wait(self):
        waiting_list.wait(
            client=self.random.choice(self.clients), kind=self.place.kind, by=self.place.desk
        )

    def compare(self):
        """The table holds what was acknowledged, and nothing twice."""
        rows = list(Appointment.objects.standing())
        assert {row.pk: (row.client_id, row.starts_at) for row in rows} == self.standing
        gone = Appointment.objects.filter(state="cancelled")
        assert {row.pk for row in gone} == self.cancelled
        assert overlapping(rows) == []
        own = sorted((row.client_id, row.starts_at, row.ends_at) for row in rows)
        assert all(a[0] != b[0] or a[2] <= b[1] for a, b in pairwise(own))


def overlapping(rows):
    return [
        (one.pk, other.pk)
        for one, other in combinations(rows, 2)
        if one.starts_at < other.clear_at
        and other.starts_at < one.clear_at
        and (one.clinician_id == other.clinician_id or one.room_id == other.room_id)
    ]


@pytest.mark.parametrize("part", range(PARTS))
def test_no_sequence_overlaps_or_loses_a_booking(part, time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)
    place = Place()
    place.kind.clear_minutes = 15
    place.kind.save()
    booked = refused = 0

    for number in range(part, ROUNDS, PARTS):
        with transaction.atomic():
            desk = Desk(place, Random(number))  # noqa: S311
            for _ in range(STEPS):
                desk.act()
            desk.compare()
            transaction.set_rollback(True)
        booked += len(desk.standing)
        refused += desk.refused

    # sequences that book nothing, or are never refused, would prove nothing
    assert booked > ROUNDS / PARTS
    assert refused > ROUNDS / PARTS
