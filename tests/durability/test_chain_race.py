"""Eight people write into one trail at once: no line is lost and none breaks the chain.

Threads with connections of their own, on a server or on a file with the settings of the site.
"""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier, Event

import pytest
from django.db import connection, connections, transaction

from clinic.domain.chain import COLUMNS
from clinic.domain.chain_faults import Head, faults
from clinic.domain.vocabulary import TrailAction
from clinic.models import TrailEntry, TrailHead
from clinic.services import trail
from tests.factories import SiteFactory, StaffFactory

pytestmark = pytest.mark.django_db(transaction=True)
WRITERS, LINES = 8, 10


def write(staff, barrier):
    """Ten acts of one person, begun with all the others."""
    try:
        barrier.wait()
        for number in range(LINES):
            trail.record(TrailAction.CHANGE, by=staff, row=staff, number_of_act=number)
    finally:
        connections.close_all()


def chain_faults(chain):
    """What is wrong with one chain, and how many lines it has."""
    lines = list(
        TrailEntry.objects.filter(chain=chain).order_by("number").values("id", "hash", *COLUMNS)
    )
    head = TrailHead.objects.get(chain=chain)
    return len(lines), list(faults(lines, Head(head.number, head.hash)))


@pytest.mark.parametrize("sites", [1, 2])
def test_eight_writers_break_no_chain(sites):
    """The first line of a chain is raced as well: it has no head to lock yet."""
    places = [SiteFactory(code=f"R{n}", name=f"Race {n}") for n in range(sites)]
    people = [StaffFactory(home_site=places[n % sites]) for n in range(WRITERS)]
    barrier = Barrier(WRITERS)

    with ThreadPoolExecutor(WRITERS) as pool:
        list(pool.map(write, people, [barrier] * WRITERS))

    for place in places:
        assert chain_faults(place.pk) == (WRITERS * LINES // sites, [])


@pytest.mark.engine("postgresql")  # SQLite has one lock for the whole file
@pytest.mark.parametrize("begun", [False, True])
def test_sites_do_not_wait_for_each_other(begun):
    """While one site's transaction is open, another site's line is written and committed."""
    here, there = StaffFactory(), StaffFactory(home_site=SiteFactory(code="QY", name="Quayside"))
    for staff in (here, there) if begun else ():
        trail.record(TrailAction.CHANGE, by=staff, row=staff)
    held, done = Event(), Event()

    def hold():
        try:
            with transaction.atomic():
                trail.record(TrailAction.CHANGE, by=here, row=here)
                held.set()
                return done.wait(10)
        finally:
            connections.close_all()

    def other():
        try:
            held.wait(10)
            with transaction.atomic():
                with connection.cursor() as cursor:
                    cursor.execute("SET LOCAL lock_timeout = '2s'")
                trail.record(TrailAction.CHANGE, by=there, row=there)
            done.set()
        finally:
            connections.close_all()

    with ThreadPoolExecutor(2) as pool:
        first, second = pool.submit(hold), pool.submit(other)
        second.result()
        assert first.result()
