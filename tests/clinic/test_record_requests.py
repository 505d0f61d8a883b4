"""Requests about the record: due dates, answers that stay, what goes along; on both engines."""

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from io import BytesIO, StringIO
from zipfile import ZipFile

import pytest
import time_machine
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.urls import reverse

from assessments.domain.vocabulary import AddendumKind
from assessments.services.addenda import write_addendum
from clinic.domain.letter import Letter
from clinic.domain.vocabulary import Role
from clinic.models import RecordRequest, TrailEntry
from clinic.services import record_requests as services
from clinic.web.fhir.bundle import write_bundle
from clinic.web.fhir.reading import Wish, sheet_for
from clinic.web.letter_record import disagreements_of, to_client
from clinic.web.person_copy import write_copy
from tests.clinic.documents.papers import BARE, DOCTOR
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.consult import make_assessment
from tests.factories.people import RecordRequestFactory

TODAY = date(2026, 6, 1)
WORDS = "It was my left knee, and I never said that I smoke."
REASON = "The entry says what was found that day."
STATEMENT = "I was there, and I know my own knee."
REBUTTAL = "The film of that day shows the right knee."
pytestmark = pytest.mark.django_db


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
def runner(staff):
    return ClientFactory(site=staff.home_site)


def note(runner, by, **fields):
    whole = {"kind": "amendment", "received_on": TODAY, "manner": "written", "words": WORDS}
    return services.note_request(client=runner, by=by, **whole | fields)


def decide(row, by, **fields):
    whole = {"outcome": "denied", "answer": REASON, "about": row.about}
    return services.decide(request=row, by=by, **whole | fields)


def disputed(runner, by):
    """A denied amendment with a statement and the clinic's answer to it."""
    row = decide(note(runner, by), by)
    services.note_statement(request=row, by=by, statement=STATEMENT, statement_on=TODAY)
    return services.write_rebuttal(request=row, by=by, rebuttal=REBUTTAL)


# noting and times


def test_a_request_gets_its_last_day_and_the_source_of_it(runner, staff):
    row = note(runner, staff)

    assert (row.due_on, row.last_day) == (date(2026, 7, 1), date(2026, 7, 1))
    assert "article" in row.limit_source
    line = TrailEntry.objects.get(object_kind="recordrequest")
    assert (line.action, line.detail["due"]) == ("create", "2026-07-01")
    assert "knee" not in str(line.detail)


def test_the_time_of_another_country(runner, staff, settings):
    settings.COUNTRY = "US"

    # 45 CFR 164.526(b)(2): 60 days; June has 29 more days, July 31
    assert note(runner, staff).due_on == date(2026, 7, 31)


def test_a_request_of_tomorrow_is_refused(runner, staff):
    with pytest.raises(ValidationError, match="future"):
        note(runner, staff, received_on=date(2026, 6, 2))


def test_the_time_is_extended_once_and_with_a_reason(runner, staff):
    row = services.extend(request=note(runner, staff), by=staff, reason="Old paper is sought.")

    assert (row.due_on, row.last_day) == (date(2026, 7, 1), date(2026, 9, 1))
    with pytest.raises(ValidationError, match="extended before"):
        services.extend(request=row, by=staff, reason="Again.")
    with pytest.raises(ValidationError, match="has a reason"):
        services.extend(request=note(runner, staff), by=staff, reason=" ")


def test_no_extension_after_the_last_day(runner, staff):
    row = note(runner, staff, received_on=date(2026, 4, 30))

    with pytest.raises(ValidationError, match="last day has passed"):
        services.extend(request=row, by=staff, reason="Too much work.")


# answers


def test_a_clinician_decides_on_clinical_content(runner, staff, manager):
    row = note(runner, staff)

    with pytest.raises(ValidationError, match="clinician decides"):
        decide(row, manager)
    assert decide(row, staff).decided_by == staff


def test_a_manager_decides_on_details_and_on_a_copy(runner, staff, manager):
    details = note(runner, staff, about="details")
    copy = note(runner, staff, kind="copy")

    assert decide(details, manager).outcome == "denied"
    assert decide(copy, manager, outcome="accepted").outcome == "accepted"


