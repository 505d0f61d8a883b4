"""Two joined records are read as one: what counts for both, one history, what leaves.

Source of what is asked: HL7 EHR-S Functional Model R2.1.1, RI.1.1.19 and RI.1.1.20 (records of
one person are merged and un-merged, and both histories stay whole).
"""

import json
from datetime import UTC, date, datetime, timedelta
from io import BytesIO, StringIO
from zipfile import ZipFile

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.urls import reverse

from assessments.models import Assessment, Retraction
from assessments.services.assessments import for_consult, latest_assessment, open_assessment
from clinic.domain.people import read_search
from clinic.domain.vocabulary import ConsentPurpose
from clinic.models import Client, Sending, TrailEntry
from clinic.services import consents, people
from clinic.services import record_links as services
from clinic.web.exports import Reader, export_client
from clinic.web.fhir.reading import Wish
from clinic.web.letter_record import allergies_of, sharing_of
from clinic.web.person_copy import write_copy
from clinic.web.views.progress import progress_of
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    RoomFactory,
)
from tests.factories.consult import SETTINGS, make_assessment, make_episode
from tests.factories.people import (
    AlertFactory,
    ConsentFactory,
    EpisodeFactory,
    HoldFactory,
    PaperFactory,
    RecordLinkFactory,
)

TODAY = date(2026, 6, 1)
pytestmark = pytest.mark.django_db


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
    link = RecordLinkFactory(kept=kept, joined=joined)
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
