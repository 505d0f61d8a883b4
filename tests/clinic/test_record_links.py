"""Two records of one person: joined by a link, read as one, parted again; on both engines.

Source of what is asked: HL7 EHR-S Functional Model R2.1.1, RI.1.1.19 and RI.1.1.20 (records of
one person are merged and un-merged, and both histories stay whole).
"""

import json
from datetime import UTC, date, datetime, timedelta
from io import BytesIO, StringIO
from zipfile import ZipFile

import pytest
import time_machine
from django.apps import apps
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, connection, transaction
from django.urls import reverse

from assessments.models import Assessment, Episode, Retraction, RunningHistory, Screening
from assessments.services.assessments import for_consult, latest_assessment, open_assessment
from assessments.services.episodes import open_episode
from clinic.domain.people import read_search
from clinic.domain.vocabulary import ConsentPurpose, Role
from clinic.models import Appointment, Client, Consent, RecordLink, TrailEntry, WaitingEntry
from clinic.models.record_links import person
from clinic.services import consents, people, reassessments
from clinic.services import record_links as services
from clinic.services.living import refuse_dead
from clinic.web.exports import Reader, export_client
from clinic.web.fhir.reading import Wish
from clinic.web.letter_record import allergies_of, sharing_of
from clinic.web.person_copy import write_copy
from clinic.web.views.progress import progress_of
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    RoomFactory,
    SiteFactory,
    StaffFactory,
)
from tests.factories.consult import SETTINGS, make_assessment, make_episode
from tests.factories.people import (
    AlertFactory,
    ConsentFactory,
    EpisodeFactory,
    HoldFactory,
    PaperFactory,
    ReassessmentFactory,
    RecordLinkFactory,
)

TODAY = date(2026, 6, 1)
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
def kept(staff):
    return ClientFactory(site=staff.home_site, family_name="Fen", number="ML90042")


@pytest.fixture
def joined(staff):
    return ClientFactory(site=staff.home_site, family_name="Fenn-Marsh", number="ML90007")


COMPARED = {"names_compared": True, "births_compared": True, "addresses_compared": True}


def join(kept, joined, by, **fields):
    return services.join_records(
        kept=kept, joined=joined, by=by, reason="Asked at the desk.", **COMPARED | fields
    )


# joining and parting


def test_a_link_and_a_line_in_both_trails(kept, joined, manager):
    link = join(kept, joined, manager)

    assert (link.kept, link.joined, link.joined_by, link.births_differ) == (
        kept,
        joined,
        manager,
        False,
    )
    lines = TrailEntry.objects.filter(action="merge").order_by("pk")
    assert [(line.client, line.detail["other"]) for line in lines] == [
        (kept, "ML90007"),
        (joined, "ML90042"),
    ]
    assert "desk" not in str([line.detail for line in lines])


def test_the_records_of_a_person(kept, joined, manager):
    third, stranger = ClientFactory(site=kept.site), ClientFactory(site=kept.site)
    for other in (joined, third):
        join(kept, other, manager)

    whole = {kept.pk, joined.pk, third.pk}
    assert [set(person(it.pk)) for it in (kept, joined, third)] == [whole] * 3
    assert set(person(stranger.pk)) == {stranger.pk}


@pytest.mark.parametrize("role", [Role.CLINICIAN, Role.RECEPTION])
def test_only_a_manager_joins_and_parts(kept, joined, role):
    by = StaffFactory(home_site=kept.site, role=role)

    with pytest.raises(PermissionDenied):
        join(kept, joined, by)
    with pytest.raises(PermissionDenied):
        services.part_records(link=RecordLinkFactory(kept=kept, joined=joined), by=by, reason="x")


def test_records_of_two_sites_are_not_joined(kept, manager):
    elsewhere = ClientFactory(site=SiteFactory(code="QY", name="Quay"))

    with pytest.raises(ValidationError, match="two sites"):
        join(kept, elsewhere, manager)


def test_a_record_is_not_joined_to_itself(kept, manager):
    with pytest.raises(ValidationError, match="two records"):
        join(kept, kept, manager)


