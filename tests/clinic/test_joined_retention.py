"""Two joined records of one person are kept and destroyed as one, or not at all.

Sources: NHS Records Management Code of Practice 2021, appendix II (the clock starts when somebody
was last seen); HL7 EHR-S FM R2.1, RI.1.1.16#01 (a record is destroyed as a whole).
"""

from datetime import date, timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from clinic.domain.vocabulary import DestructionBasis, DestructionDecision
from clinic.models import Client, Destruction, RecordLink
from clinic.services import legal_holds, record_links
from clinic.web import destroying, retaining
from clinic.web.due_records import due_for_review
from tests.factories import AppointmentFactory, ClientFactory
from tests.factories.people import AlertFactory, RecordLinkFactory
from tests.factories.retention import LATER, TwoPeople

pytestmark = pytest.mark.django_db
LONG_AGO, SINCE, TODAY = date(2017, 3, 1), date(2024, 6, 1), date(2026, 11, 25)


@pytest.fixture
def two():
    return TwoPeople()


@pytest.fixture
def kept():
    return ClientFactory(registered_on=LONG_AGO, number="ML90042")


@pytest.fixture
def joined(kept):
    return ClientFactory(registered_on=LONG_AGO, number="ML90007", site=kept.site)


@pytest.fixture
def link(kept, joined):
    return RecordLinkFactory(kept=kept, joined=joined)


def seen(client, by, day):
    AppointmentFactory(site=client.site, client=client, clinician=by, local_date=day, state="seen")


def due(staff, on=TODAY):
    return [one.client for one in due_for_review(staff, on)]


def confirm_by_sql(found, by):
    Destruction.objects.filter(pk=found.pk).update(
        decision="confirmed", decided_by=by, decided_at=LATER
    )


@pytest.mark.parametrize("which", ["kept", "joined"])
def test_clock_starts_when_the_person_was_last_seen(kept, joined, two, which):
    seen({"kept": kept, "joined": joined}[which], two.first, SINCE)
    alone = {one.pk: retaining.standing_of(one).ended for one in (kept, joined)}

    RecordLinkFactory(kept=kept, joined=joined)

    both = [retaining.standing_of(one) for one in (kept, joined)]
    assert sorted(alone.values()) == [LONG_AGO, SINCE]
    assert [(it.ended, it.kept.until, it.never_seen) for it in both] == [
        (SINCE, date(2032, 6, 1), False)
    ] * 2


def test_both_are_due_on_the_same_day(kept, joined, two):
    seen(joined, two.first, SINCE)
    RecordLinkFactory(kept=kept, joined=joined)
    stranger = ClientFactory(registered_on=LONG_AGO, site=kept.site)

    assert due(two.first, date(2032, 6, 1)) == [stranger]
    assert due(two.first, date(2032, 6, 2)) == [stranger, kept, joined]


def test_later_end_of_two_days_of_birth_counts(kept, joined, two):
    # a child when last seen: until the 25th birthday (retention.csv, GB)
    for one, year in ((kept, 2012), (joined, 2010)):
        Client.objects.filter(pk=one.pk).update(birth_date=date(year, 5, 1))
    RecordLinkFactory(kept=kept, joined=joined, births_differ=True, birth_reason="A typing error.")

    untils = [retaining.standing_of(one).kept.until for one in (kept, joined)]

    assert untils == [date(2037, 5, 1)] * 2


@pytest.mark.parametrize("what", ["held", "booked", "kept longer"])
def test_what_keeps_one_keeps_both(kept, joined, link, two, what):
    assert due(two.first) == [kept, joined]

    if what == "held":
        legal_holds.set_legal_hold(client=joined, reason="A claim", by=two.first)
    elif what == "booked":
        day = date.today() + timedelta(days=9)  # noqa: DTZ011  # asked by the clock itself
        AppointmentFactory(site=kept.site, client=kept, clinician=two.first, local_date=day)
    else:
        found = retaining.review(client=joined, basis="over", reason="Over.", by=two.first)
        longer = date(2036, 1, 1)
        retaining.keep(destruction=found, reason="A study.", by=two.second, keep_to=longer)

    assert due(two.first) == []


def test_one_of_two_is_not_destroyed(kept, joined, link, two):
    found = two.review(joined)

    with pytest.raises(ValidationError, match="Review ML90042 as well"):
        two.confirm(found)
    with pytest.raises(IntegrityError, match="was not reviewed"), transaction.atomic():
        confirm_by_sql(found, two.second)
    assert Client.objects.get(pk=joined.pk).destroyed_on is None


