"""Each act leaves exactly one whole line: who, role, what, which version, for whom, when, whence.

Source of what a line must hold: ISO 27789 and 45 CFR 164.312(b), as an audit record names user,
subject, action, object, time and origin.
"""

from datetime import UTC, date, datetime, time

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.urls import reverse

from assessments.answer_states import seen_token
from assessments.models import Observation
from assessments.services import addenda, answers
from assessments.services.assessments import edit_trial, sign_assessment
from assessments.services.screenings import answer_flags, lift_flag
from clinic.domain.vocabulary import ConsentPurpose, Role
from clinic.middleware import ORIGIN
from clinic.models import TrailEntry
from clinic.services import diary, papers, people
from clinic.services.staff import change_roles
from clinic.services.trail_search import record_look
from tests.factories import StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.consult import answer, make_assessment, make_screening, observe
from tests.factories.diary import Place
from tests.factories.programme import Desk

NOW = datetime(2027, 3, 12, 10, 42, 7, tzinfo=UTC)
DAY = date(2027, 3, 12)
SECRET = "Limps on stairs"


@pytest.fixture(autouse=True)
def moment():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def place(db):
    """A site with people; what is done there comes from one address."""
    token = ORIGIN.set("10.0.0.5")
    yield Place()
    ORIGIN.reset(token)


def only(act):
    """The lines that an act leaves; made of nothing else."""
    before = set(TrailEntry.objects.values_list("pk", flat=True))
    answer = act()
    (line,) = TrailEntry.objects.exclude(pk__in=before)
    return line, answer


def told(line):
    """All of a line but its detail and its place in the chain."""
    return (
        (line.actor, line.role, line.action),
        (line.object_kind, line.object_key, line.object_version),
        (line.client, line.site, line.at, line.origin),
    )


def whole(by, role, action, kind, row=None, version=None, runner=None, origin="10.0.0.5"):
    key = str(row.pk) if row else ""
    return (by, role, action), (kind, key, version), (runner, by.home_site, NOW, origin)


def test_registering_and_changing_a_client(place):
    fields = {
        "given_names": "Orla",
        "family_name": "Fen",
        "birth_date": date(1990, 4, 12),
        "sex_for_norms": "f",
    }

    made, runner = only(lambda: people.register_client(by=place.desk, **fields))
    changed, _ = only(
        lambda: people.change_client(
            client=runner, seen=runner.version, by=place.desk, telephone="01632 960777"
        )
    )

    assert told(made) == whole(place.desk, "reception", "create", "client", runner, 1, runner)
    assert told(changed) == whole(place.desk, "reception", "change", "client", runner, 2, runner)
    assert changed.detail == {"fields": ["telephone"]}


def test_booking_moving_and_cancelling(place):
    booked, row = only(lambda: diary.book(**place.booking()))
    moved, _ = only(
        lambda: diary.move(
            appointment=row,
            clinician=place.clinician,
            room=place.room,
            local_date=date(2027, 3, 15),
            local_time=time(10),
            seen=0,
            by=place.desk,
        )
    )
    cancelled, _ = only(lambda: diary.cancel(appointment=row, reason="away", by=place.desk))

    for line, action, sequence in (
        (booked, "book", 0),
        (moved, "move", 1),
        (cancelled, "cancel", 2),
    ):
        expected = whole(place.desk, "reception", action, "appointment", row, runner=place.client)
        assert told(line) == expected
        assert line.detail["sequence"] == sequence


def test_consenting_and_withdrawing(place):
    given, row = only(
        lambda: people.answer_consent(
            client=place.client,
            purpose=ConsentPurpose.FILMING,
            by=place.clinician,
            given=True,
            given_on=DAY,
            manner="spoken",
        )
    )
    withdrawn, _ = only(lambda: people.withdraw_consent(consent=row, by=place.clinician, on=DAY))

    for line in (given, withdrawn):
        assert told(line) == whole(
            place.clinician, "clinician", "consent", "consent", row, runner=place.client
        )
    assert withdrawn.detail["withdrawn"] == "2027-03-12"


def test_an_alert_begins_and_ends(place):
    begun, row = only(
        lambda: people.add_alert(
            client=place.client, by=place.desk, since=DAY, kind="other", text="Step at the door"
        )
    )
    ended, _ = only(lambda: people.end_alert(alert=row, by=place.desk, on=DAY))

    for line, action in ((begun, "create"), (ended, "change")):
        assert told(line) == whole(
            place.desk, "reception", action, "alert", row, runner=place.client
        )
        assert "door" not in str(line.detail)


