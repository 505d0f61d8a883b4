"""Two managers who take each other's rights in the same moment: one is refused."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.core.exceptions import ValidationError
from django.db import connections

from clinic.domain.vocabulary import Role
from clinic.models import Staff
from clinic.services.staff import change_roles, close_account
from tests.factories import StaffFactory

pytestmark = pytest.mark.django_db(transaction=True)


def raced(*acts):
    """What became of acts that begin together."""
    start = Barrier(len(acts))

    def run(act):
        try:
            start.wait(10)
            act()
        except ValidationError as refused:
            return refused.messages[0]
        finally:
            connections.close_all()
        return "done"

    with ThreadPoolExecutor(len(acts)) as pool:
        return sorted(pool.map(run, acts))


@pytest.mark.parametrize(
    "act",
    [
        lambda staff, by: close_account(staff=staff, by=by),
        lambda staff, by: change_roles(staff=staff, roles=[Role.RECEPTION], by=by),
    ],
    ids=["closed", "roles"],
)
def test_one_manager_always_stays(act):
    for _ in range(5):
        Staff.objects.update(is_active=False)
        one, other = (StaffFactory(role=Role.MANAGER) for _ in range(2))

        became = raced(lambda: act(one, other), lambda: act(other, one))  # noqa: B023

        assert became[1] == "done"
        assert became[0].startswith("This is the last manager")
        managers = Staff.objects.filter(is_active=True, groups__name=Role.MANAGER.value)
        assert managers.count() == 1
