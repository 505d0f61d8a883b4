"""Pages of joining and parting; what is new goes to the kept record.

Source of what is asked: HL7 EHR-S Functional Model R2.1.1, RI.1.1.19 and RI.1.1.20 (records of
one person are merged and un-merged, and both histories stay whole).
"""

from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse

from assessments.models import Episode, Screening
from assessments.services.assessments import open_assessment
from assessments.services.episodes import open_episode
from clinic.domain.vocabulary import ConsentPurpose
from clinic.models import Client, RecordLink
from clinic.services import people, reassessments
from tests.clinic.joined import COMPARED
from tests.factories.consult import SETTINGS, make_assessment, make_episode
from tests.factories.people import (
    ReassessmentFactory,
    RecordLinkFactory,
)

TODAY = date(2026, 6, 1)
pytestmark = pytest.mark.django_db


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


def test_what_was_declined_is_not_opened_beside_another(kept, joined, staff):
    """Two days for one person would both be called."""
    declined = ReassessmentFactory(client=joined, clinician=staff, state="declined", reason="Busy")
    RecordLinkFactory(kept=kept, joined=joined)
    reassessments.open_reassessment(
        client=kept, clinician=staff, due_on=date(2026, 7, 1), by=staff
    )

    with pytest.raises(ValidationError, match="open already"):
        reassessments.reopen_reassessment(reassessment=declined, by=staff)


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
    for words in ("Fenn-Marsh", ">Fen<", "differs", "The search finds the person once"):
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
