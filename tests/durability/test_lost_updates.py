"""Two people at one thing, in every order: what was acknowledged stands, or the other knew.

A person opens a page, types one thing and saves. A save is acknowledged or refused; a refusal is
shown, so nothing is lost by it. An acknowledged save is lost when another one that was opened
before it, and so never showed it, has taken its place.
"""

import random
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from itertools import count
from threading import Barrier

import pytest
from django.core.exceptions import ValidationError

from assessments import answer_states, stored_answers
from assessments.editions import tables_of
from assessments.models import Assessment
from assessments.services import answers
from assessments.services.assessments import for_consult
from clinic.models import Appointment, Client
from clinic.services import diary, people
from clinic.services.people import StaleError
from tests.durability.test_booking_race import at_once
from tests.factories import StaffFactory
from tests.factories.consult import answer, make_assessment
from tests.factories.diary import Place
from tests.factories.programme import Desk

pytestmark = pytest.mark.django_db(transaction=True)
IN_TURN, AT_ONCE = 35, 5  # pairs of each of the five things
REFUSALS = (ValidationError, StaleError)


@dataclass
class Saved:
    """One acknowledged save."""

    opened: int
    saved: int
    name: str
    value: object


class Cell:
    """One cell of the assessment page: the fields of two people are merged."""

    names = {"grade": ["1", "2", "3"], "value": ["4", "5.5", "7", "8.5"]}
    merges = True

    def __init__(self, edition):
        assessment = make_assessment(edition=edition)
        self.pk, self.staff = assessment.pk, (assessment.clinician, StaffFactory())

    def _held(self, by):
        return stored_answers.stored(for_consult(by).get(pk=self.pk))

    def _row(self, held):
        return held.row("o", held.trials[0], "hip_adduction", "left")

    def read(self):
        state = answer_states.state_of(self._row(self._held(self.staff[0])))
        return {name: getattr(state, name) for name in self.names}

    def open(self):
        row = self._row(self._held(self.staff[0]))
        return answer_states.state_of(row), answer_states.seen_token(row)

    def save(self, page, by, name, value):
        state, seen = page
        typed = {one: getattr(state, one) for one in answer_states.FIELDS} | {name: value}
        post = answer("hip_adduction", "left", seen=seen, **typed)
        saving = self._once(post, by)
        return not (self._once(post, by) if saving.raced else saving).refused

    def _once(self, post, by):
        held = self._held(by)
        return answers.save_answers(
            held=held,
            trial=held.trials[0],
            typed=answers.typed_answers(post),
            by=by,
            tables=tables_of(held.assessment.edition_id),
        )


class Words:
    """Two of the free texts of an assessment."""

    names = {name: [f"{name} {n}" for n in range(5)] for name in ("words", "impression")}
    merges = True

    def __init__(self, edition):
        self.pk = make_assessment(edition=edition).pk
        self.staff = (StaffFactory(), StaffFactory())

    def read(self):
        return Assessment.objects.values(*self.names).get(pk=self.pk)

    open = read

    def save(self, page, by, name, value):
        fields = {"by": by, "name": name, "text": value, "seen": page[name]}
        refused = self._once(fields)
        if refused == answers.MEANWHILE:  # as the page does: read again, save again
            refused = self._once(fields)
        return not refused

    def _once(self, fields):
        assessment = for_consult(fields["by"]).get(pk=self.pk)
        return answers.save_words(assessment=assessment, **fields)


class Details:
    """Telephone and address of a client, saved by one form."""

    names = {
        "telephone": [f"01632 96010{n}" for n in range(5)],
        "address": [f"{n} Rope Walk" for n in range(1, 5)],
    }
    merges = False

    def __init__(self, edition):
        del edition
        place = Place()
        self.pk, self.staff = place.client.pk, (place.desk, place.clinician)

    def read(self):
        return Client.objects.values(*self.names).get(pk=self.pk)

    def open(self):
        return Client.objects.values("version", *self.names).get(pk=self.pk)

    def save(self, page, by, name, value):
        typed = {one: page[one] for one in self.names} | {name: value}
        client = Client.objects.get(pk=self.pk)
        people.change_client(client=client, seen=page["version"], by=by, **typed)
        return True


class Line:
    """Dose of one line of a programme, saved by one form."""

    names = {"sets": [1, 2, 3, 4], "sessions_per_week": [1, 2, 3]}
    merges = False

    def __init__(self, edition):
        self.desk = Desk(edition, "02")
        self.desk.take_over()
        self.exercise = self.desk.programme.items.first().exercise_id
        self.staff = (self.desk.by, StaffFactory())
        self.judging = self.desk.judging

    def _values(self, *names):
        items = self.desk.programme.items.filter(exercise_id=self.exercise)
        return items.values(*names).get()

    def read(self):
        return self._values(*self.names)

    def open(self):
        return self._values("version", *self.names)

    def save(self, page, by, name, value):
        typed = {one: page[one] for one in self.names} | {name: value}
        self.desk.decide(
            self.exercise,
            **self.judging | {"by": by},
            seen=page["version"],
            dose=typed,
            reason="Fits the week",
        )
        return True