def test_no_chains(kept, joined, manager):
    third = ClientFactory(site=kept.site)
    join(kept, joined, manager)

    for one, two, words in (
        (third, joined, "joined to another"),
        (joined, third, "joined to another"),
        (third, kept, "Other records are joined"),
    ):
        with pytest.raises(ValidationError, match=words):
            join(one, two, manager)


def test_all_three_are_compared(kept, joined, manager):
    for name in COMPARED:
        with pytest.raises(ValidationError, match="Compare all three"):
            join(kept, joined, manager, **{name: False})


def test_other_birth_dates_ask_for_a_reason(kept, manager):
    other = ClientFactory(site=kept.site, birth_date=date(1990, 12, 4))

    with pytest.raises(ValidationError, match="dates of birth differ"):
        join(kept, other, manager)
    link = join(kept, other, manager, birth_reason="Day and month were swapped.")

    assert (link.births_differ, link.birth_reason) == (True, "Day and month were swapped.")


def test_one_day_is_due_for_one_person(kept, joined, manager):
    ReassessmentFactory(client=joined)

    with pytest.raises(ValidationError, match="close it on the due list"):
        join(kept, joined, manager)


def test_a_death_is_the_same_in_both(kept, joined, manager):
    Client.objects.filter(pk=joined.pk).update(died_on=date(2026, 5, 1))

    with pytest.raises(ValidationError, match="whether, or when, the client died"):
        join(kept, joined, manager)
    Client.objects.filter(pk=kept.pk).update(died_on=date(2026, 5, 1))
    assert join(kept, joined, manager).joined == joined


def test_a_death_ends_what_is_open_in_both(kept, joined, staff):
    visit = AppointmentFactory(client=joined, clinician=staff, local_date=date(2026, 7, 1))
    RecordLinkFactory(kept=kept, joined=joined)

    with pytest.raises(ValidationError, match="joined to ML90042: write the day"):
        people.change_client(client=joined, seen=1, by=staff, died_on=date(2026, 5, 30))
    people.change_client(client=kept, seen=1, by=staff, died_on=date(2026, 5, 30))

    visit.refresh_from_db()
    assert visit.state == "cancelled"
    for one in (kept, joined):
        with pytest.raises(ValidationError, match="the client has died"):
            refuse_dead(one)


def test_records_are_parted_once_and_with_a_reason(kept, joined, manager):
    link = join(kept, joined, manager)
    with pytest.raises(ValidationError, match="Say why"):
        services.part_records(link=link, by=manager, reason=" ")

    parted = services.part_records(link=link, by=manager, reason="Two sisters.")

    assert (parted.parted_by, parted.part_reason) == (manager, "Two sisters.")
    assert set(person(kept.pk)) == {kept.pk}
    assert TrailEntry.objects.filter(action="unmerge").count() == 2
    with pytest.raises(ValidationError, match="parted already"):
        services.part_records(link=link, by=manager, reason="Again.")
    assert join(joined, kept, manager).kept == joined


def rows_of(client):
    """Every row of one record as the database has it, but the trail and the links."""
    from clinic.web.person_rows import paths

    found = {}
    with connection.cursor() as cursor:
        for table, path in paths().items():
            if table in (TrailEntry, RecordLink):
                continue
            keys = table._default_manager.filter(**{path or "pk": client.pk}).values_list(
                "pk", flat=True
            )
            for key in keys:
                name = connection.ops.quote_name(table._meta.db_table)
                cursor.execute(f"SELECT * FROM {name} WHERE id = %s", [key])  # noqa: S608
                found[table._meta.label, key] = repr(cursor.fetchall())
    return found


