"""All or nothing: the database fails at each statement of an act in turn."""

import io
from datetime import date, timedelta

import pytest
from django.urls import reverse

from assessments.models import Assessment
from assessments.services.assessments import sign_assessment
from clinic.domain.vocabulary import PaperState, Role
from clinic.models import Appointment, Paper, TrailEntry
from clinic.web import handouts, letter_signing
from exercises.models import Programme
from tests.durability.faults import struck_everywhere
from tests.factories import ReferrerFactory, StaffFactory
from tests.factories.diary import Place
from tests.factories.letters import file_record
from tests.factories.people import ConsentFactory
from tests.factories.programme import Desk

pytestmark = pytest.mark.django_db(transaction=True)
PDF = b"%PDF-2.0 drawn elsewhere"
PASSWORD = "a slow jog around the mill pond"


@pytest.fixture(autouse=True)
def day_of_the_vignettes(time_machine):
    time_machine.move_to("2027-03-10 12:00 +0000", tick=False)


@pytest.fixture(autouse=True)
def drawn_at_once(monkeypatch):
    """Drawing pages asks no database and takes most of the time."""
    monkeypatch.setattr(handouts, "render_handout", lambda *_: PDF)
    monkeypatch.setattr(letter_signing, "render_letter", lambda *_: PDF)


@pytest.fixture(autouse=True)
def tries_not_counted(settings):
    """Each failure would count as a wrong password, and the clock stands still."""
    settings.ACCOUNT_RATE_LIMITS = False


@pytest.fixture
def visitor(client):
    client.raise_request_exception = False
    return client


class Act:
    """Something that a page does, pressed by `by`."""

    def __init__(self, visitor, by):
        self.visitor, self.by = visitor, by
        by.set_password(PASSWORD)
        by.save(update_fields=["password"])
        visitor.force_login(by)

    def post(self, name, pk, **fields):
        """The answer; who signs is asked again, other pages do not read it."""
        return self.visitor.post(reverse(name, args=[pk]), fields | {"signature": PASSWORD})

    def told(self, action):
        """Whether the trail's newest line says it, by this person."""
        line = TrailEntry.objects.latest("pk")
        return (line.action, line.actor_id) == (action, self.by.pk)


class Signing(Act):
    """The clinician signs an assessment with findings."""

    def __init__(self, visitor, edition):
        self.desk = Desk(edition, "02")
        super().__init__(visitor, self.desk.by)
        address = reverse("assessment-sign", args=[self.desk.pk])
        self.stamp = visitor.get(address).context["stamp"]

    def press(self):
        return self.post("assessment-sign", self.desk.pk, stamp=self.stamp)

    def is_whole(self, grown):
        assessment = Assessment.objects.get(pk=self.desk.pk)
        findings = len(self.desk.proposal.findings)
        lines = TrailEntry.objects.filter(action="sign", object_key=str(self.desk.pk)).count()
        return (
            assessment.is_signed
            and assessment.signed_by_id == self.by.pk
            and (grown["Finding"], assessment.findings.count()) == (findings, findings)
            and findings > 0
            and (lines, grown["TrailEntry"]) == (1, 1)
        )


class TakingOver(Act):
    """The proposal becomes a programme."""

    def __init__(self, visitor, edition):
        self.desk = Desk(edition, "02")
        super().__init__(visitor, self.desk.by)

    def press(self):
        return self.post("programme-take", self.desk.pk)

    def is_whole(self, grown):
        lines = len(self.desk.proposal.programme)
        return (
            lines > 0
            and grown == {"Programme": 1, "ProgrammeItem": lines, "TrailEntry": 1}
            and self.told("create")
        )


class Issuing(TakingOver):
    """The programme goes home with the client: handout, reassessment, both in the trail."""

    def __init__(self, visitor, edition):
        super().__init__(visitor, edition)
        self.desk.take_over()
        self.desk.accept_all()
        self.desk.agree(date(2027, 4, 21))
        self.programme, self.stamp = self.desk.programme, self.desk.stamp

    def press(self):
        return self.post("programme-issue", self.programme.pk, stamp=self.stamp)

    def is_whole(self, grown):
        programme = Programme.objects.get(assessment=self.desk.pk)
        paper = Paper.objects.filter(about=f"programme-{programme.pk}").first()
        return (
            programme.is_issued
            and paper is not None
            and (paper.state, bytes(paper.pdf)) == (PaperState.SIGNED, PDF)
            and grown == {"Paper": 1, "Reassessment": 1, "TrailEntry": grown["TrailEntry"]}
            and grown["TrailEntry"] == 4  # issued, reassessment opened, paper made, paper signed
        )