def test_searching_for_a_client_and_in_the_trail(place):
    manager = StaffFactory(home_site=place.site, role=Role.MANAGER)

    client, _ = only(lambda: people.record_search(by=place.desk, hits=3))
    trail, _ = only(lambda: record_look(by=manager, sought={"runner": "Fen"}, hits=2))

    assert told(client) == whole(place.desk, "reception", "search", "client")
    assert told(trail) == whole(manager, "manager", "search", "trail")
    assert trail.detail == {"fields": ["runner"], "hits": 2}


def test_opening_a_record_in_the_browser(client, place):
    client.force_login(place.desk)

    line, _ = only(lambda: client.get(reverse("client-open", args=[place.client.pk])))

    assert told(line) == whole(
        place.desk, "reception", "view", "client", place.client, 1, place.client, "127.0.0.1"
    )


def test_signing_in_failing_and_being_refused(client, place):
    def sign_in(password):
        fields = {"login": place.desk.username, "password": password}
        return lambda: client.post(reverse("account_login"), fields)

    failed, _ = only(sign_in("wrong"))
    entered, _ = only(sign_in(PASSWORD))
    refused, _ = only(lambda: client.get(reverse("history-open", args=[place.client.pk])))
    left, _ = only(lambda: client.post(reverse("account_logout")))

    for line, action in ((failed, "sign_fail"), (entered, "sign_in"), (left, "sign_out")):
        assert told(line) == whole(
            place.desk, "reception", action, "staff", place.desk, origin="127.0.0.1"
        )
    assert told(refused) == whole(place.desk, "reception", "refuse", "page", origin="127.0.0.1")
    assert refused.detail == {"page": "history-open", "pk": place.client.pk}


def test_changing_a_role(place):
    manager = StaffFactory(home_site=place.site, role=Role.MANAGER)
    wanted = {Role.RECEPTION, Role.CLINICIAN}

    line, _ = only(lambda: change_roles(staff=place.desk, roles=wanted, by=manager))

    assert told(line) == whole(manager, "manager", "role", "staff", place.desk)
    assert line.detail == {"before": ["reception"], "after": ["clinician", "reception"]}
    assert place.desk.roles == wanted


def test_the_same_roles_again_are_no_act(place):
    before = TrailEntry.objects.count()

    change_roles(staff=place.desk, roles=[Role.RECEPTION], by=place.clinician)

    assert TrailEntry.objects.count() == before


def test_nobody_is_left_without_a_role(place):
    with pytest.raises(ValidationError, match="Everybody has a role"):
        change_roles(staff=place.desk, roles=[], by=place.clinician)

    assert place.desk.roles == {Role.RECEPTION}


def test_opening_an_appointment_and_a_screening(client, place, edition):
    row = diary.book(**place.booking())
    screening = make_screening(place.client, place.clinician, DAY, flags=["s20"])
    client.force_login(place.clinician)

    booked, _ = only(lambda: client.get(reverse("appointment-open", args=[row.pk])))
    asked, _ = only(lambda: client.get(reverse("screening-open", args=[place.client.pk])))

    view = (place.clinician, "clinician", "view")
    runner, origin = place.client, "127.0.0.1"
    assert told(booked) == whole(*view, "appointment", row, None, runner, origin)
    assert told(asked) == whole(*view, "screening", screening, 1, runner, origin)


def test_opening_a_screening_that_is_not_there_yet(client, place, edition):
    client.force_login(place.clinician)

    line, _ = only(lambda: client.get(reverse("screening-open", args=[place.client.pk])))

    assert told(line) == whole(
        place.clinician, "clinician", "view", "screening", None, None, place.client, "127.0.0.1"
    )


@pytest.fixture
def draft(place, edition):
    """An assessment of the clinician, with words that no line may repeat."""
    made = make_assessment(
        edition=edition, client=place.client, by=place.clinician, on=DAY, words=SECRET
    )
    observe(made, "cadence", value=160, method="video_2d")
    return made


def of_assessment(place, action, row, version, origin="10.0.0.5"):
    by, runner = place.clinician, place.client
    return whole(by, "clinician", action, "assessment", row, version, runner, origin)


def test_changing_an_answer(client, place, draft):
    row = Observation.objects.get()
    post = answer("cadence", value="172", method="video_2d", seen=seen_token(row))

    client.force_login(place.clinician)
    page = reverse("assessment-answers", args=[draft.pk])

    line, _ = only(lambda: client.post(page, {"trial": "1"} | post))

    assert told(line) == of_assessment(place, "change", draft, 1, "127.0.0.1")
    assert line.detail == {"trial": 1, "answers": {"o.cadence.none": {"value": ["160", "172"]}}}