def test_parted_records_have_exactly_their_own_rows_again(kept, joined, staff, manager, edition):
    for one in (kept, joined):
        make_assessment(edition=edition, client=one, by=staff, on=date(2026, 5, 1))
        AlertFactory(client=one)
        HoldFactory(client=one)
        ConsentFactory(client=one, taken_by=staff)
        PaperFactory(client=one, created_by=staff)
    before = {one.pk: rows_of(one) for one in (kept, joined)}
    assert all(len(rows) > 7 for rows in before.values())

    link = join(kept, joined, manager)
    during = {one.pk: rows_of(one) for one in (kept, joined)}
    written = people.add_alert(client=kept, by=staff, since=TODAY, kind="access", text="Step")
    services.part_records(link=link, by=manager, reason="Two sisters.")

    assert during == before
    after = {one.pk: rows_of(one) for one in (kept, joined)}
    assert after[joined.pk] == before[joined.pk]
    new = set(after[kept.pk]) - set(before[kept.pk])
    assert new == {("clinic.Alert", written.pk)}
    assert {key: after[kept.pk][key] for key in before[kept.pk]} == before[kept.pk]


# what the database refuses


def test_the_database_refuses_chains(kept, joined):
    third = ClientFactory(site=kept.site)
    RecordLinkFactory(kept=kept, joined=joined)

    for one, two in ((third, kept), (joined, third), (third, joined)):
        with pytest.raises(IntegrityError), transaction.atomic():
            RecordLinkFactory(kept=one, joined=two)
    with pytest.raises(IntegrityError, match="link_of_two"), transaction.atomic():
        RecordLinkFactory(kept=third, joined=third)


@pytest.mark.parametrize(
    "change", [{"reason": "x"}, {"births_differ": True}, {"kept": None}, {"part_reason": "x"}]
)
def test_a_link_is_never_changed(kept, joined, manager, change):
    link = join(kept, joined, manager)
    if "part_reason" in change:
        services.part_records(link=link, by=manager, reason="Two sisters.")
    if "kept" in change:
        change = {"kept": ClientFactory(site=kept.site)}

    with pytest.raises(IntegrityError), transaction.atomic():
        RecordLink.objects.filter(pk=link.pk).update(**change)


def test_a_link_is_never_deleted(kept, joined, deleting_refused):
    link = RecordLinkFactory(kept=kept, joined=joined)

    with pytest.raises(IntegrityError, match="never deleted"), transaction.atomic():
        RecordLink.objects.filter(pk=link.pk).delete()


def test_the_database_refuses_new_rows_in_a_joined_record(kept, joined, staff, edition):
    episode = EpisodeFactory(client=joined, clinician=staff)
    RecordLinkFactory(kept=kept, joined=joined)
    of = {"site": joined.site, "client": joined}
    makers = {
        Episode: lambda: EpisodeFactory(client=joined, clinician=staff),
        Assessment: lambda: Assessment.objects.create(
            episode=episode,
            clinician=staff,
            kind="baseline",
            assessed_on=TODAY,
            edition=edition,
            **of,
        ),
        RunningHistory: lambda: RunningHistory.objects.create(
            taken_on=TODAY, taken_by=staff, **of
        ),
        Screening: lambda: Screening.objects.create(screened_on=TODAY, screened_by=staff, **of),
        Appointment: lambda: AppointmentFactory(client=joined, clinician=staff),
        Consent: lambda: ConsentFactory(client=joined, taken_by=staff),
        WaitingEntry: lambda: WaitingEntry.objects.create(
            kind=AppointmentKindFactory(site=joined.site),
            since=datetime(2026, 6, 1, tzinfo=UTC),
            asked_by=staff,
            **of,
        ),
    }

    for model, make in makers.items():
        with pytest.raises(IntegrityError, match="the record is joined"), transaction.atomic():
            make()
        assert model._meta.label in {it._meta.label for it in apps.get_models()}


# new entries go to the kept record


def test_new_entries_are_refused_with_words(kept, joined, staff, edition):
    episode = make_episode(joined, staff)
    RecordLinkFactory(kept=kept, joined=joined)

    for write in (
        lambda: open_episode(client=joined, by=staff, reason="x", opened_on=TODAY),
        lambda: open_assessment(
            client=joined,
            episode=episode,
            by=staff,
            kind="baseline",
            assessed_on=TODAY,
            history_unchanged=False,
            trial=SETTINGS,
        ),
        lambda: people.answer_consent(
            client=joined,
            purpose=ConsentPurpose.FILMING,
            by=staff,
            given_on=TODAY,
            given=True,
            manner="spoken",
        ),
    ):
        with pytest.raises(ValidationError, match="joined to ML90042"):
            write()