class Booking:
    """The time of an appointment."""

    names = {"local_time": [time(hour) for hour in range(9, 16)]}
    merges = False

    def __init__(self, edition):
        del edition
        self.place = Place()
        self.pk = diary.book(**self.place.booking()).pk
        self.staff = (self.place.desk, self.place.clinician)

    def read(self):
        return Appointment.objects.values("local_time").get(pk=self.pk)

    def open(self):
        return Appointment.objects.values("sequence", "local_time").get(pk=self.pk)

    def save(self, page, by, name, value):
        diary.move(
            appointment=Appointment.objects.get(pk=self.pk),
            clinician=self.place.clinician,
            room=self.place.room,
            local_date=date(2027, 3, 15),
            seen=page["sequence"],
            by=by,
            **{name: value},
        )
        return True


class Pair:
    """Two people at one thing."""

    def __init__(self, thing, chance, clock):
        """clock: counts events; `next` of itertools.count is one step for all threads."""
        self.thing, self.chance, self.clock = thing, chance, clock
        self.pages, self.opened, self.typed, self.saved = {}, {}, {}, []

    def open(self, person):
        """The person reads the page and types something else into one of its fields."""
        page, shown = self.thing.open(), self.thing.read()
        name = self.chance.choice(sorted(self.thing.names))
        others = [one for one in self.thing.names[name] if one != shown[name]]
        self.pages[person], self.opened[person] = page, next(self.clock)
        self.typed[person] = (name, self.chance.choice(others))

    def save(self, person):
        """Whether it was acknowledged."""
        name, value = self.typed[person]
        try:
            done = self.thing.save(self.pages[person], self.thing.staff[person], name, value)
        except REFUSALS:
            done = False
        if done:
            self.saved.append(Saved(self.opened[person], next(self.clock), name, value))
        return done

    def lost(self):
        """Acknowledged saves that stand no more although nobody who replaced them saw them."""
        stands = self.thing.read()
        return [
            one
            for one in self.saved
            if stands[one.name] != one.value
            and not any(
                other.opened > one.saved
                and (other.name, other.value) == (one.name, stands[one.name])
                for other in self.saved
            )
        ]

    @property
    def same_field(self):
        return len({name for name, _ in self.typed.values()}) == 1


def in_some_order(pair, chance):
    """Both open and save, each in this order, the two of them mixed at random."""
    turns = [0, 0, 1, 1]
    chance.shuffle(turns)
    for person in turns:
        (pair.save if person in pair.opened else pair.open)(person)


def at_the_same_moment(pair):
    """Both have the page open; then both save, in threads of their own."""
    pair.open(0)
    pair.open(1)
    barrier = Barrier(2)

    def saver(person):
        def call():
            barrier.wait()
            return pair.save(person)

        return call

    return at_once([saver(0), saver(1)])


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 10, 12, tzinfo=UTC), tick=False)


@pytest.mark.parametrize("kind", [Cell, Words, Details, Line, Booking])
def test_no_acknowledged_change_is_lost(kind, edition):
    chance, clock, figures = random.Random(kind.__name__), count(), Counter()  # noqa: S311
    thing = kind(edition)

    for number in range(IN_TURN + AT_ONCE):
        pair = Pair(thing, chance, clock)
        if number < IN_TURN:
            in_some_order(pair, chance)
        else:
            at_the_same_moment(pair)
        assert pair.lost() == [], f"pair {number}: {pair.typed}, {thing.read()}, {figures}"
        assert pair.saved, f"pair {number}: both were refused: {pair.typed}"
        if thing.merges and not pair.same_field:
            assert len(pair.saved) == 2, f"pair {number}: not merged: {pair.typed}"
        figures["pairs"] += 1
        figures["saved"] += len(pair.saved)
        figures["told"] += 2 - len(pair.saved)

    assert figures["pairs"] == IN_TURN + AT_ONCE, figures
    # both ways of ending were met, or nothing was tried
    assert figures["told"] > 0, figures
    assert figures["saved"] > figures["pairs"], figures


def test_the_count_finds_a_lost_change(edition):
    """A thing that writes without looking at what the page had shown."""

    class Careless(Details):
        def save(self, page, by, name, value):
            del page, by
            Client.objects.filter(pk=self.pk).update(**{name: value})
            return True

    chance, thing = random.Random(1), Careless(edition)  # noqa: S311
    lost = 0
    for _ in range(IN_TURN):
        pair = Pair(thing, chance, count())
        in_some_order(pair, chance)
        lost += len(pair.lost())

    assert lost > 0