def test_changing_words_tells_only_that_they_changed(place, draft):
    line, _ = only(
        lambda: answers.save_words(
            assessment=draft,
            by=place.clinician,
            name="words",
            text="It bites on stairs",
            seen=SECRET,
        )
    )

    assert told(line) == of_assessment(place, "change", draft, 2)
    assert line.detail == {"fields": ["words"]}


def test_signing_and_amending_an_assessment(place, draft):
    signed, _ = only(lambda: sign_assessment(assessment=draft, findings=(), by=place.clinician))
    draft.refresh_from_db()
    amended, _ = only(
        lambda: addenda.write_addendum(
            assessment=draft,
            by=place.clinician,
            kind="addition",
            reason=SECRET,
            text=SECRET,
            acted_on=DAY,
        )
    )

    assert told(signed) == of_assessment(place, "sign", draft, 2)
    assert told(amended) == of_assessment(place, "amend", draft, 2)
    assert amended.detail["addendum"] == 1
    assert SECRET not in f"{signed.detail} {amended.detail}"


def test_changing_a_trial_and_a_screening(place, draft):
    screening = make_screening(place.client, place.clinician, DAY, flags=["s01"])
    trial = draft.trials.get()
    by = place.clinician

    set_up, _ = only(lambda: edit_trial(trial=trial, by=by, seen=1, steps_averaged=12))
    asked, _ = only(
        lambda: answer_flags(client=place.client, on=DAY, answers={"s01": "yes"}, by=by)
    )

    for line, kind, row in ((set_up, "trial", trial), (asked, "screening", screening)):
        assert told(line) == whole(by, "clinician", "change", kind, row, 2, place.client)
    assert set_up.detail == {"fields": {"steps_averaged": ["10", "12"]}}
    assert asked.detail == {"flags": {"s01": ["no", "yes"]}}


def test_lifting_a_hold_of_the_screening(place, edition):
    screening = make_screening(
        place.client, place.clinician, DAY, yes=["s20"], flags=["s01", "s20"]
    )
    line, _ = only(
        lambda: lift_flag(
            answer=screening.answers.get(flag="s20"),
            on=DAY,
            reason=SECRET,
            keeps="nothing",
            by=place.clinician,
            today=DAY,
        )
    )

    assert told(line) == whole(
        place.clinician, "clinician", "lift", "screening", screening, 1, place.client
    )
    assert line.detail == {"flag": "s20", "keeps": "nothing"}


def test_signing_printing_and_sending_a_letter(client, place):
    paper = papers.draft_paper(
        client=place.client,
        kind="letter",
        about="assessment-1",
        title="Letter to the doctor",
        dated=DAY,
        content={"text": SECRET},
        by=place.clinician,
    )
    signed, _ = only(
        lambda: papers.sign_paper(
            paper=paper, by=place.clinician, signed_content=paper.content, pdf=b"%PDF-1.7 it"
        )
    )
    client.force_login(place.clinician)
    printed, _ = only(lambda: client.get(reverse("paper-pdf", args=[paper.pk])))
    sent, _ = only(
        lambda: papers.send_paper(
            paper=paper, recipient="Dr Ash", manner="post", by=place.clinician
        )
    )

    for line, action, origin in (
        (signed, "sign", "10.0.0.5"),
        (printed, "print", "127.0.0.1"),
        (sent, "send", "10.0.0.5"),
    ):
        assert told(line) == whole(
            place.clinician, "clinician", action, "paper", paper, 1, place.client, origin
        )
        assert SECRET not in str(line.detail)
        assert "Ash" not in str(line.detail)


def test_issuing_a_programme(place, edition):
    desk = Desk(edition, by=place.clinician)
    desk.take_over()
    desk.accept_all()
    desk.agree(date(2027, 4, 2))

    before = TrailEntry.objects.order_by("pk").last().pk
    programme = desk.issue()
    # the reassessment that it opens is a row of its own
    due, line = TrailEntry.objects.filter(pk__gt=before).order_by("pk")

    assert (due.action, due.object_kind) == ("create", "reassessment")
    assert told(line) == whole(
        place.clinician,
        "clinician",
        "sign",
        "programme",
        programme,
        programme.version,
        desk.assessment.client,
    )
    assert set(line.detail) == {"seal"}
