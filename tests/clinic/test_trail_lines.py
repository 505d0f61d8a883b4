"""Each act leaves exactly one whole line: who, role, what, which version, for whom, when, whence.

Source of what a line must hold: ISO 27789 and 45 CFR 164.312(b), as an audit record names user,
subject, action, object, time and origin.
"""

from datetime import UTC, date, datetime, time

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.urls import reverse

from clinic.domain.vocabulary import ConsentPurpose, Role
from clinic.middleware import ORIGIN
from clinic.models import TrailEntry
from clinic.services import diary, people
from clinic.services.staff import change_roles
from clinic.services.trail_search import record_look
from tests.factories import StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.diary import Place

NOW = datetime(2027, 3, 12, 10, 42, 7, tzinfo=UTC)
DAY = date(2027, 3, 12)


@pytest.fixture(autouse=True)
def moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def place(db):
    """A site with people; what is done there comes from one address."""
    token = ORIGIN.set("10.0.0.5")
    yield Place()
    ORIGIN.reset(token)


def only(act):
    """The lines that an act leaves; made of nothing else."""
    before = set(TrailEntry.objects.values_list("pk", flat=True))
    answer = act()
    (line,) = TrailEntry.objects.exclude(pk__in=before)
    return line, answer


def told(line):
    """All of a line but its detail and its place in the chain."""
    return (
        (line.actor, line.role, line.action),
        (line.object_kind, line.object_key, line.object_version),
        (line.client, line.site, line.at, line.origin),
    )


def whole(by, role, action, kind, row=None, version=None, runner=None, origin="10.0.0.5"):
    key = str(row.pk) if row else ""
    return (by, role, action), (kind, key, version), (runner, by.home_site, NOW, origin)


def test_registering_and_changing_a_client(place):
    fields = {
        "given_names": "Orla",
        "family_name": "Fen",
        "birth_date": date(1990, 4, 12),
        "sex_for_norms": "f",
    }

    made, runner = only(lambda: people.register_client(by=place.desk, **fields))
    changed, _ = only(
        lambda: people.change_client(
            client=runner, seen=runner.version, by=place.desk, telephone="01632 960777"
        )
    )

    assert told(made) == whole(place.desk, "reception", "create", "client", runner, 1, runner)
    assert told(changed) == whole(place.desk, "reception", "change", "client", runner, 2, runner)
    assert changed.detail == {"fields": ["telephone"]}


def test_booking_moving_and_cancelling(place):
    booked, row = only(lambda: diary.book(**place.booking()))
    moved, _ = only(
        lambda: diary.move(
            appointment=row,
            clinician=place.clinician,
            room=place.room,
            local_date=date(2027, 3, 15),
            local_time=time(10),
            seen=0,
            by=place.desk,
        )
    )
    cancelled, _ = only(lambda: diary.cancel(appointment=row, reason="away", by=place.desk))

    for line, action, sequence in (
        (booked, "book", 0),
        (moved, "move", 1),
        (cancelled, "cancel", 2),
    ):
        expected = whole(place.desk, "reception", action, "appointment", row, runner=place.client)
        assert told(line) == expected
        assert line.detail["sequence"] == sequence


def test_consenting_and_withdrawing(place):
    given, row = only(
        lambda: people.answer_consent(
            client=place.client,
            purpose=ConsentPurpose.FILMING,
            by=place.clinician,
            given=True,
            given_on=DAY,
            manner="spoken",
        )
    )
    withdrawn, _ = only(lambda: people.withdraw_consent(consent=row, by=place.clinician, on=DAY))

    for line in (given, withdrawn):
        assert told(line) == whole(
            place.clinician, "clinician", "consent", "consent", row, runner=place.client
        )
    assert withdrawn.detail["withdrawn"] == "2027-03-12"


def test_an_alert_begins_and_ends(place):
    begun, row = only(
        lambda: people.add_alert(
            client=place.client, by=place.desk, since=DAY, kind="other", text="Step at the door"
        )
    )
    ended, _ = only(lambda: people.end_alert(alert=row, by=place.desk, on=DAY))

    for line, action in ((begun, "create"), (ended, "change")):
        assert told(line) == whole(
            place.desk, "reception", action, "alert", row, runner=place.client
        )
        assert "door" not in str(line.detail)


def test_searching_for_a_client_and_in_the_trail(place):
    manager = StaffFactory(home_site=place.site, role=Role.MANAGER)

    client, _ = only(lambda: people.record_search(by=place.desk, hits=3))
    trail, _ = only(lambda: record_look(by=manager, sought={"runner": "Fen"}, hits=2))

    assert told(client) == whole(place.desk, "reception", "search", "client")
    assert told(trail) == whole(manager, "manager", "search", "trail")
    assert trail.detail == {"fields": ["runner"], "hits": 2}


def test_opening_a_record_in_the_browser(client, place):
    client.force_login(place.desk)

    line, _ = only(lambda: client.get(reverse("client-open", args=[place.client.pk])))

    assert told(line) == whole(
        place.desk, "reception", "view", "client", place.client, 1, place.client, "127.0.0.1"
    )


def test_signing_in_failing_and_being_refused(client, place):
    def sign_in(password):
        fields = {"login": place.desk.username, "password": password}
        return lambda: client.post(reverse("account_login"), fields)

    failed, _ = only(sign_in("wrong"))
    entered, _ = only(sign_in(PASSWORD))
    refused, _ = only(lambda: client.get(reverse("history-open", args=[place.client.pk])))
    left, _ = only(lambda: client.post(reverse("account_logout")))

    for line, action in ((failed, "sign_fail"), (entered, "sign_in"), (left, "sign_out")):
        assert told(line) == whole(
            place.desk, "reception", action, "staff", place.desk, origin="127.0.0.1"
        )
    assert told(refused) == whole(place.desk, "reception", "refuse", "page", origin="127.0.0.1")
    assert refused.detail == {"page": "history-open", "pk": place.client.pk}


def test_changing_a_role(place):
    manager = StaffFactory(home_site=place.site, role=Role.MANAGER)
    wanted = {Role.RECEPTION, Role.CLINICIAN}

    line, _ = only(lambda: change_roles(staff=place.desk, roles=wanted, by=manager))

    assert told(line) == whole(manager, "manager", "role", "staff", place.desk)
    assert line.detail == {"before": ["reception"], "after": ["clinician", "reception"]}
    assert place.desk.roles == wanted


def test_the_same_roles_again_are_no_act(place):
    before = TrailEntry.objects.count()

    change_roles(staff=place.desk, roles=[Role.RECEPTION], by=place.clinician)

    assert TrailEntry.objects.count() == before


def test_nobody_is_left_without_a_role(place):
    with pytest.raises(ValidationError, match="Everybody has a role"):
        change_roles(staff=place.desk, roles=[], by=place.clinician)

    assert place.desk.roles == {Role.RECEPTION}