def test_what_becomes_due_is_due_in_the_kept_record(kept, joined, staff):
    RecordLinkFactory(kept=kept, joined=joined)

    due = reassessments.open_reassessment(
        client=joined, clinician=staff, due_on=date(2026, 7, 1), by=staff
    )

    assert due.client == kept


# both count


def test_alerts_and_holds_of_both_stand_on_both(client, kept, joined, staff):
    RecordLinkFactory(kept=kept, joined=joined)
    AlertFactory(client=joined, text="Latex")
    HoldFactory(client=joined, sentence="No running until the scan is read.")
    AlertFactory(client=kept, text="Nuts")
    client.force_login(staff)

    for one in (kept, joined):
        for name in ("client-open", "consent-list"):
            shown = client.get(reverse(name, args=[one.pk])).content.decode()
            assert "Latex" in shown
            assert "Nuts" in shown
            assert "No running until the scan is read." in shown


def test_nothing_of_a_stranger_stands_on_the_page(client, kept, joined, staff):
    AlertFactory(client=joined, text="Latex")
    client.force_login(staff)

    assert "Latex" not in client.get(reverse("client-open", args=[kept.pk])).content.decode()


def test_allergies_of_both_are_told(kept, joined):
    Client.objects.filter(pk=joined.pk).update(allergies_known="listed", allergies="penicillin")
    Client.objects.filter(pk=kept.pk).update(allergies_known="none_known")
    kept.refresh_from_db()
    before = allergies_of(kept).lines
    RecordLinkFactory(kept=kept, joined=joined)

    assert "penicillin" not in before
    assert allergies_of(kept).lines == ("penicillin",)


def answer(client, staff, day, *, given=True, withdrawn=None):
    return ConsentFactory(
        client=client,
        taken_by=staff,
        purpose="sharing",
        given=given,
        given_on=day,
        withdrawn_on=withdrawn,
        withdrawn_with=staff if withdrawn else None,
    )


@pytest.mark.parametrize(
    ("own", "other", "stopped"),
    [
        (None, None, False),
        ("given 5", None, False),
        (None, "given 5", False),
        (None, "refused 5", True),
        ("given 1", "withdrawn 5", True),
        ("given 5", "withdrawn 5", True),
        ("given 6", "withdrawn 5", False),
        ("refused 1", "given 9", True),
        ("withdrawn 1", "given 9", True),
        ("given 9", "refused 5", False),
    ],
)
def test_an_end_in_either_record_stops_until_a_later_yes(kept, joined, staff, own, other, stopped):
    for client, words in ((kept, own), (joined, other)):
        if words:
            kind, day = words.split()
            on = date(2026, 5, int(day))
            began = {"given_on": on} if kind != "withdrawn" else {"given_on": date(2026, 4, 1)}
            answer(
                client,
                staff,
                began["given_on"],
                given=kind != "refused",
                withdrawn=on if kind == "withdrawn" else None,
            )
    RecordLinkFactory(kept=kept, joined=joined)

    assert consents.stopped(kept, ConsentPurpose.SHARING) is stopped
    found = sharing_of(kept)
    assert bool(found and found.given) is (not stopped and bool(own or other))
    # the database says the same, whatever code sends
    paper = PaperFactory(
        client=kept,
        created_by=staff,
        content={"to": {"name": "Dr Ash", "reader": "doctor"}},
        kind="letter",
    )
    if stopped:
        with pytest.raises(IntegrityError, match="sharing"), transaction.atomic():
            send(paper, staff)
    else:
        send(paper, staff)


