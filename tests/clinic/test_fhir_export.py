"""Who may export what, the line it leaves, times and words as they are, the command."""

import io
import json
from base64 import b64decode
from collections import Counter
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from hashlib import sha256
from threading import Thread
from zoneinfo import ZoneInfo

import pytest
from django.contrib.auth.models import Group
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from django.db import connection
from django.utils import timezone

from assessments.editions import tables_of
from assessments.models import Placement
from clinic.domain.fhir_rules import UNITS
from clinic.domain.letter import Addressee, LetterKind, Referral
from clinic.domain.vocabulary import Role, TrailAction
from clinic.models import Consent, Reminder, TrailEntry, WaitingEntry
from clinic.services import trail
from clinic.services.papers import send_paper, sign_paper
from clinic.services.people import answer_consent, withdraw_consent
from clinic.web.exports import LIMITS_UNREAD, NO_CONSENT, Reader, export_client, export_period
from clinic.web.fhir import bundle, people
from clinic.web.fhir.bundle import UnsoundError
from clinic.web.fhir.reading import Wish
from clinic.web.fhir.sheet import UCUM_OF, quantity
from tests.clinic.test_fhir_demo import own_code, resources, written
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    SiteFactory,
    StaffFactory,
)
from tests.factories.consult import make_assessment, observe
from tests.factories.letters import file_of, file_record
from tests.factories.people import BARE, ConsentFactory, PaperFactory, ReassessmentFactory

# Times


@pytest.mark.parametrize(
    ("day", "start", "end"),
    [
        # clocks of London go forward on 28 March 2027, back on 31 October 2027 (IANA tz database)
        (date(2027, 3, 27), "2027-03-27T09:00:00+00:00", "2027-03-27T09:45:00+00:00"),
        (date(2027, 3, 28), "2027-03-28T09:00:00+01:00", "2027-03-28T09:45:00+01:00"),
        (date(2027, 10, 30), "2027-10-30T09:00:00+01:00", "2027-10-30T09:45:00+01:00"),
        (date(2027, 10, 31), "2027-10-31T09:00:00+00:00", "2027-10-31T09:45:00+00:00"),
    ],
)
def test_appointment_keeps_the_time_on_the_clock(edition, day, start, end):
    manager = StaffFactory(role=Role.MANAGER)
    begins = datetime.combine(day, time(9), tzinfo=ZoneInfo("Europe/London"))
    AppointmentFactory(
        client=ClientFactory(site=manager.home_site),
        local_date=day,
        starts_at=begins,
        ends_at=begins + timedelta(minutes=45),
    )
    out = io.StringIO()

    export_period(by=manager, first=day, last=day, wish=Wish(first=day, last=day), out=out)

    (one,) = resources(out.getvalue(), "Appointment")
    assert (one["start"], one["end"]) == (start, end)


# Who may


@pytest.fixture
def runner(edition):
    return ClientFactory()


def export(runner, by, *, reader=Reader.PROFESSIONAL, limits_kept=False):
    out = io.StringIO()
    export_client(
        client=runner, by=by, wish=Wish(), reader=reader, limits_kept=limits_kept, out=out
    )
    return out.getvalue()


def test_another_professional_needs_the_clients_consent(runner):
    by = StaffFactory()

    with pytest.raises(ValidationError) as refused:
        export(runner, by)

    assert refused.value.message_dict == {"reader": [NO_CONSENT]}
    assert not TrailEntry.objects.filter(action=TrailAction.EXPORT).exists()


def test_refused_consent_is_no_consent(runner):
    by = StaffFactory()
    ConsentFactory(client=runner, purpose="sharing", given=False, taken_by=by)

    with pytest.raises(ValidationError, match="not agreed"):
        export(runner, by)


