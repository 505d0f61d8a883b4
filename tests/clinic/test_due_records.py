"""The list of due records leaves out in the database only what the rules leave out as well."""

from datetime import date, timedelta
from itertools import product

import pytest
from django.utils import timezone

from clinic.models import Client
from clinic.services import legal_holds
from clinic.web import due_records, retaining
from clinic.web.due_records import count_due, due_for_review
from tests.factories import AppointmentFactory, ClientFactory, RoomFactory, SiteFactory
from tests.factories.consult import make_assessment, make_history, make_screening
from tests.factories.people import RecordLinkFactory
from tests.factories.retention import OVER, TwoPeople

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 25)
# around the edges of 8 years, of the 25th and 26th birthday with it, and of 10 years
REGISTERED = [date(2008, 2, 29), date(2018, 11, 23), date(2018, 11, 24), date(2018, 11, 25)]
BORN = [date(1980, 5, 1), date(2000, 2, 29), date(2000, 11, 24), date(2000, 11, 25)]
YOUNG = [date(2001, 6, 1), date(2001, 11, 23), date(2001, 11, 24), date(2001, 11, 25)]


@pytest.fixture
def two():
    return TwoPeople()


def every(staff, today):
    """Each record judged by its rule, none left out before: what the list must agree with."""
    found = map(retaining.standing_of, Client.objects.for_staff(staff))
    return {one.client.pk for one in found if one.is_due(today)} - reviewed()


def reviewed():
    return set(Client.objects.filter(destructions__decision="").values_list("pk", flat=True))


def agrees(staff, today=TODAY):
    found = {one.client.pk for one in due_for_review(staff, today)}
    assert found == every(staff, today)
    assert count_due(staff, today) == len(found)
    return len(found)


def people():
    for born, on in product([*BORN, *YOUNG], REGISTERED):
        if born <= on:
            yield ClientFactory(birth_date=born, registered_on=on)


@pytest.mark.parametrize("country", ["GB", "IE", "NL", "NZ", "US"])
def test_both_ways_agree_on_ages_and_days(two, settings, country):
    settings.COUNTRY = country
    whole = list(people())
    for runner, day in zip(whole[::3], [*REGISTERED, *YOUNG] * 2, strict=False):
        make_screening(runner, two.first, max(day, runner.birth_date))
    Client.objects.filter(pk__in=[one.pk for one in whole[1::5]]).update(died_on=REGISTERED[1])
    Client.objects.filter(pk__in=[one.pk for one in whole[2::7]]).update(died_on=TODAY)

    some = [agrees(two.first, TODAY + timedelta(days=days)) for days in (-2, -1, 0, 1, 2, 800)]

    assert 0 < len(whole) - some[-1] < len(whole)
    assert some == sorted(some)


def test_both_ways_agree_on_what_happened(edition, two):
    old = {"registered_on": date(2010, 1, 1), "birth_date": date(1980, 1, 1)}
    seen, held, ahead, longer, waits = (ClientFactory(**old) for _ in range(5))
    for number, state in enumerate(["seen", "missed", "cancelled"]):
        AppointmentFactory(
            site=seen.site,
            client=seen if state == "seen" else ClientFactory(**old),
            clinician=two.first,
            room=RoomFactory(site=seen.site, name=f"Room {number}"),
            local_date=date(2020, 1, 1) + timedelta(days=number),
            state=state,
            cancelled_at=timezone.now() if state == "cancelled" else None,
            reason="" if state == "seen" else "Has a cold",
        )
    for make in (make_screening, make_history):
        for day in (date(2012, 1, 1), date(2022, 1, 1)):
            make(ClientFactory(**old), two.first, day)
    for day in (date(2012, 1, 1), date(2022, 1, 1)):
        make_assessment(edition=edition, client=ClientFactory(**old), by=two.first, on=day)
    legal_holds.set_legal_hold(client=held, reason="A claim", by=two.first)
    AppointmentFactory(
        site=ahead.site,
        client=ahead,
        clinician=two.first,
        local_date=timezone.localdate() + timedelta(days=90),
    )
    found = retaining.review(client=longer, basis="over", reason=OVER, by=two.first)
    to = timezone.localdate() + timedelta(days=30)
    retaining.keep(destruction=found, reason="A study.", keep_to=to, by=two.second)
    retaining.review(client=waits, basis="over", reason=OVER, by=two.first)

    due = agrees(two.first, timezone.localdate())

    # the screening, the history and the assessment of 2012; a visit that was missed or cancelled
    # counts for whoever was never seen
    assert due == 3


def test_record_taken_over_with_an_old_visit_is_due(two):
    """Registered here today, last seen elsewhere long ago: the visit counts."""
    runner = ClientFactory(birth_date=date(1970, 1, 1), registered_on=TODAY)
    make_screening(runner, two.first, date(2010, 1, 1))

    assert agrees(two.first) == 1


def test_both_ways_agree_on_joined_records(two):
    """What one of two records says counts for both, also where the other is new and empty."""
    old = {"registered_on": date(2010, 1, 1), "birth_date": date(1980, 1, 1)}
    for day in (date(2012, 1, 1), date(2022, 1, 1)):
        known, new = ClientFactory(**old), ClientFactory(**old | {"registered_on": TODAY})
        make_screening(known, two.first, day)
        RecordLinkFactory(kept=new, joined=known)
        RecordLinkFactory(kept=new, joined=ClientFactory(**old))

    # the three records of the person who was last seen in 2012
    assert agrees(two.first) == 3


def test_count_stops_where_a_line_says_more_than(two, monkeypatch):
    for _ in range(5):
        ClientFactory(registered_on=date(2010, 1, 1), birth_date=date(1980, 1, 1))
    ClientFactory(registered_on=date(2010, 1, 1), site=SiteFactory(code="QY", name="Quayside"))
    monkeypatch.setattr(due_records, "CHUNK", 2)

    assert count_due(two.first, TODAY) == 5
    monkeypatch.setattr(due_records, "MOST", 3)
    assert count_due(two.first, TODAY) == 4


@pytest.mark.parametrize("rows", [1, 40])
def test_reading_takes_two_queries(two, django_assert_num_queries, rows):
    ClientFactory.create_batch(rows, registered_on=date(2010, 1, 1), birth_date=date(1980, 1, 1))

    with django_assert_num_queries(2):
        assert count_due(two.first, TODAY) == rows
    with django_assert_num_queries(2):
        assert len(due_for_review(two.first, TODAY)) == rows
