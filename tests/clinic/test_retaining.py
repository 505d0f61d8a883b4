"""Which records are due for review, and the answers that leave a record as it is.

Sources: NHS Records Management Code of Practice 2021, appendix II; GDPR, article 17(3).
"""

from datetime import date, timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from assessments.models import Episode
from clinic.domain.vocabulary import TrailAction
from clinic.models import Appointment, Client, Destruction, TrailEntry, WaitingEntry
from clinic.services import diary, legal_holds, people, reassessments, reminders, waiting_list
from clinic.web import destroying, retaining
from clinic.web.due_records import due_for_review
from clinic.web.kinds_of_rows import Kind, kinds
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    RoomFactory,
    SiteFactory,
    StaffFactory,
)
from tests.factories.consult import make_assessment, make_episode, make_history, make_screening
from tests.factories.hours import WaitingEntryFactory
from tests.factories.people import ReassessmentFactory
from tests.factories.retention import LATER, OVER, TwoPeople

pytestmark = pytest.mark.django_db
LONG_AGO, TODAY = date(2017, 3, 1), date(2026, 11, 25)


@pytest.fixture
def two():
    return TwoPeople()


def old(**fields):
    return ClientFactory(registered_on=LONG_AGO, **fields)


def due(staff, on=TODAY):
    return [one.client for one in due_for_review(staff, on)]


def test_record_is_due_the_day_after_its_period(two):
    runner = old()

    assert due(two.first, date(2025, 3, 1)) == []
    assert due(two.first, date(2025, 3, 2)) == [runner]


@pytest.mark.parametrize("kind", ["visit", "assessment", "screening", "history", "discharge"])
def test_clock_starts_when_last_seen_or_discharged(edition, two, kind):
    runner, by, day = old(), two.first, date(2018, 6, 1)
    if kind == "visit":
        AppointmentFactory(
            site=runner.site, client=runner, clinician=by, local_date=day, state="seen"
        )
    elif kind == "assessment":
        make_assessment(edition=edition, client=runner, by=by, on=day)
    elif kind == "screening":
        make_screening(runner, by, day)
    elif kind == "history":
        make_history(runner, by, day)
    else:
        make_screening(runner, by, LONG_AGO)
        episode = make_episode(runner, by)
        Episode.objects.filter(pk=episode.pk).update(opened_on=LONG_AGO, discharged_on=day)

    standing = retaining.standing_of(runner)

    assert (standing.ended, standing.kept.until) == (day, date(2026, 6, 1))
    assert not standing.never_seen


def test_missed_visit_counts_for_who_was_never_seen_only(two):
    never, seen = old(), old()
    for runner in (never, seen):
        AppointmentFactory(
            site=runner.site,
            client=runner,
            clinician=StaffFactory(),
            room=RoomFactory(site=runner.site, name=f"Room {runner.pk}"),
            local_date=date(2019, 1, 1),
            state="missed",
        )
    make_screening(seen, two.first, LONG_AGO)

    assert retaining.standing_of(never).ended == date(2019, 1, 1)
    assert retaining.standing_of(seen).ended == LONG_AGO


def test_only_the_sites_of_the_person_are_listed(two):
    old(site=SiteFactory(code="QY", name="Quayside"))

    assert due(two.first) == []


def test_hold_booking_and_review_take_it_off_the_list(two):
    held, booked, reviewed, left = (old() for _ in range(4))
    legal_holds.set_legal_hold(client=held, reason="A claim", by=two.first)
    AppointmentFactory(
        site=booked.site,
        client=booked,
        clinician=two.first,
        local_date=timezone.localdate() + timedelta(days=90),
    )
    retaining.review(client=reviewed, basis="over", reason=OVER, by=two.first)

    assert due(two.first) == [left]


def test_longest_overdue_is_first(two):
    later = old()
    make_screening(later, two.first, date(2018, 1, 1))
    first = old()

    assert due(two.first) == [first, later]


# answers that leave the record