def test_withdrawn_consent_is_no_consent(runner):
    by = StaffFactory()
    ConsentFactory(
        client=runner,
        purpose="sharing",
        taken_by=by,
        withdrawn_on=date(2026, 3, 1),
        withdrawn_with=by,
    )

    with pytest.raises(ValidationError, match="not agreed"):
        export(runner, by)


def test_limits_of_the_consent_are_read_first(runner):
    by = StaffFactory()
    ConsentFactory(client=runner, purpose="sharing", limits="No films", taken_by=by)

    with pytest.raises(ValidationError) as refused:
        export(runner, by)

    assert refused.value.message_dict == {"limits_kept": [LIMITS_UNREAD]}
    assert len(resources(export(runner, by, limits_kept=True), "Patient")) == 1


def test_own_use_is_the_managers(runner):
    with pytest.raises(ValidationError, match="manager"):
        export(runner, StaffFactory(), reader=Reader.CLINIC)

    assert export(runner, StaffFactory(role=Role.MANAGER), reader=Reader.CLINIC)


def test_period_is_the_managers(runner):
    with pytest.raises(ValidationError, match="manager"):
        written(StaffFactory())


def test_period_does_not_end_before_it_begins(runner):
    manager = StaffFactory(role=Role.MANAGER)
    days = {"first": date(2027, 3, 2), "last": date(2027, 3, 1)}

    with pytest.raises(ValidationError, match="before the first"):
        export_period(by=manager, wish=Wish(**days), out=io.StringIO(), **days)


def test_empty_period_is_said(runner):
    manager = StaffFactory(role=Role.MANAGER)
    days = {"first": date(1999, 3, 1), "last": date(1999, 3, 2)}

    with pytest.raises(ValidationError, match="Nothing of any client"):
        export_period(by=manager, wish=Wish(**days), out=io.StringIO(), **days)


def test_period_leaves_out_clients_of_other_sites(runner):
    elsewhere = ClientFactory(site=SiteFactory(code="QY", name="Quay"))
    manager = StaffFactory(role=Role.MANAGER, home_site=runner.site)

    _, text = written(manager)

    numbers = [one["identifier"][0]["value"] for one in resources(text, "Patient")]
    assert numbers == [runner.number]
    assert elsewhere.number not in text


# The trail


def test_export_of_a_client_is_a_line_that_the_next_export_shows(runner):
    by = StaffFactory()
    ConsentFactory(client=runner, purpose="sharing", taken_by=by)

    first = export(runner, by)

    line = TrailEntry.objects.get(action=TrailAction.EXPORT)
    assert (line.actor, line.client) == (by, runner)
    assert line.detail == {
        "format": "fhir",
        "reader": "professional",
        "drafts": False,
        "papers": False,
    }
    assert resources(first, "AuditEvent") == []
    (event,) = resources(export(runner, by), "AuditEvent")
    assert (event["action"], own_code({"coding": event["subtype"]})) == ("R", "act.export")


def test_export_of_a_period_is_a_line_of_its_own_and_one_of_each_client(runner):
    other = ClientFactory(site=runner.site)
    manager = StaffFactory(role=Role.MANAGER, home_site=runner.site)

    written(manager)

    lines = TrailEntry.objects.filter(action=TrailAction.EXPORT).order_by("pk")
    assert [(it.object_kind, it.client) for it in lines] == [
        ("period", None),
        ("client", runner),
        ("client", other),
    ]
    assert lines[0].detail["clients"] == 2


def test_consent_that_is_withdrawn_meanwhile_stops_the_export(runner, monkeypatch):
    by = StaffFactory()
    consent = ConsentFactory(client=runner, purpose="sharing", taken_by=by)
    sound = people.patient

    def withdrawing(*them):
        withdraw_consent(consent=consent, by=by, on=timezone.localdate())
        return sound(*them)

    monkeypatch.setattr(people, "patient", withdrawing)

    with pytest.raises(ValidationError, match="not agreed"):
        export(runner, by)
    assert not TrailEntry.objects.filter(action=TrailAction.EXPORT).exists()


