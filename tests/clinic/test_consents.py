"""What a consent keeps, who gives it, and what stops once it has ended; on both engines."""

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.urls import reverse
from django.utils import timezone

from assessments.editions import tables_of
from assessments.models import Assessment, Observation, Placement
from assessments.services import answers
from assessments.services.assessments import for_consult, open_assessment
from assessments.services.placements import save_placement
from assessments.stored_answers import stored
from clinic.models import Consent, Sending, TrailEntry
from clinic.services import consents, papers, people
from tests.clinic.documents.papers import BARE, DOCTOR
from tests.factories import ClientFactory, StaffFactory
from tests.factories.consult import SETTINGS, answer, make_assessment, make_episode, observe
from tests.factories.people import ConsentFactory, PaperFactory

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
def runner(staff):
    return ClientFactory(site=staff.home_site)


def ask(runner, by, **fields):
    whole = {"purpose": "filming", "given": True, "given_on": TODAY, "manner": "spoken"} | fields
    return people.answer_consent(client=runner, by=by, **whole)


def end(runner, by, purpose):
    """An answer that was given and withdrawn."""
    consent = ask(runner, by, purpose=purpose)
    people.withdraw_consent(consent=consent, by=by, on=TODAY)


def letter(runner, by, **fields):
    fields = {"content": {**BARE.to_json(), "to": {"name": "Dr Ash", "reader": "doctor"}}} | fields
    draft = PaperFactory(client=runner, created_by=by, **fields)
    return papers.sign_paper(paper=draft, by=by, signed_content=draft.content, pdf=b"%PDF-1.7")


def send(paper, by):
    return papers.send_paper(paper=paper, recipient="Dr Ash", manner="post", by=by)


# what is kept


def test_the_words_that_were_read_out_are_kept(runner, staff):
    row = ask(runner, staff)

    asked = consents.text_of("filming")
    assert (row.text, row.text_version) == (asked.text, str(asked.version))
    assert "measured from film" in row.text
    line = TrailEntry.objects.get(action="consent")
    assert line.detail["text"] == row.text_version
    assert row.text not in str(line.detail)


def test_an_answer_to_words_that_have_changed_is_refused(runner, staff):
    with pytest.raises(ValidationError, match="The text has changed"):
        ask(runner, staff, read=1)

    assert not Consent.objects.exists()


@pytest.mark.parametrize("purpose", ["filming", "teaching", "sharing"])
def test_a_child_alone_is_refused_and_a_parent_is_not(runner, staff, purpose):
    child = ClientFactory(site=staff.home_site, birth_date=date(2010, 6, 2))

    with pytest.raises(ValidationError, match="Below 16") as refusal:
        ask(child, staff, purpose=purpose)
    row = ask(child, staff, purpose=purpose, given_as="parent", given_by="Ada Fen")

    assert list(refusal.value.error_dict) == ["given_by"]
    assert row.giver == "Ada Fen (a parent)"
    assert ask(runner, staff, purpose=purpose).giver == "the client"


def test_a_child_says_no_alone(staff):
    child = ClientFactory(site=staff.home_site, birth_date=date(2010, 6, 2))

    assert ask(child, staff, given=False).giver == "the client"


def test_the_age_follows_the_country(staff, settings):
    settings.COUNTRY = "FR"
    young = ClientFactory(site=staff.home_site, birth_date=date(2009, 6, 1))

    with pytest.raises(ValidationError, match="Below 18"):
        ask(young, staff)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE clinic_consent SET given = NOT given",
        "UPDATE clinic_consent SET limits = 'none'",
        "UPDATE clinic_consent SET given_by = 'Ada Fen', given_as = 'parent'",
        "UPDATE clinic_consent SET text = 'other words'",
        "UPDATE clinic_consent SET given_on = '2026-05-01'",
    ],
)
def test_the_database_keeps_an_answer_as_it_was_given(runner, staff, change):
    row = ask(runner, staff)

    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(change)

    row.refresh_from_db()
    assert (row.given, row.limits, row.given_as) == (True, "", "client")


def test_the_database_takes_a_withdrawal_back_from_nobody(runner, staff):
    end(runner, staff, "filming")

    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("UPDATE clinic_consent SET withdrawn_on = NULL, withdrawn_with_id = NULL")


# sharing


def test_no_letter_goes_to_others_once_sharing_has_ended(runner, staff):
    first, second = letter(runner, staff), letter(runner, staff)
    ask(runner, staff, purpose="sharing")
    send(first, staff)
    people.withdraw_consent(consent=Consent.objects.get(), by=staff, on=TODAY)

    with pytest.raises(ValidationError, match="does not agree to sharing"):
        send(second, staff)

    assert Sending.objects.get().paper == first


def test_a_new_answer_lets_letters_go_again(runner, staff):
    end(runner, staff, "sharing")
    ask(runner, staff, purpose="sharing")

    assert send(letter(runner, staff), staff).pk


def test_the_client_gets_letters_and_handouts_all_the_same(runner, staff):
    end(runner, staff, "sharing")
    own = {**BARE.to_json(), "to": {"name": "Jo Bare", "reader": "client"}}

    send(letter(runner, staff, content=own), staff)
    send(letter(runner, staff, kind="handout"), staff)

    assert Sending.objects.count() == 2


def test_the_database_refuses_the_sending(runner, staff):
    paper = letter(runner, staff)
    end(runner, staff, "sharing")

    with pytest.raises(IntegrityError), transaction.atomic():
        Sending.objects.create(
            site=runner.site,
            paper=paper,
            recipient="Dr Ash",
            manner="post",
            sent_by=staff,
            sent_at=timezone.now(),
        )

    assert not Sending.objects.exists()


