"""Two records of one site that may be one person's, on one day."""

from datetime import UTC, datetime

import pytest
import time_machine

from clinic.domain.vocabulary import Role
from tests.factories import ClientFactory, StaffFactory


@pytest.fixture(autouse=True)
def one_day():
    with time_machine.travel(datetime(2026, 6, 1, 10, tzinfo=UTC), tick=False):
        yield


@pytest.fixture
def staff():
    return StaffFactory()


@pytest.fixture
def manager(staff):
    return StaffFactory(home_site=staff.home_site, role=Role.MANAGER)


@pytest.fixture
def kept(staff):
    return ClientFactory(
        site=staff.home_site, family_name="Fen", number="ML90042", telephone="01632 960042"
    )


@pytest.fixture
def joined(staff):
    return ClientFactory(
        site=staff.home_site,
        family_name="Fenn-Marsh",
        number="ML90007",
        telephone="01632 960007",
    )