class SigningLetter(Act):
    """A letter to the doctor is signed and its bytes are kept."""

    def __init__(self, visitor, edition):
        by = StaffFactory()
        super().__init__(visitor, by)
        assessment = file_record("06", edition, by)
        client = assessment.client
        client.doctor = ReferrerFactory(site=client.site)
        client.save()
        ConsentFactory(client=client, purpose="sharing", taken_by=by)
        fields = {"kind": "letter", "assessment": assessment.pk, "to": "doctor"}
        self.post("letter-new", assessment.client_id, **fields)
        self.paper = Paper.objects.latest("pk")

    def press(self):
        return self.post("paper-sign", self.paper.pk, edits=self.paper.edits)

    def is_whole(self, grown):
        paper = Paper.objects.get(pk=self.paper.pk)
        return (
            (paper.state, paper.signed_by_id) == (PaperState.SIGNED, self.by.pk)
            and bytes(paper.pdf) == PDF
            and grown == {"TrailEntry": 1}
            and self.told("sign")
        )


class Adding(Act):
    """An answer of a signed assessment is corrected beside it."""

    def __init__(self, visitor, edition):
        self.desk = Desk(edition, "02")
        super().__init__(visitor, self.desk.by)
        sign_assessment(assessment=self.desk.assessment, findings=(), by=self.by)

    def press(self):
        return self.post(
            "addendum-new",
            self.desk.pk,
            kind="correction",
            answer="o.cadence.none",
            value="171",
            text="Counted again from the film.",
            reason="Two steps were missed.",
            acted_on="10.3.2027",
        )

    def is_whole(self, grown):
        assessment = self.desk.assessment
        kept = [one.changes[0]["now"] for one in assessment.addenda.all()]
        lines = TrailEntry.objects.filter(action="amend", object_key=str(self.desk.pk)).count()
        return kept == [{"value": "171"}] and grown["Addendum"] == lines == 1


class Booking(Act):
    """An appointment takes its place in the diary, and a reassessment that waited is booked."""

    def __init__(self, visitor, week):
        self.place = Place(code=f"W{week}", name=f"Mill Lane {week}")
        self.day = date(2027, 3, 15) + timedelta(weeks=week)
        super().__init__(visitor, self.place.desk)

    def press(self):
        booking = self.place.booking()
        fields = {name: booking[name].pk for name in ("kind", "clinician", "room")}
        fields |= {"local_date": f"{self.day:%d.%m.%Y}", "local_time": "09:00"}
        return self.post("appointment-find", self.place.client.pk, **fields)

    def is_whole(self, grown):
        return (
            grown == {"Appointment": 1, "TrailEntry": 1}
            and Appointment.objects.latest("pk").local_date == self.day
            and self.told("book")
        )


def assert_all_or_nothing(found, at_least):
    """Every point left everything or nothing behind, and the last press was answered as done."""
    assert found["points"] == found["nothing"] + found["all"], found
    assert found["points"] >= at_least, found
    assert found["clean"] == 302, found


def test_signing_an_assessment(visitor, edition):
    found = struck_everywhere(lambda: Signing(visitor, edition))

    assert_all_or_nothing(found, at_least=30)


def test_taking_over_a_programme(visitor, edition):
    found = struck_everywhere(lambda: TakingOver(visitor, edition))

    assert_all_or_nothing(found, at_least=30)


def test_issuing_a_programme(visitor, edition):
    found = struck_everywhere(lambda: Issuing(visitor, edition))

    assert_all_or_nothing(found, at_least=30)


def test_signing_a_letter(visitor, edition):
    found = struck_everywhere(lambda: SigningLetter(visitor, edition))

    assert_all_or_nothing(found, at_least=10)


def test_adding_to_a_signed_assessment(visitor, edition):
    found = struck_everywhere(lambda: Adding(visitor, edition))

    assert_all_or_nothing(found, at_least=20)


def test_booking_an_appointment(visitor):
    weeks = iter(range(50))
    found = struck_everywhere(lambda: Booking(visitor, next(weeks)))

    assert_all_or_nothing(found, at_least=15)


class Importing(Act):
    """Three clients of a file are registered, or none."""

    def __init__(self, visitor, tries):
        super().__init__(visitor, StaffFactory(role=Role.MANAGER))
        year = 1950 + next(tries)  # each time three other people
        rows = [f"Person,{year}-0{month}-12" for month in (1, 2, 3)]
        text = "\n".join(["Surname,DOB", *rows])
        visitor.post(reverse("client-import"), {"file": io.BytesIO(text.encode())})
        chosen = {"column-0": "family_name", "column-1": "birth_date"}
        chosen |= {"separator": ",", "order": "unknown", "region": "GB"}
        visitor.post(reverse("client-import-columns"), chosen)
        self.seen = visitor.get(reverse("client-import-check")).context["seen"]

    def press(self):
        return self.visitor.post(reverse("client-import-check"), {"seen": self.seen})

    def is_whole(self, grown):
        lines = TrailEntry.objects.filter(action="import", actor=self.by)
        return grown == {"Client": 3, "TrailEntry": 4} and lines.count() == 1


def test_importing_clients(visitor, settings, tmp_path):
    settings.DATA_DIR = tmp_path
    tries = iter(range(70))
    found = struck_everywhere(lambda: Importing(visitor, tries))

    assert_all_or_nothing(found, at_least=20)