def send(paper, staff):
    from clinic.models import Sending

    return Sending.objects.create(
        site=paper.site,
        paper=paper,
        recipient="Dr Ash",
        manner="post",
        sent_at=datetime(2026, 6, 1, tzinfo=UTC),
        sent_by=staff,
    )


def test_a_parted_record_stops_nothing(kept, joined, staff, manager):
    answer(joined, staff, date(2026, 5, 1), given=False)
    link = join(kept, joined, manager)
    assert consents.stopped(kept, ConsentPurpose.SHARING)

    services.part_records(link=link, by=manager, reason="Two sisters.")

    assert not consents.stopped(kept, ConsentPurpose.SHARING)


def test_a_withdrawal_in_the_joined_record_stops_a_new_assessment(kept, joined, staff, edition):
    ConsentFactory(client=joined, taken_by=staff, purpose="assessment", given=False)
    RecordLinkFactory(kept=kept, joined=joined)
    episode = make_episode(kept, staff)

    with pytest.raises(ValidationError, match="does not agree to assessment"):
        open_assessment(
            client=kept,
            episode=episode,
            by=staff,
            kind="baseline",
            assessed_on=TODAY,
            history_unchanged=False,
            trial=SETTINGS,
        )
    with pytest.raises(IntegrityError, match="does not agree"), transaction.atomic():
        Assessment.objects.create(
            site=kept.site,
            client=kept,
            episode=episode,
            clinician=staff,
            kind="baseline",
            assessed_on=TODAY,
            edition=edition,
        )


# one history


def signed(runner, staff, edition, day):
    look = make_assessment(edition=edition, client=runner, by=staff, on=day)
    Assessment.objects.filter(pk=look.pk).update(
        signed_at=datetime(2026, 5, 30, tzinfo=UTC), signed_by=staff
    )
    return look


def test_last_time_and_progress_reach_over_both(kept, joined, staff, edition):
    first = signed(kept, staff, edition, date(2026, 3, 1))
    between = signed(joined, staff, edition, date(2026, 4, 1))
    newest = signed(kept, staff, edition, date(2026, 5, 1))
    assert for_consult(staff).get(pk=newest.pk).last_id == first.pk

    RecordLinkFactory(kept=kept, joined=joined)

    found = for_consult(staff).get(pk=newest.pk)
    assert (found.last_id, found.last_on) == (between.pk, date(2026, 4, 1))
    assert [it.pk for it in progress_of(kept)[0]] == [first.pk, between.pk, newest.pk]
    assert [it.pk for it in progress_of(joined)[0]] == [first.pk, between.pk, newest.pk]
    assert latest_assessment(joined).pk == newest.pk


def test_a_retracted_visit_of_the_joined_record_counts_no_more(kept, joined, staff, edition):
    first = signed(kept, staff, edition, date(2026, 3, 1))
    between = signed(joined, staff, edition, date(2026, 4, 1))
    newest = signed(kept, staff, edition, date(2026, 5, 1))
    RecordLinkFactory(kept=kept, joined=joined)

    Retraction.objects.create(
        site=between.site,
        assessment=between,
        cause="wrong_record",
        reason="Of a sister.",
        retracted_at=datetime(2026, 5, 31, tzinfo=UTC),
        author=staff,
    )

    assert for_consult(staff).get(pk=newest.pk).last_id == first.pk
    assert [it.pk for it in progress_of(kept)[0]] == [first.pk, newest.pk]


def test_the_record_shows_one_history_with_its_marks(client, kept, joined, staff):
    EpisodeFactory(client=joined, clinician=staff, reason="my heel hurts")
    RecordLinkFactory(kept=kept, joined=joined)
    client.force_login(staff)

    shown = client.get(reverse("client-open", args=[kept.pk])).content.decode()
    old = client.get(reverse("client-open", args=[joined.pk])).content.decode()

    assert "my heel hurts" in shown
    assert "record ML90007" in shown
    assert "Joined to" not in shown
    assert "Joined to <a" in old
    assert "New assessment" not in old


