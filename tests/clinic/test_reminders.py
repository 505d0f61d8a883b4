"""The due list and how clients are reminded: every open one, and only as they agreed.

AP-06: done early, cancelled without a new date, declined, missed. EHR-S CP.7.2#03: told on
the day.
"""

from datetime import UTC, date, datetime, time

import pytest
from django.core import mail
from django.core.exceptions import ValidationError
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.urls import reverse

from assessments.services.assessments import sign_assessment
from clinic.domain.vocabulary import Channel, ReassessmentState, ReminderOutcome, TrailAction
from clinic.models import Reassessment, Reminder, TrailEntry
from clinic.services import diary, reassessments, reminders
from tests.factories import ClientFactory
from tests.factories.consult import make_assessment
from tests.factories.diary import Place
from tests.factories.people import ConsentFactory, ReassessmentFactory

pytestmark = pytest.mark.django_db
MONDAY = date(2027, 3, 15)


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)


@pytest.fixture
def place():
    return Place(email="desk@clinic.example")


@pytest.fixture
def desk(client, place):
    client.force_login(place.desk)
    return client


@pytest.fixture
def due(place):
    return ReassessmentFactory(client=place.client, clinician=place.clinician, due_on=MONDAY)


def agree(client, **more):
    return ConsentFactory(client=client, purpose="reminding", **more)


def by_email(client):
    client.email, client.preferred_channel = "orla@runner.example", "email"
    client.save()
    return client


def said(page):
    return [str(message) for message in page.context["messages"]]


def listed(desk, show=""):
    page = desk.get(reverse("due-list"), {"show": show} if show else {})
    return [it.row for it in page.context["rows"]]


# How somebody is reminded


@pytest.mark.parametrize(
    ("preferred", "has", "agreed", "channel", "why"),
    [
        ("email", "email address", True, Channel.EMAIL, ""),
        ("email", "email address", False, Channel.LETTER, "has not agreed to e-mail"),
        ("email", "address telephone", True, Channel.LETTER, "no e-mail address"),
        ("email", "email telephone", False, Channel.TELEPHONE, "has not agreed to e-mail"),
        ("letter", "address email", True, Channel.LETTER, ""),
        ("letter", "telephone", True, Channel.TELEPHONE, "no address"),
        ("telephone", "telephone address", False, Channel.TELEPHONE, ""),
        ("telephone", "address", False, Channel.LETTER, "no telephone"),
        ("telephone", "email", True, None, "no telephone"),
    ],
)
def test_a_client_is_reminded_as_preferred_where_it_can_be(preferred, has, agreed, channel, why):
    given = dict.fromkeys(["email", "address", "telephone"], "") | dict.fromkeys(has.split(), "x")
    runner = ClientFactory.build(preferred_channel=preferred, site=None, **given)

    assert reminders.way_to(runner, agreed=agreed) == reminders.Way(channel, why)


def test_only_an_answer_in_force_counts(place):
    refused, withdrawn = ClientFactory(), ClientFactory()
    agree(place.client)
    agree(refused, given=False)
    agree(withdrawn, withdrawn_on=date(2026, 2, 1), withdrawn_with=place.clinician)
    everybody = [place.client.pk, refused.pk, withdrawn.pk]

    assert reminders.agreed_to_email(everybody) == {place.client.pk}


# Reminding


def test_an_email_is_sent_and_kept(desk, place, due):
    by_email(place.client)
    agree(place.client)

    page = desk.post(
        reverse("due-remind", args=[due.pk]),
        {"channel": "email", "outcome": "sent", "show": "email"},
        follow=True,
    )

    (message,) = mail.outbox
    assert (message.to, message.from_email) == (["orla@runner.example"], "desk@clinic.example")
    assert "It is time to arrange your next visit" in message.body
    assert page.request["QUERY_STRING"] == "show=email"
    assert page.context["rows"][0].reminded.channel == "email"
    line = TrailEntry.objects.get(action=TrailAction.SEND)
    assert line.detail == {"channel": "email", "outcome": "sent"}


HEALTH = ["reassess", "running", "gait", "injur", "pain", "treat", "physio", "exercise", "assess"]


def test_no_word_of_an_email_is_about_health(place, due):
    place.site.clinic_name = "Larkfield"
    place.site.save()
    by_email(place.client)
    agree(place.client)
    booked = diary.book(**place.booking())
    reminders.send_appointment(appointment=booked, by=place.desk)
    diary.cancel(appointment=booked, reason="Her knee hurts", by=place.desk)
    reminders.send_appointment(appointment=booked, by=place.desk)
    Reassessment.objects.update(state=ReassessmentState.OPEN, appointment=None)
    reminders.remind(
        reassessment=due, channel=Channel.EMAIL, outcome=ReminderOutcome.SENT, by=place.desk
    )

    texts = []
    for message in mail.outbox:
        texts.append(message.subject + message.body)
        texts.extend(str(content) for _, content, _ in message.attachments)
    assert len(texts) == 5
    assert [word for word in [*HEALTH, "knee"] for text in texts if word in text.casefold()] == []


