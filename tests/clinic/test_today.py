"""The first page: what waits for each role."""

import re
from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.contrib.auth.models import Group
from django.urls import reverse

from assessments.models import Assessment, Episode
from clinic.domain.vocabulary import TrailAction
from clinic.models import AppointmentKind, Edition, Paper, PolicyConfirmation, Sending
from clinic.services import diary, trail
from exercises.editions import edition_of
from tests.factories import (
    AppointmentFactory,
    ClientFactory,
    RoomFactory,
    StaffFactory,
)
from tests.factories.diary import Place, ReassessmentFactory

pytestmark = pytest.mark.django_db
NOW = datetime(2027, 3, 15, 8, tzinfo=UTC)
MONDAY, TUESDAY = date(2027, 3, 15), date(2027, 3, 16)


@pytest.fixture(autouse=True)
def monday_at_eight(time_machine):
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def place():
    return Place()


def text(response):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", response.content.decode())).strip()


def page_of(client, staff):
    client.force_login(staff)
    return client.get(reverse("today"))


def draft(place, edition, **changed):
    runner = changed.pop("client", place.client)
    episode = Episode.objects.create(
        site=place.site,
        client=runner,
        reason="sore shin",
        complaint_present="no",
        clinician=place.clinician,
        opened_on=date(2027, 3, 1),
    )
    given = {"clinician": place.clinician, "kind": "baseline", "assessed_on": date(2027, 3, 12)}
    return Assessment.objects.create(
        site=place.site, client=runner, episode=episode, edition=edition, **given | changed
    )


def paper(place, about, *, signed, kind="letter", **changed):
    given = {
        "site": place.site,
        "client": place.client,
        "kind": kind,
        "about": about,
        "title": f"Paper {about}",
        "dated": date(2027, 3, 12),
        "content": {},
        "created_by": place.clinician,
        "created_at": NOW,
    }
    if signed:
        given |= {
            "state": "signed",
            "signed_by": place.clinician,
            "signed_at": NOW,
            "pdf": b"%PDF",
            "sha256": "0" * 64,
        }
    return Paper.objects.create(**given | changed)


def test_the_first_page_asks_for_the_sign_in(client, place):
    assert client.get(reverse("today")).url.startswith(reverse("account_login"))


def test_staff_without_a_role_are_refused(client, place):
    nobody = StaffFactory(home_site=place.site)
    nobody.groups.clear()

    assert page_of(client, nobody).status_code == 403


def test_a_clinician_sees_the_own_day(client, place):
    mine = diary.book(**place.booking())
    other = place.clinician_with_hours()
    diary.book(**place.booking(clinician=other, client=ClientFactory(), local_time=time(10)))
    diary.book(**place.booking(client=ClientFactory(), local_date=TUESDAY))

    page = page_of(client, place.clinician)

    assert page.context["my_day"] == [mine]
    assert "arrivals" not in page.context
    assert f"09:00 {place.client} Reassessment, Room 1 booked Start assessment" in text(page)
    assert reverse("client-open", args=[place.client.pk]) in page.content.decode()


def test_only_a_visit_on_the_treadmill_starts_an_assessment(client, place):
    AppointmentKind.objects.filter(pk=place.kind.pk).update(needs_treadmill=False)
    diary.book(**place.booking())

    assert "Start assessment" not in text(page_of(client, place.clinician))


def test_what_was_begun_today_is_gone_on_with(client, place, edition):
    begun = draft(place, edition, assessed_on=MONDAY)
    diary.book(**place.booking())

    page = page_of(client, place.clinician)

    assert "Go on with the assessment" in text(page)
    assert "Start assessment" not in text(page)
    assert page.content.decode().count(reverse("assessment-open", args=[begun.pk])) == 2


def test_a_cancelled_appointment_is_not_on_the_page(client, place):
    mine = diary.book(**place.booking())
    assert page_of(client, place.clinician).context["my_day"] == [mine]

    diary.cancel(appointment=mine, reason="away", by=place.desk)

    assert page_of(client, place.clinician).context["my_day"] == []


def test_a_clinician_sees_own_drafts_to_sign(client, place, edition):
    mine = draft(place, edition)
    draft(place, edition, client=ClientFactory(), clinician=StaffFactory())
    draft(
        place,
        edition,
        client=ClientFactory(),
        signed_at=NOW,
        signed_by=place.clinician,
    )

    page = page_of(client, place.clinician)

    assert page.context["my_drafts"] == [mine]
    assert reverse("assessment-open", args=[mine.pk]) in page.content.decode()