def test_a_manager_does_not_decide_by_calling_it_details(runner, staff, manager):
    # what it is about may be chosen anew, so the page shows it; the service asks for a clinician
    row = note(runner, staff, about="assessment-1")

    with pytest.raises(ValidationError, match="clinician decides"):
        decide(row, manager, about="details")


def test_reception_answers_nothing(runner, staff):
    with pytest.raises(PermissionDenied):
        decide(note(runner, staff), StaffFactory(role=Role.RECEPTION))


def test_an_accepted_amendment_of_a_signed_assessment_names_its_addendum(runner, staff):
    row = note(runner, staff, about="assessment-1")

    with pytest.raises(ValidationError, match="write the addendum first"):
        decide(row, staff, outcome="accepted", needs_addendum=True)
    taken = decide(row, staff, outcome="accepted", needs_addendum=True, answered_with="addendum-4")
    assert taken.answered_with == "addendum-4"


def test_an_answer_without_words_is_refused(runner, staff):
    with pytest.raises(ValidationError, match="what was done, or why not"):
        decide(note(runner, staff), staff, answer=" ")


def test_a_request_is_answered_once(runner, staff):
    row = decide(note(runner, staff), staff)

    with pytest.raises(ValidationError, match="answered already"):
        decide(row, staff, outcome="accepted")


def test_the_client_is_told_not_before_the_answer(runner, staff):
    row = note(runner, staff)
    with pytest.raises(ValidationError, match="Answer the request first"):
        services.note_told(request=row, by=staff, told_on=TODAY)
    decide(row, staff)
    with pytest.raises(ValidationError, match="before the answer"):
        services.note_told(request=row, by=staff, told_on=date(2026, 5, 31))

    told = services.note_told(request=row, by=staff, told_on=TODAY, goes_along=True)

    assert (told.told_on, told.goes_along) == (TODAY, True)


def test_only_a_denied_amendment_takes_a_statement(runner, staff):
    for row in (
        decide(note(runner, staff), staff, outcome="accepted"),
        decide(note(runner, staff, kind="erasure"), staff),
    ):
        with pytest.raises(ValidationError, match="amendment that was denied"):
            services.note_statement(request=row, by=staff, statement=STATEMENT, statement_on=TODAY)


def test_one_statement_and_one_answer_to_it(runner, staff, manager):
    row = decide(note(runner, staff), staff)
    with pytest.raises(ValidationError, match="follows a statement"):
        services.write_rebuttal(request=row, by=staff, rebuttal=REBUTTAL)
    services.note_statement(request=row, by=manager, statement=STATEMENT, statement_on=TODAY)
    with pytest.raises(PermissionDenied):
        services.write_rebuttal(request=row, by=manager, rebuttal=REBUTTAL)
    services.write_rebuttal(request=row, by=staff, rebuttal=REBUTTAL)

    with pytest.raises(ValidationError, match="stands already"):
        services.note_statement(request=row, by=staff, statement="More.", statement_on=TODAY)
    with pytest.raises(ValidationError, match="once"):
        services.write_rebuttal(request=row, by=staff, rebuttal="More.")


# what the database refuses


@pytest.mark.parametrize(
    "change",
    [
        {"words": "Nothing."},
        {"due_on": date(2027, 1, 1)},
        {"received_on": date(2026, 1, 1)},
        {"outcome": "accepted"},
        {"answer": "Yes."},
        {"about": "details"},
        {"told_on": None},
        {"statement": "Nothing."},
        {"rebuttal": "Nothing."},
        {"extended_to": None},
    ],
    ids=lambda change: next(iter(change)),
)
def test_what_stands_is_never_changed(runner, staff, change):
    row = services.extend(request=note(runner, staff), by=staff, reason="Old paper is sought.")
    decide(row, staff)
    services.note_told(request=row, by=staff, told_on=TODAY)
    services.note_statement(request=row, by=staff, statement=STATEMENT, statement_on=TODAY)
    services.write_rebuttal(request=row, by=staff, rebuttal=REBUTTAL)

    with pytest.raises(IntegrityError, match="request:"), transaction.atomic():
        RecordRequest.objects.filter(pk=row.pk).update(**change)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"outcome": "denied"}, "request_decided_whole"),
        ({"outcome": "maybe", "answer": "Maybe."}, "request_"),
        ({"extended_to": date(2026, 9, 1)}, "request_extended_whole"),
        ({"statement": STATEMENT}, "request_statement_fits"),
        ({"goes_along": True}, "request_goes_along_denied"),
        ({"told_on": TODAY}, "request_decided_whole"),
    ],
)
def test_half_an_answer_is_refused(runner, staff, change, name):
    row = note(runner, staff)

    with pytest.raises(IntegrityError, match=name), transaction.atomic():
        RecordRequest.objects.filter(pk=row.pk).update(**change)