@pytest.mark.parametrize(
    ("email", "agreed", "message"),
    [
        ("", True, "The record holds no e-mail address."),
        ("orla@runner.example", False, reminders.NO_CONSENT),
    ],
)
def test_an_email_that_may_not_go_is_refused_and_nothing_is_kept(
    desk, place, due, email, agreed, message
):
    place.client.email = email
    place.client.save()
    if agreed:
        agree(place.client)

    page = desk.post(
        reverse("due-remind", args=[due.pk]), {"channel": "email", "outcome": "sent"}, follow=True
    )

    assert said(page) == [f"{place.client}: {message}"]
    assert (mail.outbox, Reminder.objects.count()) == ([], 0)


def test_a_mail_server_that_fails_is_told_and_nothing_is_kept(place, due, settings):
    settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT, settings.EMAIL_TIMEOUT = "127.0.0.1", 9, 1
    by_email(place.client)
    agree(place.client)

    with pytest.raises(ValidationError, match="could not be sent just now"):
        reminders.remind(
            reassessment=due, channel=Channel.EMAIL, outcome=ReminderOutcome.SENT, by=place.desk
        )

    assert Reminder.objects.count() == 0


def test_telephone_calls_are_kept_with_what_came_of_them(desk, place, due):
    where = reverse("due-remind", args=[due.pk])
    desk.post(where, {"channel": "telephone", "outcome": "not_reached"})
    page = desk.post(where, {"channel": "telephone", "outcome": "reached"}, follow=True)

    assert list(Reminder.objects.values_list("outcome", flat=True)) == ["not_reached", "reached"]
    assert "8 Mar, telephone, reached" in " ".join(page.content.decode().split())


@pytest.mark.parametrize("sent", [{}, {"channel": "email", "outcome": "reached"}])
def test_what_no_button_says_is_refused(desk, place, due, sent):
    page = desk.post(reverse("due-remind", args=[due.pk]), sent, follow=True)

    assert said(page) == [f"{place.client}: Press one of the buttons of the list."]


def test_a_booked_one_is_not_reminded(place, due):
    diary.book(**place.booking())

    with pytest.raises(ValidationError, match="is booked by now"):
        reminders.remind(
            reassessment=due,
            channel=Channel.LETTER,
            outcome=ReminderOutcome.PRINTED,
            by=place.desk,
        )


def test_letters_are_printed_one_a_page_and_then_kept(desk, place, due):
    place.client.address = "1 Hill Road\nLarkfield"
    place.client.save()
    later = ReassessmentFactory(
        client=ClientFactory(address="2 Hill Road"),
        clinician=place.clinician,
        due_on=date(2027, 5, 1),
    )

    page = desk.get(reverse("due-letters"))
    assert page.context["letters"] == [due]
    assert "1 Hill Road" in page.content.decode()
    done = desk.post(reverse("due-letters"), {"due": [due.pk, later.pk]}, follow=True)

    assert said(done) == ["Kept that the clinic wrote: 1."]
    assert list(Reminder.objects.values_list("reassessment", "outcome")) == [(due.pk, "printed")]