def test_a_clinician_sees_papers_to_sign_and_letters_to_send(client, place):
    to_sign = paper(place, "a", signed=False)
    handout = paper(place, "b", signed=False, kind="handout")
    to_send = paper(place, "c", signed=True)
    paper(place, "d", signed=True, kind="handout")
    sent = paper(place, "e", signed=True, kind="referral")
    Sending.objects.create(
        site=place.site,
        paper=sent,
        recipient="Dr Alder",
        manner="post",
        sent_by=place.clinician,
        sent_at=NOW,
    )
    old = paper(place, "f", signed=True)
    newer = paper(place, "f", signed=False, version=2, replaces=old)
    paper(place, "g", signed=False, created_by=StaffFactory())

    page = page_of(client, place.clinician)

    assert set(page.context["to_sign"]) == {to_sign, handout, newer}
    assert page.context["to_send"] == [to_send]
    assert "Paper c letter of 12 Mar 2027, signed, not sent" in text(page)


def test_a_clinician_sees_own_reassessments_of_two_weeks(client, place):
    def due(on, clinician=place.clinician):
        return ReassessmentFactory(
            client=ClientFactory(site=place.site), clinician=clinician, due_on=on
        )

    late, last = due(date(2027, 3, 1)), due(date(2027, 3, 29))
    due(date(2027, 3, 30))
    due(date(2027, 3, 1), StaffFactory())

    page = page_of(client, place.clinician)

    assert [(it.row, it.words) for it in page.context["my_due"]] == [
        (late, "2 weeks late"),
        (last, "due in 2 weeks"),
    ]


def test_reception_sees_arrivals_tomorrow_and_whom_to_phone(client, place):
    first = diary.book(**place.booking())
    next_day = diary.book(**place.booking(client=ClientFactory(), local_date=TUESDAY))
    diary.book(**place.booking(client=ClientFactory(), local_date=date(2027, 3, 17)))
    late = ReassessmentFactory(
        client=ClientFactory(telephone="01632 960 111"),
        clinician=place.clinician,
        due_on=date(2027, 3, 1),
    )

    page = page_of(client, place.desk)

    assert page.context["arrivals"] == [first]
    assert page.context["next_day"] == [next_day]
    assert [it.row for it in page.context["to_phone"]] == [late]
    assert "01632 960 111 2 weeks late" in text(page)


def test_reception_sees_nothing_clinical(client, place, edition):
    draft(place, edition)
    paper(place, "a", signed=False)
    assert "Paper a" in text(page_of(client, place.clinician))

    page = page_of(client, place.desk)

    assert "Paper a" not in text(page)
    assert not {"my_drafts", "drafts", "to_sign"} & page.context.keys()


def test_one_press_says_that_a_client_has_arrived(client, place):
    booked = diary.book(**place.booking())
    page = page_of(client, place.desk)
    action = re.search(r'action="(/appointments/[^"]+)"', page.content.decode())[1]

    answer = client.post(action, {"back": reverse("today")}, follow=True)

    booked.refresh_from_db()
    assert booked.state == "arrived"
    assert f"{place.client}: arrived." in text(answer)
    assert "/state/arrived/" not in answer.content.decode()


def test_a_manager_sees_what_waits_in_words(client, place, edition):
    draft(place, edition)
    ReassessmentFactory(client=ClientFactory(), clinician=place.clinician, due_on=date(2027, 3, 1))
    points = edition_of(edition.pk).policy
    PolicyConfirmation.objects.create(
        edition=edition, code=points[0].code, confirmed_by=place.clinician, confirmed_at=NOW
    )

    page = page_of(client, StaffFactory(home_site=place.site, role="manager"))

    assert "1 assessment is not signed." in text(page)
    assert "1 reassessment is late." in text(page)
    waiting = f"{len(points) - 1} points of the clinic’s rules wait for a clinician to confirm."
    assert waiting in text(page)


def test_a_manager_with_nothing_waiting_reads_so(client, place):
    assert not Edition.objects.exists()

    page = page_of(client, StaffFactory(home_site=place.site, role="manager"))

    assert "Every assessment is signed." in text(page)
    assert "No reassessment is late." in text(page)
    assert "No point of the clinic’s rules waits for a clinician." in text(page)


