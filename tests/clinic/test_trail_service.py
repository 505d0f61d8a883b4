"""The line in the trail: who, role, what, when, from where; no clinical text."""

from importlib import import_module
from uuid import uuid4

import pytest
from django.db import IntegrityError, transaction

from clinic.domain.chain import COLUMNS, GENESIS, line_hash
from clinic.domain.vocabulary import TrailAction
from clinic.middleware import ACT, ACT_KEPT, ORIGIN, act_of, origin
from clinic.models import TrailEntry, TrailHead
from clinic.services import trail
from tests.factories import ClientFactory, SiteFactory, StaffFactory


def test_line_names_who_what_and_where(db, time_machine):
    time_machine.move_to("2027-01-04 09:30 +0000", tick=False)
    staff, runner = StaffFactory(), ClientFactory()
    token = ORIGIN.set("127.0.0.1")

    trail.record(TrailAction.CHANGE, by=staff, row=runner, client=runner, fields=["address"])
    ORIGIN.reset(token)

    line = TrailEntry.objects.get()
    assert (line.actor, line.actor_name, line.role) == (staff, str(staff), "clinician")
    assert (line.action, line.object_kind, line.object_key) == ("change", "client", str(runner.pk))
    assert (line.client, line.site, line.object_version) == (runner, runner.site, 1)
    assert (line.origin, line.detail) == ("127.0.0.1", {"fields": ["address"]})
    assert line.at.isoformat() == "2027-01-04T09:30:00+00:00"


def test_act_of_the_system_has_no_person(db):
    line = trail.record(TrailAction.LOAD, by=None, kind="edition")

    assert (line.actor, line.actor_name, line.site) == (None, "the system", None)


def test_changed_fields_are_named(db):
    runner = ClientFactory(telephone="01632 960001")

    changed = trail.changes(runner, {"telephone": "01632 960002", "email": runner.email})

    assert changed == ["telephone"]


def test_lines_of_a_site_make_a_chain(db):
    staff, elsewhere = StaffFactory(), SiteFactory(code="QY", name="Quayside")
    lines = [trail.record(TrailAction.SEARCH, by=staff, kind="client") for _ in range(3)]
    other = trail.record(TrailAction.SEARCH, by=staff, site=elsewhere, kind="client")

    assert [line.number for line in lines] == [1, 2, 3]
    assert [line.prev_hash for line in lines] == [GENESIS, lines[0].hash, lines[1].hash]
    assert (other.chain, other.number, other.prev_hash) == (elsewhere.pk, 1, GENESIS)
    assert set(TrailHead.objects.values_list("chain", "number", "hash")) == {
        (staff.home_site_id, 3, lines[2].hash),
        (elsewhere.pk, 1, other.hash),
    }


def test_stored_line_has_the_hash_it_was_given(db):
    """Numbers, text and lists come back from either engine with the same canonical text."""
    detail = {"b": [1, 1.0, 1e20, 0.1, -0.0], "a": {"é": None, "x": True}}
    staff = StaffFactory()

    line = trail.record(TrailAction.CHANGE, by=staff, row=staff, **detail)

    stored = TrailEntry.objects.values(*COLUMNS).get(pk=line.pk)
    assert line_hash(stored) == line.hash


def test_migration_hashes_as_the_domain_does(db):
    """What the migration made of older lines is what a new line would have been given."""
    staff = StaffFactory()
    for _ in range(3):
        trail.record(TrailAction.LOAD, by=None, kind="edition", numbers=[1.5, 2])
        trail.record(TrailAction.CHANGE, by=staff, row=staff)
    migration = import_module("clinic.migrations.0005_trail_chain")

    lines = list(TrailEntry.objects.order_by("pk"))
    assert [migration.line_hash(line) for line in lines] == [line.hash for line in lines]
    assert len(lines) == 6


@pytest.fixture
def act():
    """The id of a request, as the middleware keeps it."""
    made = uuid4()
    tokens = ACT.set(made), ACT_KEPT.set(False)
    yield made
    ACT.reset(tokens[0])
    ACT_KEPT.reset(tokens[1])


def test_act_stands_on_the_first_line_but_a_view(db, act):
    staff = StaffFactory()
    actions = [TrailAction.VIEW, TrailAction.CHANGE, TrailAction.CREATE]

    lines = [trail.record(action, by=staff, row=staff) for action in actions]

    assert [line.act for line in lines] == [None, act, None]


def test_earlier_finds_the_line_of_the_same_person(db, act):
    staff, other = StaffFactory(), StaffFactory()
    line = trail.record(TrailAction.CHANGE, by=staff, row=staff)

    assert trail.earlier(act, staff) == line
    assert trail.earlier(act, other) is None
    assert trail.earlier(uuid4(), staff) is None
    assert trail.earlier(None, staff) is None


def test_one_act_of_one_person_is_recorded_once(db, act):
    staff = StaffFactory()
    trail.record(TrailAction.CHANGE, by=staff, row=staff)
    ACT_KEPT.set(False)

    with pytest.raises(IntegrityError), transaction.atomic():
        trail.record(TrailAction.CHANGE, by=staff, row=staff)


@pytest.mark.parametrize("sent", ["", "no id", "12345678-1234-5678-1234-56781234567"])
def test_header_that_is_no_id_is_no_act(sent):
    assert act_of(sent) is None


def test_header_becomes_the_act_of_its_request_only(rf):
    made, seen = uuid4(), []
    handle = origin(lambda request: seen.append(ACT.get()))

    handle(rf.post("/", headers={"X-Act": str(made)}))
    handle(rf.post("/"))

    assert seen == [made, None]