@pytest.mark.django_db(transaction=True)
def test_others_write_while_an_export_is_made(runner, monkeypatch):
    """Neither the trail's head nor the file of SQLite is locked by an export."""
    by = StaffFactory(role=Role.MANAGER)
    sound, seen = people.patient, []

    def elsewhere():
        trail.record(TrailAction.VIEW, by=by, client=runner, row=runner)
        seen.append("written")
        connection.close()

    def slowly(*them):
        other = Thread(target=elsewhere)
        other.start()
        other.join(timeout=10)
        return sound(*them)

    monkeypatch.setattr(people, "patient", slowly)

    text = export(runner, by, reader=Reader.CLINIC)

    assert seen == ["written"]
    # what came in meanwhile is not in it: one moment is exported
    assert not any("act.view" in str(one) for one in resources(text, "AuditEvent"))
    actions = TrailEntry.objects.order_by("pk").values_list("action", flat=True)
    assert list(actions)[-2:] == [TrailAction.VIEW, TrailAction.EXPORT]


def test_unsound_export_leaves_no_line(runner, monkeypatch):
    by = StaffFactory(role=Role.MANAGER)
    sound = people.patient
    monkeypatch.setattr(people, "patient", lambda *them: {**sound(*them), "gender": "perhaps"})

    with pytest.raises(UnsoundError, match=r"Patient\.gender"):
        export(runner, by, reader=Reader.CLINIC)

    assert not TrailEntry.objects.filter(action=TrailAction.EXPORT).exists()


def test_resource_of_a_wrong_structure_is_refused_by_the_library(runner, monkeypatch):
    sound = people.patient
    monkeypatch.setattr(people, "patient", lambda *them: {**sound(*them), "birthday": "2000"})

    with pytest.raises(UnsoundError, match="birthday"):
        export(runner, StaffFactory(role=Role.MANAGER), reader=Reader.CLINIC)


def test_reference_to_what_is_left_out_is_refused(runner, monkeypatch):
    AppointmentFactory(client=runner)
    monkeypatch.setattr(bundle, "_leaned_on", lambda sheet: iter([]))

    with pytest.raises(UnsoundError, match="is not in the bundle"):
        export(runner, StaffFactory(role=Role.MANAGER), reader=Reader.CLINIC)


# People as they are


def test_names_of_all_scripts_limits_and_refusals_are_told(edition):
    by = StaffFactory(role=Role.MANAGER)
    runner = ClientFactory(
        family_name="Łukasiewicz-Ōtani 大谷",
        given_names="",
        preferred_name="נועה",
        next_of_kin="Sten, brother",
        language="Polski",
        allergies_known="listed",
        allergies="latex",
    )
    answer_consent(
        client=runner,
        purpose="filming",
        by=by,
        given_on=date(2026, 1, 6),
        given=False,
        manner="spoken",
        limits="only for the own doctor",
    )

    text = export(runner, by, reader=Reader.CLINIC)

    (patient,) = resources(text, "Patient")
    assert patient["name"] == [
        {"use": "official", "text": "Łukasiewicz-Ōtani 大谷", "family": "Łukasiewicz-Ōtani 大谷"},
        {"use": "usual", "text": "נועה"},
    ]
    assert patient["contact"][0]["name"] == {"text": "Sten, brother"}
    (consent,) = resources(text, "Consent")
    assert consent["provision"]["type"] == "deny"
    assert Consent.objects.get().text in consent["policyRule"]["text"]
    assert Consent.objects.get().text
    assert consent["provision"]["provision"] == [
        {"type": "permit", "code": [{"text": "only for the own doctor"}]}
    ]
    (allergy,) = resources(text, "AllergyIntolerance")
    assert allergy["code"] == {"text": "latex"}


# Worked cases