@pytest.mark.parametrize("words", ["Fen", "Marsh", "ML90007", "ML90042"])
def test_the_search_finds_the_person_once_under_the_kept_record(kept, joined, staff, words):
    AppointmentFactory(
        client=joined,
        clinician=staff,
        site=kept.site,
        local_date=TODAY + timedelta(days=3),
        room=RoomFactory(site=kept.site),
        kind=AppointmentKindFactory(site=kept.site),
    )
    RecordLinkFactory(kept=kept, joined=joined)
    for it in (kept, joined):
        Client.objects.filter(pk=it.pk).update(search_text=people.searched_by(it))
    sought = read_search(words, [], TODAY)

    found = people.clients_found(sought=sought, staff=staff, now=datetime(2026, 6, 1, tzinfo=UTC))

    (one,) = found
    assert one == kept
    assert [link.joined for link in one.joined_links] == [joined]
    assert one.joined_date == date(2026, 6, 4)


# what leaves the clinic


def test_the_copy_holds_both_records(kept, joined, staff):
    AlertFactory(client=joined, text="Latex")
    RecordLinkFactory(kept=kept, joined=joined)
    out = BytesIO()

    write_copy(client=kept, by=staff, out=out)

    with ZipFile(out) as whole:
        tables = json.loads(whole.read("record.json"))["tables"]
    assert {row["number"] for row in tables["clinic.Client"]} == {"ML90042", "ML90007"}
    assert [row["text"] for row in tables["clinic.Alert"]] == ["Latex"]
    assert len(tables["clinic.RecordLink"]) == 1
    assert {line.client for line in TrailEntry.objects.filter(action="export")} == {kept, joined}


def test_the_export_names_both_and_links_them(kept, joined, manager, edition):
    # HL7 FHIR R4, Patient.link.type: replaced-by and replaces
    RecordLinkFactory(kept=kept, joined=joined)
    out = StringIO()

    export_client(
        client=kept, by=manager, wish=Wish(), reader=Reader.CLINIC, limits_kept=False, out=out
    )

    entries = [one["resource"] for one in json.loads(out.getvalue())["entry"]]
    patients = {
        one["identifier"][0]["value"]: one for one in entries if one["resourceType"] == "Patient"
    }
    assert patients["ML90042"]["active"] is True
    assert patients["ML90007"]["active"] is False
    (here,), (there,) = (patients[it]["link"] for it in ("ML90042", "ML90007"))
    assert (here["type"], there["type"]) == ("replaces", "replaced-by")
    assert there["other"]["reference"].endswith(patients["ML90042"]["id"])


# pages


def test_side_by_side_and_joined_by_the_page(client, kept, joined, manager):
    client.force_login(manager)
    where = reverse("record-join", args=[joined.pk])

    chosen = client.get(where).content.decode()
    seen = client.get(f"{where}?with=ml90042").content.decode()
    refused = client.post(f"{where}?with=ML90042", {"kept": kept.pk, "reason": "Asked."})
    done = client.post(
        f"{where}?with=ML90042",
        {"kept": kept.pk, "reason": "Asked.", **dict.fromkeys(COMPARED, "on")},
    )

    assert "See both side by side" in chosen
    for words in ("Fenn-Marsh", "Fen", "differs", "The search finds the person once"):
        assert words in seen
    assert "Asked." in refused.content.decode()
    assert done.url == reverse("client-open", args=[kept.pk])
    link = RecordLink.objects.get()
    assert (link.kept, link.joined) == (kept, joined)
    part = reverse("record-part", args=[link.pk])
    assert part in client.get(done.url).content.decode()
    assert client.post(part, {"reason": "Two sisters."}).url == done.url
    assert RecordLink.objects.open().count() == 0
    # a page that was opened before says so
    for answer in (client.get(part, follow=True), client.post(part, {}, follow=True)):
        assert answer.redirect_chain == [(done.url, 302)]
        assert "was parted from ML90042 already" in answer.content.decode()


@pytest.mark.parametrize(
    ("number", "words"),
    [("ML90042", "the record itself"), ("ZZ1", "No record of this site"), ("", "Fill this in")],
)
def test_a_wrong_number_is_named(client, kept, manager, number, words):
    client.force_login(manager)

    shown = client.get(reverse("record-join", args=[kept.pk]), {"with": number})

    assert words in shown.content.decode()


