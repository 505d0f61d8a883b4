"""A record with rows in every table of a client, long over, and two people to end it."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import time_machine
from django.utils import timezone

from assessments.models import Assessment, Finding, FindingTerm, Placement
from assessments.services.addenda import write_addendum
from assessments.services.assessments import sign_assessment
from assessments.services.retractions import retract_assessment
from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Client, Destruction, KeptTime, Reminder
from clinic.services import legal_holds, papers, people, record_requests, trail
from clinic.web import destroying, retaining
from tests.factories import ClientFactory, RoomFactory, StaffFactory
from tests.factories.consult import make_history, make_screening, make_trial
from tests.factories.hours import WaitingEntryFactory
from tests.factories.letters import full_record
from tests.factories.limits import open_in_emergency, restrict
from tests.factories.people import PaperFactory, ReassessmentFactory, RecordLinkFactory

NAME, STREET, WORDS = "Quillfeather", "Zephyrstone Walk", "Xanthippe ligament"
PDF = b"%PDF-1.7 a letter about Quillfeather"
MADE = datetime(2027, 4, 3, 12, tzinfo=ZoneInfo("Europe/London"))
LATER = datetime(2061, 6, 1, 12, tzinfo=ZoneInfo("Europe/London"))
OVER = "The period is over and nothing speaks against it."


def whole_record(edition, by, name=NAME):
    """The client; every table that can hold rows of a client holds one."""
    with time_machine.travel(MADE, tick=False):
        return _whole(edition, by, name)


def _whole(edition, by, name):
    assessment = full_record(edition, by=by)
    client = assessment.client
    client.family_name, client.address = name, f"3 {STREET}\nLarkfield"
    client.telephone, client.email = "01632 960777", f"{name}@example.org"
    client.next_of_kin = f"Ada {name}"
    client.search_text = people.searched_by(client)
    client.save()
    Assessment.objects.filter(pk=assessment.pk).update(words=f"{WORDS} hurts")
    _film(assessment, by)
    make_history(client, by)
    make_screening(client, by, flags=["s01", "s02"])
    _papers(client, by)
    _diary(client, by)
    record_requests.note_request(
        client=client,
        by=by,
        kind="amendment",
        received_on=date(2027, 4, 1),
        manner="written",
        words=f"I am no {name}",
    )
    hold = legal_holds.set_legal_hold(client=client, reason=f"Claim of {name}", by=by)
    legal_holds.end_legal_hold(hold=hold, reason="Settled", by=by)
    _limits(client, by)
    RecordLinkFactory(
        kept=ClientFactory(site=client.site),
        joined=client,
        reason=f"Said to be {name}",
        joined_by=by,
        parted_at=timezone.now(),
        parted_by=by,
        part_reason=f"{name} has a sister",
    )
    trail.record(TrailAction.VIEW, by=by, row=client, client=client)
    return Client.objects.get(pk=client.pk)


def _film(assessment, by):
    Placement.objects.create(
        site=assessment.site,
        assessment=assessment,
        trial=assessment.trials.first() or make_trial(assessment),
        view="side",
        version=1,
        content="{}",
        sha256="0" * 64,
        saved_at=timezone.now(),
        saved_by=by,
    )
    Finding.objects.create(
        site=assessment.site,
        assessment=assessment,
        finding=FindingTerm.objects.order_by("pk").first(),
        side="left",
        severity="clear",
        because=[],
    )
    sign_assessment(
        assessment=Assessment.objects.for_page().get(pk=assessment.pk), findings=[], by=by
    )
    write_addendum(
        assessment=Assessment.objects.get(pk=assessment.pk),
        by=by,
        kind="addition",
        reason="Was left out",
        text=f"{WORDS} was sore as well",
        acted_on=date(2027, 4, 2),
    )
    retract_assessment(
        assessment=Assessment.objects.for_page().get(pk=assessment.pk),
        by=by,
        cause="mistake",
        reason=f"{WORDS} of somebody else",
    )


def _papers(client, by):
    draft = PaperFactory(client=client, created_by=by, title=f"Letter for {NAME}")
    papers.sign_paper(paper=draft, by=by, signed_content=draft.content, pdf=PDF)
    papers.send_paper(paper=draft, recipient="Dr Ash", manner="post", by=by)
    PaperFactory(client=client, created_by=by, version=2, replaces=draft)


def _diary(client, by):
    due = ReassessmentFactory(client=client, clinician=by)
    Reminder.objects.create(
        site=client.site,
        client=client,
        reassessment=due,
        channel="letter",
        outcome="printed",
        made_at=timezone.now(),
        made_by=by,
    )
    entry = WaitingEntryFactory(site=client.site, client=client, since=timezone.now(), asked_by=by)
    KeptTime.objects.create(
        site=client.site,
        client=client,
        clinician=by,
        room=RoomFactory(site=client.site),
        kind=entry.kind,
        starts_at=timezone.now(),
        clear_at=timezone.now() + timedelta(minutes=45),
        kept_by=by,
        kept_until=timezone.now(),
    )


def _limits(client, by):
    """A restriction that has ended, and an opening in an emergency that it led to."""
    made = restrict(client, by, reason=f"{NAME} works here")
    open_in_emergency(client, StaffFactory(), restriction=made, owner=by)
    made.lines.update(until=timezone.now(), ended_by=by)
    made.ended_at, made.ended_by, made.end_reason = timezone.now(), by, f"{NAME} has left"
    made.save(update_fields=["ended_at", "ended_by", "end_reason"])


def waiting_review(client, by):
    """A review that waits for a second person, of a record as it may be."""
    return Destruction.objects.create(
        site=client.site,
        client=client,
        basis="mistake",
        care_ended=client.registered_on,
        keep_until=client.registered_on,
        rule="8 years after the end of care",
        reason=OVER,
        reviewed_by=by,
        reviewed_at=timezone.now(),
    )


class TwoPeople:
    """A clinician who reviews and a manager who confirms, long after the last visit."""

    def __init__(self, site=None):
        site = {"home_site": site} if site else {}
        self.first = StaffFactory(role=Role.CLINICIAN, **site)
        self.second = StaffFactory(role=Role.MANAGER, **site)

    def review(self, client, basis="over", reason=OVER):
        with time_machine.travel(LATER, tick=False):
            return retaining.review(client=client, basis=basis, reason=reason, by=self.first)

    def confirm(self, destruction, by=None):
        with time_machine.travel(LATER, tick=False):
            return destroying.confirm(destruction=destruction, by=by or self.second)

    def destroy(self, client):
        return self.confirm(self.review(client))