@pytest.mark.parametrize("case", [f"{number:02d}" for number in range(1, 10)])
def test_worked_case_is_sound_and_whole(edition, case):
    data, record = file_of(case), file_record(case, edition)
    manager = StaffFactory(role=Role.MANAGER, home_site=record.site)
    out = io.StringIO()

    export_client(
        client=record.client,
        by=manager,
        wish=Wish(drafts=True),
        reader=Reader.CLINIC,
        limits_kept=True,
        out=out,
    )

    words = Counter(
        own_code(one["code"]).split(".")[0] for one in resources(out.getvalue(), "Observation")
    )
    assert words["feature"] == len(data["observations"])
    assert words["test"] == len(data["tests"])
    assert words["score"] == len(data["scores"])
    assert words["trial"] == len(data["trials"])
    assert words["flag"] == len(data["screening"]["answers"])


def test_unit_that_is_not_in_our_list_stays_in_words():
    assert quantity(Decimal("7.30"), "furlongs") == {"value": 7.3, "unit": "furlongs"}


@pytest.mark.parametrize("unit", UCUM_OF)
def test_unit_of_the_tables_is_one_that_is_checked(unit):
    assert UCUM_OF[unit] in UNITS


def test_every_unit_of_the_tables_has_its_code(edition):
    tables = tables_of(edition.pk)
    measures = [*tables.features.values(), *tables.tests.values(), *tables.scores.values()]
    units = {one.unit for one in [*measures, *tables.facts.values()]}

    assert units - {"", "grade"} <= set(UCUM_OF)


# What was computed from film


def test_computed_value_tells_its_error_and_what_it_was_computed_from(edition):
    by = StaffFactory(role=Role.MANAGER)
    look = make_assessment(edition=edition, by=by)
    observe(look, "cadence", value=Decimal("171.5"), sd=Decimal("0.8123"), steps=12)
    texts = [json.dumps({"version": version}) for version in (1, 2)]
    for version, text in enumerate(texts, start=1):
        Placement.objects.create(
            site=look.site,
            assessment=look,
            trial=look.trials.get(),
            view="side",
            version=version,
            content=text,
            sha256=sha256(text.encode()).hexdigest(),
            saved_at=timezone.now(),
            saved_by=by,
        )
    out = io.StringIO()

    export_client(
        client=look.client,
        by=by,
        wish=Wish(drafts=True, papers=True),
        reader=Reader.CLINIC,
        limits_kept=True,
        out=out,
    )

    (cadence,) = [
        one
        for one in resources(out.getvalue(), "Observation")
        if own_code(one["code"]) == "feature.cadence"
    ]
    parts = {own_code(one["code"]): one for one in cadence["component"]}
    assert parts["part.standard_error"]["valueQuantity"]["value"] == 0.8123
    assert parts["part.mean_of"]["valueInteger"] == 12
    (placed,) = resources(out.getvalue(), "DocumentReference")
    assert placed["description"] == "Landmarks of trial 1, side view, version 2"
    assert placed["masterIdentifier"]["value"] == sha256(texts[1].encode()).hexdigest()
    assert b64decode(placed["content"][0]["attachment"]["data"]) == texts[1].encode()


# Referrals