def test_kept_longer_is_asked_again_afterwards(two):
    runner = old()
    found = retaining.review(client=runner, basis="over", reason=OVER, by=two.first)
    to = timezone.localdate() + timedelta(days=400)

    retaining.keep(destruction=found, reason="A study runs.", keep_to=to, by=two.second)

    assert due(two.first, to) == []
    assert due(two.first, to + timedelta(days=1)) == [runner]
    line = TrailEntry.objects.get(action=TrailAction.RETAIN)
    assert line.detail == {"decision": "kept", "keep_to": to.isoformat()}


def test_refused_review_is_due_again(two):
    runner = old()
    found = retaining.review(client=runner, basis="over", reason=OVER, by=two.first)

    retaining.keep(destruction=found, reason="The doctor still asks for it.", by=two.second)

    assert due(two.first) == [runner]
    with pytest.raises(ValidationError, match="decided already"):
        retaining.keep(destruction=found, reason="Again", by=two.second)


@pytest.mark.parametrize(
    ("to", "words"),
    [
        (timezone.localdate, "in the future"),
        (lambda: date(2037, 3, 2), "At most until 1 March 2037"),
    ],
)
def test_keeping_has_an_end(two, to, words):
    found = retaining.review(client=old(), basis="over", reason=OVER, by=two.first)

    with pytest.raises(ValidationError, match=words):
        retaining.keep(destruction=found, reason="A study.", keep_to=to(), by=two.second)


def test_second_review_is_refused(two):
    runner = old()
    retaining.review(client=runner, basis="over", reason=OVER, by=two.first)

    with pytest.raises(ValidationError, match="second person"):
        retaining.review(client=runner, basis="over", reason=OVER, by=two.second)


def test_request_for_erasure_is_refused_while_the_period_runs(two):
    runner = ClientFactory()

    found = retaining.refuse_erasure(client=runner, reason="The period runs.", by=two.first)

    until = retaining.standing_of(runner).kept.until
    assert (found.basis, found.decision, found.keep_until) == ("asked", "refused", until)
    assert "8 years after the end of care" in retaining.answer_words(found)
    line = TrailEntry.objects.get(action=TrailAction.RETAIN)
    assert line.detail == {"decision": "refused", "keep_until": until.isoformat()}


def test_request_after_the_period_is_reviewed_instead(two):
    runner = old()

    with pytest.raises(ValidationError, match="review the record instead"):
        retaining.refuse_erasure(client=runner, reason="No.", by=two.first)
    assert retaining.review(client=runner, basis="asked", reason="Asked by letter.", by=two.first)


def test_request_under_a_legal_hold_is_refused_after_the_period_too(two):
    runner = old()
    legal_holds.set_legal_hold(client=runner, reason="A claim", by=two.first)

    assert retaining.refuse_erasure(client=runner, reason="A claim runs.", by=two.first)


def test_what_the_record_holds_is_counted(edition, two):
    runner = old()
    make_screening(runner, two.first, flags=["s01", "s02"])

    counts = destroying.going(runner)

    assert {label: count for label, count in counts.items() if count} == {
        "assessments.Screening": 1,
        "assessments.ScreeningAnswer": 2,
    }
    assert kinds(counts) == [Kind("screenings", 1), Kind("answers of screenings and histories", 2)]


# somebody who died


def died(runner, by, on):
    return people.change_client(client=runner, seen=runner.version, by=by, died_on=on)


def test_death_ends_what_lies_ahead(two):
    runner = ClientFactory()
    ahead = timezone.localdate() + timedelta(days=30)
    visit = AppointmentFactory(
        site=runner.site, client=runner, clinician=two.first, local_date=ahead
    )
    entry = WaitingEntryFactory(
        site=runner.site, client=runner, since=timezone.now(), asked_by=two.first
    )
    look = ReassessmentFactory(client=runner, clinician=two.first)

    died(runner, two.first, timezone.localdate())

    visit.refresh_from_db()
    entry.refresh_from_db()
    look.refresh_from_db()
    assert (visit.state, visit.reason) == ("cancelled", "The client has died")
    assert (entry.state, look.state, look.reason) == ("ended", "lost", "The client has died")