def test_a_review_that_was_declined_keeps_both(kept, joined, link, two):
    found, other = two.review(joined), two.review(kept)
    with time_machine.travel(LATER, tick=False):
        retaining.keep(destruction=other, reason="Needed.", by=two.second)

    with pytest.raises(ValidationError, match="Review ML90042 as well"):
        two.confirm(found)


@pytest.mark.parametrize("first", ["kept", "joined"])
def test_both_are_destroyed_after_two_reviews(kept, joined, two, first, deleting_refused):
    for one in (kept, joined):
        AlertFactory(client=one)
    seen(joined, two.first, SINCE)
    RecordLinkFactory(kept=kept, joined=joined)
    reviews = {"kept": two.review(kept), "joined": two.review(joined)}
    second = {"kept": "joined", "joined": "kept"}[first]

    two.confirm(reviews[first])
    two.confirm(reviews[second])

    assert Client.objects.exclude(destroyed_on=None).count() == 2
    assert RecordLink.objects.count() == 0
    with pytest.raises(IntegrityError, match="destroyed"), transaction.atomic():
        RecordLinkFactory(kept=ClientFactory(site=kept.site), joined=joined)
    with pytest.raises(IntegrityError, match="destroyed"), transaction.atomic():
        RecordLinkFactory(kept=kept, joined=ClientFactory(site=kept.site))


def test_a_double_that_was_typed_in_twice_is_parted_first(kept, joined, link, two):
    with pytest.raises(ValidationError, match=r"joined with ML90042.*Part the records first"):
        two.review(joined, basis="mistake", reason="Typed in twice.")
    record_links.part_records(link=link, by=two.second, reason="An empty double: it goes.")

    two.confirm(two.review(joined, basis="mistake", reason="Typed in twice."))

    assert Client.objects.get(pk=joined.pk).destroyed_on
    # the words of the link named both, so it goes with either
    assert RecordLink.objects.count() == 0
    assert Client.objects.get(pk=kept.pk).destroyed_on is None


def test_a_mistake_joined_after_its_review_stays(kept, joined, two):
    found = two.review(joined, basis="mistake", reason="Typed in twice.")
    two.review(kept)
    RecordLinkFactory(kept=kept, joined=joined)

    with pytest.raises(ValidationError, match="Part the records first"):
        two.confirm(found)
    with pytest.raises(IntegrityError, match="was not reviewed"), transaction.atomic():
        confirm_by_sql(found, two.second)


def test_parted_records_have_their_own_clocks_again(kept, joined, two):
    seen(joined, two.first, SINCE)
    link = RecordLinkFactory(kept=kept, joined=joined)

    record_links.part_records(link=link, by=two.second, reason="Two sisters.")

    assert [retaining.standing_of(one).ended for one in (kept, joined)] == [LONG_AGO, SINCE]


def test_what_is_reviewed_or_gone_is_not_joined(kept, joined, two):
    compared = {"names_compared": True, "births_compared": True, "addresses_compared": True}
    fields = {"kept": kept, "joined": joined, "by": two.second, "reason": "Asked."} | compared
    found = two.review(joined)

    with pytest.raises(ValidationError, match="reviewed for destruction"):
        record_links.join_records(**fields)
    two.confirm(found)
    with pytest.raises(ValidationError, match="was destroyed"):
        record_links.join_records(**fields)


def test_an_old_backup_that_knows_the_link_gives_nothing_back(kept, joined, link):
    again = Destruction.objects.create(
        site=joined.site,
        client=joined,
        basis=DestructionBasis.AGAIN.value,
        care_ended=LONG_AGO,
        keep_until=date(2025, 3, 1),
        rule=DestructionBasis.AGAIN.value,
        reason="Restored from an old backup.",
        reviewed_at=LATER,
    )
    again.decision, again.decided_at = DestructionDecision.CONFIRMED.value, LATER
    again.save(update_fields=["decision", "decided_at"])

    destroying.erase(client=joined, destruction=again, on=TODAY, by=None)

    assert RecordLink.objects.count() == 0
    assert Client.objects.get(pk=joined.pk).destroyed_on == TODAY


def test_due_list_asks_no_more_for_more_joined_records(two, django_assert_num_queries):
    for pairs in (1, 19):
        for _ in range(pairs):
            one = ClientFactory(registered_on=LONG_AGO)
            RecordLinkFactory(
                kept=one, joined=ClientFactory(registered_on=LONG_AGO, site=one.site)
            )
        with django_assert_num_queries(3):
            due(two.first)
