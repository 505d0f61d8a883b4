"""Records are joined while somebody begins something in one of them: it is refused."""

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from threading import Event
from time import sleep

import pytest
from django.core.exceptions import ValidationError
from django.db import connections, transaction

from assessments.models import Episode
from assessments.services.episodes import open_episode
from clinic.domain.vocabulary import Role
from clinic.models import Client
from clinic.services.record_links import join_records
from tests.factories import ClientFactory, StaffFactory

pytestmark = pytest.mark.django_db(transaction=True)


def test_nothing_begins_in_a_record_that_is_being_joined():
    kept = ClientFactory()
    joined = ClientFactory(site=kept.site)
    manager, clinician = StaffFactory(role=Role.MANAGER), StaffFactory()
    linked = Event()

    def join():
        try:
            with transaction.atomic():
                join_records(
                    kept=kept,
                    joined=joined,
                    by=manager,
                    reason="Asked at the desk.",
                    names_compared=True,
                    births_compared=True,
                    addresses_compared=True,
                )
                linked.set()
                sleep(1)  # the other one asks before this is committed
        finally:
            connections.close_all()

    def begin():
        try:
            linked.wait(20)
            found = Client.objects.get(pk=joined.pk)
            open_episode(client=found, by=clinician, reason="x", opened_on=date(2026, 1, 5))
        except ValidationError as refused:
            return refused.messages[0]
        finally:
            connections.close_all()
        return "begun"

    with ThreadPoolExecutor(2) as pool:
        first, second = pool.submit(join), pool.submit(begin)
        first.result()
        told = second.result()

    assert told.startswith(f"This record is joined to {kept.number}")
    assert Episode.objects.count() == 0