def test_the_page_of_a_letter_says_that_it_is_not_sent(client, runner, staff):
    paper = letter(runner, staff, content=replace(BARE, to=DOCTOR).to_json())
    client.force_login(staff)
    before = client.get(reverse("paper-open", args=[paper.pk])).content.decode()
    end(runner, staff, "sharing")

    page = client.get(reverse("paper-open", args=[paper.pk])).content.decode()

    assert ("Note as sent" in before, "Note as sent" in page) == (True, False)
    assert "No letter can be noted as sent to anybody but the client" in page


# assessment


def begin(runner, by, episode):
    return open_assessment(
        client=runner,
        episode=episode,
        by=by,
        kind="baseline",
        assessed_on=TODAY,
        history_unchanged=False,
        trial=SETTINGS,
    )


def test_no_assessment_is_opened_once_the_client_said_no(edition, runner, staff):
    episode = make_episode(runner, staff)
    begin(runner, staff, episode)
    end(runner, staff, "assessment")

    with pytest.raises(ValidationError, match="No new assessment can be opened"):
        begin(runner, staff, episode)
    with pytest.raises(IntegrityError), transaction.atomic():
        make_assessment(edition=edition, client=runner, by=staff, episode=episode)

    assert Assessment.objects.count() == 1


def test_the_page_of_a_new_assessment_says_why(client, edition, runner, staff):
    make_episode(runner, staff)
    end(runner, staff, "assessment")
    client.force_login(staff)

    page = client.get(reverse("assessment-open-new", args=[runner.pk])).content.decode()

    assert "The client does not agree to assessment and treatment." in page
    assert "Open the assessment" not in page


# filming


@pytest.fixture
def filmed(edition, runner, staff):
    """A draft with a value from film, of a client who then withdrew filming."""
    assessment = make_assessment(edition=edition, client=runner, by=staff)
    observe(assessment, "hip_adduction", "left", value=Decimal(8), method="video_2d")
    end(runner, staff, "filming")
    return assessment


def save(assessment, post):
    held = stored(for_consult(assessment.clinician).get(pk=assessment.pk))
    return answers.save_answers(
        held=held,
        trial=held.trials[0],
        typed=answers.typed_answers(post),
        by=assessment.clinician,
        tables=tables_of(assessment.edition_id),
    )


def test_nothing_new_is_measured_from_film(filmed):
    saving = save(filmed, answer("hip_adduction", "right", value="7.5"))

    assert saving.saved == []
    assert list(saving.refused["o.hip_adduction.right"]) == ["method"]
    assert "choose how it was" in saving.refused["o.hip_adduction.right"]["method"]
    assert Observation.objects.get().side == "left"


def test_what_is_seen_by_eye_or_by_a_sensor_is_saved(filmed):
    seen = save(filmed, answer("hip_adduction", "right", grade="2"))
    sensed = save(filmed, answer("cadence", value="170", method="sensor"))

    assert (seen.refused, sensed.refused) == ({}, {})
    assert Observation.objects.count() == 3


def test_no_landmarks_are_saved(filmed):
    with pytest.raises(ValidationError, match="does not agree to filming"):
        save_placement(
            trial=filmed.trials.get(),
            view="side",
            content={},
            moments=[],
            seen=0,
            by=filmed.clinician,
        )


def test_the_database_refuses_what_is_measured_from_film(filmed):
    row = Observation.objects.get()
    with pytest.raises(IntegrityError), transaction.atomic():
        observe(filmed, "hip_adduction", "right", value=Decimal(7), method="video_2d")
    with pytest.raises(IntegrityError), transaction.atomic():
        Observation.objects.filter(pk=row.pk).update(value=Decimal(9))
    with pytest.raises(IntegrityError), transaction.atomic():
        Placement.objects.create(
            site=filmed.site,
            assessment=filmed,
            trial=filmed.trials.get(),
            view="side",
            version=1,
            content="{}",
            sha256="0" * 64,
            saved_at=timezone.now(),
            saved_by=filmed.clinician,
        )

    # what was measured before stays, may be cleared, and may be said to come from elsewhere
    row.refresh_from_db()
    assert row.value == 8
    Observation.objects.filter(pk=row.pk).update(method="sensor", value=Decimal(9))
    Observation.objects.filter(pk=row.pk).update(value=None, method="")


# pages


def test_the_page_reads_the_text_and_keeps_who_answered(client, runner, staff):
    client.force_login(staff)
    where = reverse("consent-new", args=[runner.pk, "filming"])
    shown = client.get(where).content.decode()
    assert "We would like to film you running" in shown

    client.post(
        where,
        {
            "given": "yes",
            "given_on": "1.6.2026",
            "manner": "written",
            "given_as": "authority",
            "given_by": "Ada Fen",
            "read": "2",
        },
    )

    page = client.get(reverse("consent-list", args=[runner.pk])).content.decode()
    assert "by Ada Fen (somebody with legal authority) on 1 Jun 2026" in page
    assert "The words that were agreed on: version 2" in page


def test_the_pages_say_what_a_withdrawal_stops(client, runner, staff):
    client.force_login(staff)
    consent = ask(runner, staff, purpose="sharing")
    warned = client.get(reverse("consent-withdraw", args=[consent.pk])).content.decode()
    people.withdraw_consent(consent=consent, by=staff, on=TODAY)

    page = client.get(reverse("consent-list", args=[runner.pk])).content.decode()

    assert "From the moment you withdraw it: No letter" in warned
    assert page.count('<span class="word stop">stopped</span>') == 1


def test_answers_of_before_say_that_the_footing_was_not_asked(runner, staff):
    row = ConsentFactory(
        client=runner, taken_by=staff, given_by="Ada Fen, mother", given_as="unstated"
    )

    assert row.giver == "Ada Fen, mother (somebody on a footing that was not asked)"