def test_a_late_extension_is_refused(runner, staff):
    row = note(runner, staff, received_on=date(2026, 4, 1))

    with pytest.raises(IntegrityError, match="request_extended_whole"), transaction.atomic():
        RecordRequest.objects.filter(pk=row.pk).update(
            extended_to=date(2026, 7, 1),
            extended_on=TODAY,
            extended_by=staff,
            extension_reason="Late.",
        )


def test_a_request_is_never_deleted(runner, staff, deleting_refused):
    row = note(runner, staff)

    with pytest.raises(IntegrityError, match="never deleted"), transaction.atomic():
        RecordRequest.objects.filter(pk=row.pk).delete()


# what goes along


def test_others_are_told_what_the_client_disagrees_with(runner, staff):
    disputed(runner, staff)

    letter = replace(BARE, to=DOCTOR, disagreements=disagreements_of(runner, DOCTOR))

    (section,) = [
        one for one in letter.sections if one.heading == "What the client disagrees with"
    ]
    whole = " ".join(str(part) for part in section.parts)
    for words in (WORDS, REASON, STATEMENT, REBUTTAL, "1 June 2026"):
        assert words in whole
    assert Letter.from_json(letter.to_json()) == letter


def test_a_letter_without_a_disagreement_has_no_such_section():
    assert "disagrees" not in str([one.heading for one in BARE.sections])


def test_the_client_needs_not_be_told_their_own_words(runner, staff):
    disputed(runner, staff)

    assert disagreements_of(runner, DOCTOR) != ()
    assert disagreements_of(runner, to_client(runner)) == ()


def test_a_denial_without_a_statement_goes_along_where_the_client_asks_for_it(runner, staff):
    row = decide(note(runner, staff), staff)
    assert disagreements_of(runner, DOCTOR) == ()

    services.note_told(request=row, by=staff, told_on=TODAY, goes_along=True)

    (one,) = disagreements_of(runner, DOCTOR)
    assert (one.asked, one.reason, one.statement) == (WORDS, REASON, "")


def test_the_copy_of_the_record_holds_it(runner, staff):
    disputed(runner, staff)
    out = BytesIO()
    write_copy(client=runner, by=staff, out=out)

    with ZipFile(out) as whole:
        (row,) = json.loads(whole.read("record.json"))["tables"]["clinic.RecordRequest"]
        page = whole.read("record.html").decode()
    assert (row["words"], row["answer"], row["statement"], row["rebuttal"]) == (
        WORDS,
        REASON,
        STATEMENT,
        REBUTTAL,
    )
    assert STATEMENT in page


@pytest.mark.parametrize("first", [None, date(2027, 1, 1)])
def test_the_export_holds_it_whatever_the_period(runner, staff, edition, first):
    disputed(runner, staff)
    out = StringIO()
    at = datetime(2026, 6, 1, 10, tzinfo=UTC)
    sheet = sheet_for(runner.site)
    write_bundle(clients=[runner.pk], wish=Wish(first=first), sheet=sheet, at=at, out=out)

    entries = [one["resource"] for one in json.loads(out.getvalue())["entry"]]
    (told,) = [one for one in entries if one["resourceType"] == "Communication"]
    assert told["category"][0]["coding"][0]["code"] == "request.amendment"
    assert next(one["contentString"].partition(": ")[2] for one in told["payload"]) == WORDS
    assert [one["contentString"] for one in told["payload"][2:]] == [
        f"Statement of disagreement: {STATEMENT}",
        f"Answer to it: {REBUTTAL}",
    ]