def test_referral_letter_is_a_request_and_its_copy_a_communication(runner):
    by = StaffFactory(role=Role.CLINICIAN)
    by.groups.add(Group.objects.get_or_create(name=Role.MANAGER)[0])
    letter = replace(
        BARE,
        kind=LetterKind.REFERRAL,
        to=Addressee(name="Dr Ash", organisation="Brook Surgery"),
        referral=Referral(question="Is it the heart?", urgency="the same day"),
    )
    draft = PaperFactory(
        client=runner, kind="referral", created_by=by, content=letter.to_json(), title="Referral"
    )

    (asked,) = drafted(runner, by, "ServiceRequest")
    signed = sign_paper(paper=draft, by=by, signed_content=letter.to_json(), pdf=b"%PDF-1.7 x")
    send_paper(paper=signed, recipient="Dr Ash", manner="post", by=by)
    text = export(runner, by, reader=Reader.CLINIC)

    assert (asked["status"], asked["intent"], asked["priority"]) == ("draft", "proposal", "asap")
    (request,) = resources(text, "ServiceRequest")
    assert (request["status"], request["intent"]) == ("active", "order")
    assert request["performer"] == [{"display": "Dr Ash, Brook Surgery"}]
    assert request["reasonCode"] == [{"text": "Is it the heart?"}]
    (paper,) = resources(text, "DocumentReference")
    assert request["supportingInfo"] == [{"reference": f"urn:uuid:{paper['id']}"}]
    (sent,) = resources(text, "Communication")
    assert sent["payload"] == [{"contentReference": request["supportingInfo"][0]}]
    assert sent["recipient"] == [{"display": "Dr Ash"}]


def drafted(runner, by, kind):
    out = io.StringIO()
    export_client(
        client=runner,
        by=by,
        wish=Wish(drafts=True),
        reader=Reader.CLINIC,
        limits_kept=True,
        out=out,
    )
    return resources(out.getvalue(), kind)


# Waiting and reminding


def test_who_waits_and_was_reminded_is_told(runner):
    by = StaffFactory(role=Role.MANAGER)
    kind = AppointmentKindFactory(site=runner.site)
    waiting = {"site": runner.site, "client": runner, "kind": kind, "asked_by": by}
    WaitingEntry.objects.create(
        since=timezone.now(), earliest=date(2027, 3, 1), weekdays="02", **waiting
    )
    WaitingEntry.objects.create(since=timezone.now(), state="ended", **waiting)
    due = ReassessmentFactory(client=runner, clinician=by)
    Reminder.objects.create(
        site=runner.site,
        client=runner,
        reassessment=due,
        channel="telephone",
        outcome="not_reached",
        made_at=timezone.now(),
        made_by=by,
    )

    text = export(runner, by, reader=Reader.CLINIC)

    states = {one["status"]: one for one in resources(text, "Appointment")}
    assert set(states) == {"waitlist", "cancelled", "proposed"}
    assert states["waitlist"]["comment"] == "Mon, Wed; from 1 Mar 2027"
    assert states["waitlist"]["requestedPeriod"] == [{"start": "2027-03-01"}]
    (reminder,) = resources(text, "Communication")
    assert (reminder["status"], reminder["statusReason"]) == (
        "not-done",
        {"text": "not reached"},
    )


# The command


def test_command_writes_a_file_for_this_account_only(runner, tmp_path, capsys):
    manager = StaffFactory(role=Role.MANAGER)
    out = tmp_path / "client.json"

    call_command("export_fhir", str(out), by=manager.username, client=runner.number)

    assert len(resources(out.read_text(), "Patient")) == 1
    assert out.stat().st_mode & 0o077 == 0
    assert "Patient 1" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"by": "nobody"}, "nobody who is a manager"),
        ({}, "Name a client"),
        ({"client": "ZZ00001"}, "No client open to you"),
        ({"first": date(1999, 1, 1), "last": date(1999, 1, 2)}, "Nothing of any client"),
    ],
)
def test_command_says_what_is_wrong(runner, tmp_path, options, words):
    manager = StaffFactory(role=Role.MANAGER)
    out = tmp_path / "out.json"

    with pytest.raises(CommandError, match=words):
        call_command("export_fhir", str(out), **{"by": manager.username} | options)

    assert list(tmp_path.iterdir()) == []


def test_command_writes_over_nothing(runner, tmp_path):
    out = tmp_path / "out.json"
    out.write_text("kept")

    with pytest.raises(CommandError, match="exists"):
        call_command(
            "export_fhir",
            str(out),
            by=StaffFactory(role=Role.MANAGER).username,
            client=runner.number,
        )

    assert out.read_text() == "kept"
