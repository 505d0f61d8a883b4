"""The line in the trail: who, role, what, when, from where; no clinical text."""

from clinic.domain.vocabulary import TrailAction
from clinic.middleware import ORIGIN
from clinic.models import TrailEntry
from clinic.services import trail
from tests.factories import ClientFactory, StaffFactory


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