def test_nothing_is_booked_or_sent_any_more(two):
    runner = ClientFactory()
    look = ReassessmentFactory(client=runner, clinician=two.first)
    Client.objects.filter(pk=runner.pk).update(died_on=timezone.localdate())
    kind, room = AppointmentKindFactory(site=runner.site), RoomFactory(site=runner.site)
    day = timezone.localdate() + timedelta(days=30)

    for act in (
        lambda: diary.book(
            client=runner,
            kind=kind,
            clinician=two.first,
            room=room,
            local_date=day,
            local_time=diary.time(9),
            by=two.first,
        ),
        lambda: waiting_list.wait(client=runner, kind=kind, by=two.first),
        lambda: waiting_list.keep_time(
            client=runner,
            kind=kind,
            clinician=two.first,
            room=room,
            starts_at=timezone.now(),
            by=two.first,
        ),
        lambda: reassessments.open_reassessment(
            client=runner, clinician=two.first, due_on=day, by=two.first
        ),
        lambda: reminders.remind(
            reassessment=look, channel="telephone", outcome="reached", by=two.first
        ),
    ):
        with pytest.raises(ValidationError, match="has died"):
            act()
    assert (Appointment.objects.count(), WaitingEntry.objects.count()) == (0, 0)


def test_day_of_death_lies_between_birth_and_today(two):
    runner = ClientFactory(birth_date=date(1990, 4, 12))

    with pytest.raises(ValidationError, match="in the future"):
        died(runner, two.first, timezone.localdate() + timedelta(days=1))
    with pytest.raises(ValidationError, match="before the birth"):
        died(runner, two.first, date(1990, 4, 11))
    with pytest.raises(IntegrityError, match="client_died_after_birth"), transaction.atomic():
        Client.objects.filter(pk=runner.pk).update(died_on=date(1990, 4, 11))


def test_death_restarts_the_clock_and_leaves_the_due_list(two, client):
    runner = old()
    look = ReassessmentFactory(client=runner, clinician=two.first)
    client.force_login(two.first)
    assert runner.number in client.get("/due/").content.decode()

    Client.objects.filter(pk=runner.pk).update(died_on=date(2020, 1, 5))

    assert retaining.standing_of(runner).kept.until == date(2028, 1, 5)
    look.refresh_from_db()
    assert look.state == "open"
    assert runner.number not in client.get("/due/").content.decode()


def test_strip_says_when_somebody_died(two, client):
    runner = ClientFactory(birth_date=date(1990, 4, 12), died_on=date(2026, 2, 3))
    client.force_login(two.first)

    page = client.get(f"/clients/{runner.pk}/").content.decode()

    assert "died 3 Feb 2026" in page
    assert "aged 35" in page


def test_nothing_is_offered_to_book_for_somebody_who_died(two, client):
    runner = ClientFactory(site=two.first.home_site)
    client.force_login(two.first)
    book = f"/clients/{runner.pk}/book/"
    assert book in client.get(f"/clients/{runner.pk}/").content.decode()
    assert "Find times" in client.get(book).content.decode()

    Client.objects.filter(pk=runner.pk).update(died_on=date(2026, 2, 3))

    assert book not in client.get(f"/clients/{runner.pk}/").content.decode()
    page = client.get(book).content.decode()
    assert ("Find times" in page, "the client has died" in page) == (False, True)


def test_day_of_death_before_the_birth_is_refused_beside_it(two, client):
    runner = ClientFactory(site=two.first.home_site, birth_date=date(1990, 4, 12))
    client.force_login(two.first)
    address = f"/clients/{runner.pk}/edit/"
    typed = {
        name: value
        for name, value in client.get(address).context["form"].initial.items()
        if value is not None
    }

    page = client.post(address, typed | {"died_on": "11.4.1990", "version": runner.version})

    assert page.context["form"].errors == {
        "died_on": ["The day of death lies before the birth: check both days."]
    }


def test_line_waits_until_somebody_decides(two):
    runner = old()
    found = retaining.review(client=runner, basis="over", reason=OVER, by=two.first)

    assert list(Destruction.objects.waiting()) == [found]
    with time_machine.travel(LATER, tick=False):
        two.confirm(found)
    assert list(Destruction.objects.waiting()) == []