def test_possible_doubles_are_offered(client, kept, joined, manager):
    Client.objects.filter(pk=joined.pk).update(family_name="Fen")
    client.force_login(manager)

    shown = client.get(reverse("record-join", args=[kept.pk])).content.decode()

    assert "?with=ML90007" in shown


@pytest.mark.parametrize(
    ("page", "extra"),
    [
        ("assessment-open-new", []),
        ("episode-new", []),
        ("appointment-find", []),
        ("waiting-new", []),
        ("due-edit", []),
        ("consent-new", ["filming"]),
    ],
)
def test_a_page_for_something_new_opens_in_the_kept_record(
    client, kept, joined, staff, edition, page, extra
):
    client.force_login(staff)
    where = reverse(page, args=[joined.pk, *extra])
    assert client.get(where).status_code == 200

    RecordLinkFactory(kept=kept, joined=joined)
    led = client.get(f"{where}?back=diary", follow=True)

    assert led.redirect_chain == [(f"{reverse(page, args=[kept.pk, *extra])}?back=diary", 302)]
    assert led.status_code == 200
    assert "ML90007 is joined to ML90042: new entries go here." in led.content.decode()


def test_what_was_typed_before_the_joining_stays(client, kept, joined, staff, edition):
    client.force_login(staff)
    RecordLinkFactory(kept=kept, joined=joined)

    typed = {"reason": "my heel hurts", "opened_on": "2026-06-01", "complaint_present": "no"}
    goals = {"goals-TOTAL_FORMS": "0", "goals-INITIAL_FORMS": "0"}
    answer = client.post(reverse("episode-new", args=[joined.pk]), typed | goals)

    shown = answer.content.decode()
    assert "my heel hurts" in shown
    assert "joined to ML90042" in shown
    assert Episode.objects.count() == 0


def test_a_second_window_is_told_that_they_are_joined(client, kept, joined, manager):
    client.force_login(manager)
    RecordLinkFactory(kept=kept, joined=joined)

    for one, other in ((kept, joined), (joined, kept)):
        where = f"{reverse('record-join', args=[one.pk])}?with={other.number}"
        for answer in (client.get(where, follow=True), client.post(where, {}, follow=True)):
            assert answer.redirect_chain == [(reverse("client-open", args=[one.pk]), 302)]
            assert "are joined already" in answer.content.decode()


def test_own_records_are_no_possible_doubles(kept, joined, manager):
    seen = {"family_name": "Fen", "birth_date": kept.birth_date, "telephone": ""}
    Client.objects.filter(pk=joined.pk).update(family_name="Fen")
    found = people.possible_doubles(staff=manager, apart_from=kept, **seen)

    RecordLinkFactory(kept=kept, joined=joined)

    assert found == [joined]
    assert people.possible_doubles(staff=manager, apart_from=kept, **seen) == []


@pytest.mark.parametrize("page", ["screening-open", "history-open", "assessment-open"])
def test_every_page_of_a_joined_record_says_where_new_entries_go(
    client, kept, joined, staff, edition, page
):
    look = make_assessment(edition=edition, client=joined, by=staff, on=date(2026, 5, 1))
    RecordLinkFactory(kept=kept, joined=joined)
    client.force_login(staff)
    key = look.pk if page == "assessment-open" else joined.pk

    shown = client.get(reverse(page, args=[key])).content.decode()

    assert f'Joined to <a href="{reverse("client-open", args=[kept.pk])}">ML90042</a>' in shown


def test_a_screening_of_a_joined_record_is_not_begun(client, kept, joined, staff, edition):
    RecordLinkFactory(kept=kept, joined=joined)
    client.force_login(staff)

    answer = client.post(reverse("screening-open", args=[joined.pk]), {"s01": "no"})

    assert "joined to ML90042" in answer.content.decode()
    assert Screening.objects.count() == 0
