"""Records from which letters are written: a full one and a bare one."""

import json
from datetime import UTC, date, datetime
from pathlib import Path

from assessments.models import Assessment
from clinic.models import Client
from exercises.models import Advice, Programme, ProgrammeItem
from tests.factories import AppointmentFactory, ReferrerFactory, StaffFactory
from tests.factories.consult import make_assessment
from tests.factories.intake import record_from_file
from tests.factories.people import AlertFactory, ConsentFactory, GoalFactory, HoldFactory

CASES = Path(__file__).parents[1] / "vignettes" / "cases"


def file_of(name, **changed):
    """A vignette's assessment file as data, with parts changed."""
    found = CASES.glob(f"{name}-*.json")
    path = next(one for one in found if not one.name.endswith(".expected.json"))
    return json.loads(path.read_text(encoding="utf-8")) | changed


def file_record(name, edition, by=None):
    """A vignette as it lies in the database."""
    made = record_from_file(file_of(name), edition=edition, by=by or StaffFactory())
    return Assessment.objects.for_page().get(pk=made.pk)


def bare_record(edition, by=None):
    """An assessment of which nothing was recorded."""
    return make_assessment(edition=edition, by=by)


def full_record(edition, by=None, case="06"):
    """Two assessments, the earlier signed, with everything a letter can tell around them."""
    by = by or StaffFactory()
    earlier = record_from_file(file_of("07", assessed_on="2027-01-10"), edition=edition, by=by)
    client = earlier.client
    Client.objects.filter(pk=client.pk).update(
        given_names="Orla",
        family_name="Fenwick",
        address="12 Rope Walk\nLarkfield",
        allergies_known="listed",
        allergies="Penicillin",
        medicines_known="none_known",
        communication_needs="Face her when speaking",
        document_format="large_print",
        doctor=ReferrerFactory(site=client.site, name="Dr Ash"),
    )
    client.refresh_from_db()
    Assessment.objects.filter(pk=earlier.pk).update(
        signed_at=datetime(2027, 1, 10, 12, tzinfo=UTC), signed_by=by
    )
    given(earlier, by, "straight_knee_calf_raise", issued=True)
    now = record_from_file(file_of(case), edition=edition, by=by, client=client)
    Assessment.objects.filter(pk=now.pk).update(
        words="It bites after 3 km.", response="Did 15 of 18 sessions; less sore."
    )
    now.episode.aggravating = "Limps on stairs"
    now.episode.save()
    GoalFactory(episode=now.episode, text="Run 10 km", by=date(2027, 6, 13))
    ConsentFactory(client=client, purpose="sharing", taken_by=by, limits="not to the coach")
    AlertFactory(client=client, kind="access", text="Slow on stairs")
    HoldFactory(client=client, code="s20", since=date(2027, 3, 1))
    AppointmentFactory(
        site=client.site,
        client=client,
        clinician=by,
        local_date=date(2031, 4, 7),
        starts_at=datetime(2031, 4, 7, 8, tzinfo=UTC),
        ends_at=datetime(2031, 4, 7, 8, 45, tzinfo=UTC),
    )
    programme = given(now, by, "arm_drive_back_drill", agreed="yes")
    Advice.objects.create(
        site=client.site, programme=programme, text="Rest two days", understood=True
    )
    return Assessment.objects.for_page().get(pk=now.pk)


def given(assessment, by, exercise, *, issued=False, **fields):
    """A programme with one exercise that was taken and one that was declined."""
    programme = Programme.objects.create(
        site=assessment.site,
        assessment=assessment,
        proposal={},
        review_on=date(2027, 3, 24),
        **fields,
    )
    decided = {"decided_by": by, "decided_at": datetime(2027, 3, 10, 12, tzinfo=UTC)}
    for position, (code, decision) in enumerate(
        [(exercise, "accepted"), ("side_plank_hold", "declined")], start=1
    ):
        ProgrammeItem.objects.create(
            site=assessment.site,
            programme=programme,
            exercise_id=code,
            position=position,
            stage="now",
            sets=3,
            reps=None if code != "straight_knee_calf_raise" else 15,
            hold_s=None if code == "straight_knee_calf_raise" else 30,
            sessions_per_week=3,
            pain_ceiling=2,
            decision=decision,
            reason="" if decision == "accepted" else "too much",
            **decided,
        )
    if issued:
        Programme.objects.filter(pk=programme.pk).update(
            issued_at=datetime(2027, 1, 10, 12, tzinfo=UTC), issued_by=by
        )
    return programme