def test_a_reminder_stays_as_it_was_made(place, due, deleting_refused):
    made = reminders.remind(
        reassessment=due,
        channel=Channel.TELEPHONE,
        outcome=ReminderOutcome.REACHED,
        by=place.desk,
    )

    for statement in (
        "UPDATE clinic_reminder SET outcome = 'not_reached'",
        "DELETE FROM clinic_reminder",
    ):
        with (
            pytest.raises(DatabaseError),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(statement)
    made.refresh_from_db()
    assert made.outcome == "reached"


def test_an_outcome_that_does_not_fit_is_refused_by_the_database(place, due):
    with pytest.raises(IntegrityError), transaction.atomic():
        Reminder.objects.create(
            site=place.site,
            client=place.client,
            reassessment=due,
            channel="letter",
            outcome="reached",
            made_at=datetime(2027, 3, 8, tzinfo=UTC),
            made_by=place.desk,
        )


# AP-06: the list holds every open one and nothing else


def test_the_list_can_be_narrowed(desk, place, due):
    def another(**fields):
        runner = ClientFactory(**{"address": "", "telephone": "1"} | fields)
        return ReassessmentFactory(client=runner, clinician=place.clinician, due_on=MONDAY)

    late = another(telephone="2")
    Reassessment.objects.filter(pk=late.pk).update(due_on=date(2027, 3, 1))
    write = another(address="3 Hill Road", preferred_channel="letter")
    mailed = another(email="a@b.example", preferred_channel="email")
    agree(mailed.client)
    gone = another()
    reassessments.close_reassessment(
        reassessment=gone, state=ReassessmentState.DECLINED, reason="Moved away", by=place.desk
    )
    diary.book(**place.booking())

    assert listed(desk) == [late, write, mailed]
    assert listed(desk, "late") == [late]
    assert listed(desk, "telephone") == [late]
    assert listed(desk, "letter") == [write]
    assert listed(desk, "email") == [mailed]
    assert listed(desk, "booked") == [due]
    assert listed(desk, "closed") == [gone]
    assert listed(desk, "nonsense") == listed(desk)


def test_cancelled_or_missed_it_is_open_again(desk, place, due, time_machine):
    booked = diary.book(**place.booking())
    assert listed(desk) == []
    diary.cancel(appointment=booked, reason="Away", by=place.desk)
    assert listed(desk) == [due]

    again = diary.book(**place.booking(local_time=time(10)))
    assert listed(desk) == []
    time_machine.move_to(datetime(2027, 3, 15, 18, tzinfo=UTC), tick=False)
    desk.force_login(place.desk)
    diary.mark_missed(appointment=again, by=place.desk)
    assert listed(desk) == [due]


@pytest.mark.parametrize(("kind", "left"), [("reassessment", False), ("baseline", True)])
def test_a_look_before_the_day_closes_it(desk, place, due, edition, kind, left):
    seen = make_assessment(
        edition=edition, client=place.client, by=place.clinician, on=date(2027, 3, 8), kind=kind
    )

    sign_assessment(assessment=seen, findings=[], by=place.clinician)

    assert (listed(desk) == [due]) is left


def test_an_early_look_leaves_what_is_booked_for_later(place, due, edition):
    booked = diary.book(**place.booking())
    seen = make_assessment(
        edition=edition,
        client=place.client,
        by=place.clinician,
        on=date(2027, 3, 8),
        kind="reassessment",
    )

    sign_assessment(assessment=seen, findings=[], by=place.clinician)

    due.refresh_from_db()
    assert (due.state, due.appointment) == (ReassessmentState.BOOKED, booked)


def test_a_declined_one_is_opened_again(desk, place, due):
    reassessments.close_reassessment(
        reassessment=due, state=ReassessmentState.LOST, reason="No answer", by=place.desk
    )

    page = desk.post(reverse("due-reopen", args=[due.pk]), follow=True)

    assert said(page) == [f"{place.client} is on the list again."]
    due.refresh_from_db()
    assert (due.state, due.reason) == (ReassessmentState.OPEN, "")
    assert desk.post(reverse("due-reopen", args=[due.pk])).status_code == 302


def test_it_is_not_opened_again_beside_another(desk, place, due):
    reassessments.close_reassessment(
        reassessment=due, state=ReassessmentState.LOST, reason="No answer", by=place.desk
    )
    ReassessmentFactory(client=place.client, clinician=place.clinician)

    page = desk.post(reverse("due-reopen", args=[due.pk]), follow=True)

    assert said(page) == ["This client has a reassessment open already."]


def test_a_booked_one_is_not_opened_again(place, due):
    diary.book(**place.booking())

    with pytest.raises(ValidationError, match="is booked by now"):
        reassessments.reopen_reassessment(reassessment=due, by=place.desk)


def test_the_clinician_chooses_the_day(client, place, due):
    client.force_login(place.clinician)
    where = reverse("due-edit", args=[place.client.pk])
    assert client.get(where).context["form"].initial["due_on"] == MONDAY

    refused = client.post(where, {"due_on": "1.3.2027", "clinician": place.clinician.pk})
    done = client.post(where, {"due_on": "1.4.2027", "clinician": place.clinician.pk}, follow=True)

    assert refused.context["form"].errors == {
        "due_on": ["This day is over: choose today or later."]
    }
    assert said(done) == ["Kept. It is on the due list."]
    due.refresh_from_db()
    assert due.due_on == date(2027, 4, 1)


def test_today_tells_reception_on_the_day(desk, place, due, time_machine):
    time_machine.move_to(datetime(2027, 3, 15, 8, tzinfo=UTC), tick=False)
    desk.force_login(place.desk)

    page = desk.get(reverse("today"))

    assert [(it.row, it.words) for it in page.context["to_phone"]] == [(due, "due today")]


def test_today_says_who_waits_and_since_when(desk, place, time_machine):
    booked = diary.book(**place.booking())
    time_machine.move_to(datetime(2027, 3, 15, 8, 52, tzinfo=UTC), tick=False)
    desk.force_login(place.desk)
    diary.arrive(appointment=booked, by=place.desk)

    assert "waiting since 08:52" in desk.get(reverse("today")).content.decode()
    diary.put_back(appointment=booked, by=place.desk)
    booked.refresh_from_db()
    assert booked.arrived_at is None