# pages


def post(client, by, name, *args, **fields):
    client.force_login(by)
    return client.post(reverse(name, args=args), fields)


def test_reception_notes_a_request_and_reads_none(client, runner, staff):
    desk = StaffFactory(home_site=staff.home_site, role=Role.RECEPTION)
    make = {"kind": "copy", "received_on": "1.6.2026", "manner": "spoken", "about": "record"}

    answer = post(client, desk, "record-request-new", runner.pk, words=WORDS, **make)

    assert answer.url == reverse("client-open", args=[runner.pk])
    row = RecordRequest.objects.get()
    assert (row.words, row.noted_by, row.kind) == (WORDS, desk, "copy")
    shown = client.get(answer.url).content.decode()
    assert "due on 1 Jul 2026" in shown
    assert WORDS not in shown
    assert client.get(reverse("record-request-open", args=[row.pk])).status_code == 403


def test_bad_input_stands_beside_its_field_and_nothing_is_lost(client, runner, staff):
    answer = post(
        client,
        staff,
        "record-request-new",
        runner.pk,
        kind="copy",
        received_on="2.6.2026",
        manner="spoken",
        about="record",
        words=WORDS,
    )

    shown = answer.content.decode()
    assert "This day lies in the future." in shown
    assert WORDS in shown
    assert RecordRequest.objects.count() == 0


def test_from_the_request_to_the_addendum_that_answers_it(client, runner, staff, edition):
    look = make_assessment(edition=edition, client=runner, by=staff, on=date(2026, 5, 1))
    type(look).objects.filter(pk=look.pk).update(
        signed_at=datetime(2026, 5, 1, 9, tzinfo=UTC), signed_by=staff
    )
    look.refresh_from_db()
    row = note(runner, staff, about=f"assessment-{look.pk}")
    client.force_login(staff)
    shown = client.get(reverse("record-request-open", args=[row.pk])).content.decode()
    assert reverse("addendum-new", args=[look.pk]) in shown
    given = {"outcome": "accepted", "about": row.about, "answer": "It is the left knee now."}

    early = post(client, staff, "record-request-step", row.pk, "decide", **given)
    assert "write the addendum first" in early.content.decode()
    assert "It is the left knee now." in early.content.decode()
    addendum = write_addendum(
        assessment=look,
        by=staff,
        kind=AddendumKind.AMENDMENT,
        reason="The client asked.",
        text="It was the left knee.",
        acted_on=TODAY,
    )
    done = post(
        client,
        staff,
        "record-request-step",
        row.pk,
        "decide",
        answered_with=f"addendum-{addendum.pk}",
        **given,
    )

    row.refresh_from_db()
    assert (row.outcome, row.answered_with) == ("accepted", f"addendum-{addendum.pk}")
    shown = client.get(done.url).content.decode()
    assert "amendment 1 to the assessment of 1 May 2026" in shown
    assert "client not told" in shown


def test_an_addendum_of_another_assessment_is_no_answer(client, runner, staff, edition):
    looks = [
        make_assessment(edition=edition, client=runner, by=staff, on=date(2026, 5, n))
        for n in (1, 2)
    ]
    type(looks[0]).objects.update(signed_at=datetime(2026, 5, 3, tzinfo=UTC), signed_by=staff)
    for look in looks:
        look.refresh_from_db()
    other = write_addendum(
        assessment=looks[1],
        by=staff,
        kind=AddendumKind.ADDITION,
        reason="Heard late.",
        text="Ran a race.",
        acted_on=TODAY,
    )
    row = note(runner, staff, about=f"assessment-{looks[0].pk}")

    answer = post(
        client,
        staff,
        "record-request-step",
        row.pk,
        "decide",
        outcome="accepted",
        about=row.about,
        answer="Done.",
        answered_with=f"addendum-{other.pk}",
    )

    assert "belongs to another assessment" in answer.content.decode()
    row.refresh_from_db()
    assert row.is_open