def test_another_site_sees_nothing_of_it(client, place):
    diary.book(**place.booking())
    ReassessmentFactory(
        client=place.client, clinician=place.clinician, due_on=date(2027, 3, 1), state="lost"
    )
    assert str(place.client) in text(page_of(client, place.desk))

    other = page_of(client, Place(code="QY", name="Quay").desk)

    assert str(place.client) not in text(other)


def test_staff_without_a_home_site_have_a_page(client, place):
    homeless = StaffFactory(home_site=place.site)
    homeless.home_site = None
    homeless.save()

    assert page_of(client, homeless).status_code == 200


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_do_not_grow(client, place, edition, django_assert_num_queries, rows):
    everything = StaffFactory(home_site=place.site)
    everything.groups.add(*Group.objects.filter(name__in=["reception", "manager"]))
    edition_of(edition.pk)  # built once a process
    for number in range(rows):
        runner = ClientFactory(site=place.site)
        AppointmentFactory(
            site=place.site,
            client=runner,
            clinician=StaffFactory(home_site=place.site),
            room=RoomFactory(site=place.site, name=f"Cabin {number}"),
            kind=place.kind,
        )
        ReassessmentFactory(client=runner, clinician=everything)
        draft(place, edition, client=runner, clinician=everything)
        paper(place, f"{number}", signed=bool(number % 2), client=runner, created_by=everything)
    client.force_login(everything)

    with django_assert_num_queries(18):
        page = client.get(reverse("today"))

    assert text(page).count("not signed") == rows + (rows + 1) // 2 + 1
    assert len(page.context["arrivals"]) == rows


def test_reception_is_told_what_to_hand_over_and_opens_slips_only(client, place):
    now = {"site": place.site, "room": place.room, "kind": place.kind}
    runner = ClientFactory(site=place.site)
    today = AppointmentFactory(
        client=runner, clinician=place.clinician, local_date=MONDAY, state="seen", **now
    )
    later = AppointmentFactory(
        client=runner,
        clinician=place.clinician,
        local_date=MONDAY + timedelta(days=30),
        starts_at=today.starts_at + timedelta(days=30),
        **now,
    )
    for number, kind in enumerate(("handout", "letter", "letter")):
        paper(place, f"{number}", signed=True, client=runner, kind=kind, dated=MONDAY)
    paper(place, "draft", signed=False, client=runner, kind="referral", dated=MONDAY)

    page = page_of(client, place.desk)

    (handing,) = page.context["to_hand_over"]
    assert (handing.client, handing.kinds, handing.following) == (
        runner,
        ["handout", "letter"],
        later,
    )
    assert "Handout, letter of today: the clinician has it" in text(page)
    assert reverse("slip-print", args=[later.pk]) in page.content.decode()
    assert "/papers/" not in page.content.decode()


@pytest.fixture
def backed_up(time_machine):
    """Write the line of a backup that ended so many hours ago."""

    def write(hours_ago, state="done"):
        time_machine.move_to(NOW - timedelta(hours=hours_ago), tick=False)
        trail.record(TrailAction.BACKUP, by=None, kind="backup", state=state)
        time_machine.move_to(NOW, tick=False)

    return write


def notice(client, place):
    page = page_of(client, StaffFactory(home_site=place.site, role="manager"))
    found = re.search(r'<p class="note">(.*?)</p>', page.content.decode(), re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", found[1])).strip() if found else ""


def test_manager_is_told_of_no_backup(client, place):
    assert notice(client, place).startswith("No good backup has been taken yet. If this")


def test_manager_is_told_of_an_old_backup_after_the_set_hours(client, place, settings, backed_up):
    """BR-05: 24 hours unless set."""
    backed_up(24)
    assert notice(client, place) == ""
    settings.BACKUP_HOURS = 23

    assert notice(client, place).startswith("The last good backup is 24 hours old, of 14 Mar 2027")


def test_failed_and_damaged_backups_are_no_good_ones(client, place, backed_up):
    for hours, state in ((72, "done"), (3, "failed"), (2, "damaged"), (1, "begun")):
        backed_up(hours, state)

    assert notice(client, place).startswith("The last good backup is 3 days old, of 12 Mar 2027")


def test_only_the_manager_is_told(client, place):
    assert "backup" in notice(client, place)
    assert "backup" not in text(page_of(client, place.clinician))
    assert "backup" not in text(page_of(client, place.desk))