def test_all_steps_by_the_pages(client, runner, staff):
    row = note(runner, staff)
    step = "record-request-step"

    post(client, staff, step, row.pk, "extend", reason="The clinician is away.")
    post(client, staff, step, row.pk, "decide", outcome="denied", answer=REASON, about="record")
    printed = client.get(reverse("record-request-answer", args=[row.pk])).content.decode()
    post(client, staff, step, row.pk, "told", told_on="1.6.2026", goes_along="on")
    post(client, staff, step, row.pk, "statement", statement=STATEMENT, statement_on="1.6.2026")
    post(client, staff, step, row.pk, "rebuttal", rebuttal=REBUTTAL)

    row.refresh_from_db()
    assert (row.outcome, row.last_day, row.told_on) == ("denied", date(2026, 9, 1), TODAY)
    assert (row.statement, row.rebuttal, row.goes_along) == (STATEMENT, REBUTTAL, True)
    for words in (REASON, "statement that says why you disagree", "You can complain"):
        assert words in printed
    shown = client.get(reverse("record-request-open", args=[row.pk])).content.decode()
    assert "Answer the request" not in shown
    assert STATEMENT in shown


def test_a_step_that_is_not_open_leads_back(client, runner, staff):
    row = note(runner, staff)
    client.force_login(staff)

    for step, status in (("rebuttal", 302), ("told", 302), ("decide", 200), ("dance", 404)):
        where = reverse("record-request-step", args=[row.pk, step])
        assert client.get(where).status_code == status, step
    assert client.get(reverse("record-request-answer", args=[row.pk])).status_code == 302


def test_the_manager_sees_what_waits_and_what_is_late(client, runner, staff, manager):
    note(runner, staff)
    RecordRequestFactory(client=runner, noted_by=staff, due_on=date(2026, 5, 31))
    client.force_login(manager)

    today = client.get(reverse("today")).content.decode()
    listed = client.get(reverse("record-request-list")).content.decode()

    assert "2 requests about records wait for an answer" in today
    assert "1 overdue" in today
    assert listed.index("1 day overdue") < listed.index("30 days left")


def test_the_record_names_its_requests(client, runner, staff):
    disputed(runner, staff)
    client.force_login(staff)

    shown = client.get(reverse("client-open", args=[runner.pk])).content.decode()

    assert "denied, with a statement of disagreement" in shown


@pytest.mark.parametrize("rows", [1, 40])
def test_the_list_asks_as_often_for_one_as_for_forty(
    client, staff, manager, rows, django_assert_num_queries
):
    for _ in range(rows):
        RecordRequestFactory(client=ClientFactory(site=staff.home_site), noted_by=staff)
    client.force_login(manager)

    with django_assert_num_queries(6):
        shown = client.get(reverse("record-request-list")).content.decode()

    assert shown.count("An amendment of the record") == rows


def test_an_accepted_restriction_of_use_leads_to_what_acts(client, runner, staff):
    def shown(row):
        client.force_login(staff)
        return client.get(reverse("record-request-open", args=[row.pk])).content.decode()

    names = ("consent-list", "restriction-open", "retention-open")
    acts = [f'href="{reverse(name, args=[runner.pk])}"' for name in names]
    row = note(runner, staff, kind="restriction")
    assert all(it in shown(row) for it in acts)

    decide(row, staff, outcome="accepted", answer="We use it for nothing but care.")

    page = shown(row)
    assert "it stops nothing by itself" in page
    assert all(it in page for it in acts)
    other = decide(note(runner, staff, kind="copy"), staff, outcome="accepted", answer="Done.")
    assert "it stops nothing by itself" not in shown(other)


def test_a_request_of_another_site_does_not_exist(client, runner, staff):
    row = note(runner, staff)
    client.force_login(StaffFactory(home_site=SiteFactory(code="HR", name="Harbour Road")))

    assert client.get(reverse("record-request-open", args=[row.pk])).status_code == 404
    assert "amendment" not in client.get(reverse("record-request-list")).content.decode()
