"""Pages of the diary, of appointments and of the due list."""

import re
from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.urls import reverse

from clinic.models import Appointment, Hold, Reassessment
from clinic.services import diary
from tests.factories import AppointmentFactory, ClientFactory, RoomFactory, StaffFactory
from tests.factories.diary import Place, ReassessmentFactory

pytestmark = pytest.mark.django_db
MONDAY = date(2027, 3, 15)


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)


@pytest.fixture
def place():
    return Place()


@pytest.fixture
def desk(client, place):
    """The browser of the front desk."""
    client.force_login(place.desk)
    return client


@pytest.fixture
def on_the_day(time_machine, desk, place):
    """Monday at nine; the night has ended the session."""

    def turn():
        time_machine.move_to(datetime(2027, 3, 15, 9, tzinfo=UTC), tick=False)
        desk.force_login(place.desk)

    return turn


@pytest.fixture
def booked(place):
    return diary.book(**place.booking())


@pytest.fixture
def due(place):
    return ReassessmentFactory(
        site=place.site, client=place.client, clinician=place.clinician, due_on=date(2027, 3, 17)
    )


def text(response):
    """Words of the page, white space as single blanks."""
    plain = re.sub(r"<[^>]+>", " ", response.content.decode())
    return re.sub(r"\s+", " ", plain).strip()


def said(response):
    return [str(message) for message in response.context["messages"]]


def many(place, rows, day=MONDAY):
    """Appointments of one day and reassessments, each of a client and clinician of its own."""
    for number in range(rows):
        AppointmentFactory(
            site=place.site,
            client=ClientFactory(site=place.site),
            clinician=StaffFactory(home_site=place.site),
            room=RoomFactory(site=place.site, name=f"Cabin {number}"),
            kind=place.kind,
            local_date=day,
        )
        ReassessmentFactory(
            site=place.site,
            client=ClientFactory(site=place.site),
            clinician=StaffFactory(home_site=place.site),
        )


# who gets in


def pages(booked, due):
    return {
        "diary": reverse("diary"),
        "week": reverse("diary-week"),
        "find": reverse("appointment-find", args=[booked.client_id]),
        "open": reverse("appointment-open", args=[booked.pk]),
        "move": reverse("appointment-move", args=[booked.pk]),
        "cancel": reverse("appointment-cancel", args=[booked.pk]),
        "due": reverse("due-list"),
        "close": reverse("due-close", args=[due.pk]),
    }


@pytest.mark.parametrize("role", ["reception", "clinician", "manager"])
def test_every_role_of_the_site_opens_every_page(client, place, booked, role):
    due = ReassessmentFactory(site=place.site, client=ClientFactory(), clinician=place.clinician)
    client.force_login(StaffFactory(home_site=place.site, role=role))

    found = {name: client.get(page).status_code for name, page in pages(booked, due).items()}

    assert set(found.values()) == {200}, found


def test_a_stranger_is_sent_to_the_sign_in(client, place, booked, due):
    found = {client.get(page).url.split("?")[0] for page in pages(booked, due).values()}

    assert found == {reverse("account_login")}


def test_staff_without_a_role_are_refused(client, place, booked, due):
    nobody = StaffFactory(home_site=place.site)
    nobody.groups.clear()
    client.force_login(nobody)

    assert {client.get(page).status_code for page in pages(booked, due).values()} == {403}


def test_another_site_sees_nothing_of_it(client, place, booked, due):
    client.force_login(Place(code="QY", name="Quay").desk)
    found = pages(booked, due)

    answers = {name: client.get(page) for name, page in found.items()}

    lists = {"diary", "week", "due"}
    assert {name for name, it in answers.items() if it.status_code == 404} == set(found) - lists
    assert not any(place.client.family_name in text(answers[name]) for name in lists)


def test_posting_from_another_site_changes_nothing(client, booked, due):
    client.force_login(Place(code="QY", name="Quay").desk)

    answers = [
        client.post(reverse("appointment-state", args=[booked.pk, "arrived"])),
        client.post(reverse("appointment-cancel", args=[booked.pk]), {"reason": "x"}),
        client.post(reverse("appointment-move", args=[booked.pk]), {}),
        client.post(reverse("due-close", args=[due.pk]), {"state": "lost", "reason": "x"}),
        client.post(reverse("appointment-find", args=[booked.client_id]), {}),
    ]

    assert [it.status_code for it in answers] == [404] * 5
    booked.refresh_from_db()
    assert booked.state == "booked"


def test_staff_without_a_site_have_no_diary(client, place):
    homeless = StaffFactory(home_site=place.site)
    homeless.home_site = None
    homeless.save()
    client.force_login(homeless)

    assert client.get(reverse("diary")).status_code == 403


# day and week


def test_the_day_shows_who_comes_when_to_whom(desk, place, booked):
    page = desk.get(reverse("diary"), {"day": "15.3.2027"})

    columns = page.context["columns"]
    assert [(it.clinician, it.appointments) for it in columns] == [(place.clinician, [booked])]
    words = f"09:00 {place.client} Reassessment, 45 min, Room 1 booked"
    assert words in text(page)
    assert "09:00 to 17:00" in text(page)


def test_the_day_begins_with_today(desk, place):
    assert desk.get(reverse("diary")).context["day"] == date(2027, 3, 8)


def test_the_day_lists_a_booked_clinician_without_hours(desk, place):
    extra = StaffFactory(home_site=place.site)
    AppointmentFactory(
        site=place.site, client=place.client, clinician=extra, room=place.room, kind=place.kind
    )

    page = desk.get(reverse("diary"), {"day": "2027-03-15"})

    assert {it.clinician for it in page.context["columns"]} == {place.clinician, extra}


def test_the_day_keeps_cancelled_ones_apart(desk, place, booked):
    diary.cancel(appointment=booked, reason="away", by=place.desk)

    page = desk.get(reverse("diary"), {"day": "2027-03-15"})

    assert page.context["columns"][0].appointments == []
    assert f"1 cancelled 09:00 {place.client} , {place.clinician}: away" in text(page)


def test_a_day_that_is_no_day_is_told(desk, place):
    page = desk.get(reverse("diary"), {"day": "soon"})

    assert page.context["form"].errors == {"day": ["Write a day that exists, such as 12.3.2027."]}
    assert "<title>Error: Diary" in page.content.decode()
    assert 'value="soon"' in page.content.decode()


def test_a_closed_day_says_so(desk, place):
    page = desk.get(reverse("diary"), {"day": "2027-03-14"})

    assert "Closed: nobody can be booked on this day." in text(page)


def test_the_diary_of_another_own_site_is_a_choice(desk, place):
    other = Place(code="QY", name="Quay")
    there = diary.book(**other.booking())
    place.desk.sites.add(other.site)

    page = desk.get(reverse("diary"), {"day": "2027-03-15", "site": other.site.pk})

    assert page.context["shown_site"] == other.site
    assert [it.appointments for it in page.context["columns"]] == [[there]]


def test_the_week_shows_open_days_and_booked_ones(desk, place, booked):
    page = desk.get(reverse("diary-week"), {"day": "17.3.2027"})

    days = page.context["days"]
    assert [it.date for it in days] == [MONDAY + timedelta(days=n) for n in range(5)]
    assert days[0].appointments == [booked]
    assert f"09:00 {place.client} {place.clinician.last_name}, Room 1" in text(page)


@pytest.mark.parametrize("rows", [1, 40])
@pytest.mark.parametrize(("name", "queries"), [("diary", 8), ("diary-week", 8), ("due-list", 8)])
def test_queries_do_not_grow(desk, place, django_assert_num_queries, rows, name, queries):
    many(place, rows)

    with django_assert_num_queries(queries):
        page = desk.get(reverse(name), {"day": "2027-03-15"} if name != "due-list" else {})

    row = b"Cabin" if name != "due-list" else b"Will not come"
    assert page.content.count(row) == rows


# finding a time


def test_the_first_offer_is_the_reassessment_on_its_due_day(desk, place, due):
    page = desk.get(reverse("appointment-find", args=[place.client.pk]))

    find = page.context["find"]
    assert (find["kind"].value(), find["clinician"].value(), find["day"].value()) == (
        place.kind.pk,
        place.clinician.pk,
        "17.03.2027",
    )
    assert [it.words for it in page.context["free"].same] == [
        f"Wed 17 Mar {at}" for at in ("09:00", "09:15", "09:30", "09:45", "10:00", "10:15")
    ]
    assert f"Reassessment with {place.clinician} on Wednesday 17 March 2027: due in 9 days." in (
        text(page)
    )


def test_a_late_reassessment_is_offered_from_today_on(desk, place, due):
    Reassessment.objects.update(due_on=date(2027, 3, 1))

    page = desk.get(reverse("appointment-find", args=[place.client.pk]))

    assert page.context["free"].same[0].words == "Mon 8 Mar 12:00"


def test_without_a_reassessment_the_clinician_of_the_last_visit_is_offered(desk, place, booked):
    place.clinician_with_hours()

    page = desk.get(reverse("appointment-find", args=[place.client.pk]))

    assert page.context["find"]["clinician"].value() == place.clinician.pk
    assert len(page.context["free"].others) == 6


def test_without_any_visit_everybody_is_offered(desk, place):
    page = desk.get(reverse("appointment-find", args=[place.client.pk]))

    assert page.context["free"].same == []
    assert len(page.context["free"].others) == 6


def test_later_times_follow_the_last_one(desk, place, due):
    address = reverse("appointment-find", args=[place.client.pk])
    first = desk.get(address)
    link = re.search(r'href="(\?[^"]+after=[^"]+)"', first.content.decode())

    later = desk.get(address + link[1].replace("&amp;", "&"))

    assert later.context["free"].same[0].words == "Wed 17 Mar 10:30"


def test_a_typed_day_that_is_no_day_is_told(desk, place):
    page = desk.get(reverse("appointment-find", args=[place.client.pk]), {"day": "soon"})

    assert page.context["form"].errors == {"day": ["Write a day that exists, such as 12.3.2027."]}
    assert 'href="#find_day"' in page.content.decode()


def test_no_free_time_at_all_says_so(desk, place):
    place.clinician.hours.all().delete()

    page = desk.get(
        reverse("appointment-find", args=[place.client.pk]), {"clinician": place.clinician.pk}
    )

    assert f"{place.clinician} has no free time in the twelve weeks" in text(page)


def press(desk, place, number=0, follow=True):
    """Press one of the offered times, with what the button sends."""
    address = reverse("appointment-find", args=[place.client.pk])
    form = re.findall(
        r'<form method="post"[^>]*book/".*?</form>', desk.get(address).content.decode(), re.DOTALL
    )[number]
    sent = dict(re.findall(r'<input type="hidden"\s+name="(\w+)"\s+value="([^"]*)"', form))
    return desk.post(address, sent, follow=follow), sent


def test_one_press_books(desk, place, due):
    page, _ = press(desk, place)

    found = Appointment.objects.get()
    assert page.redirect_chain == [(reverse("appointment-open", args=[found.pk]), 302)]
    assert (found.local_date, found.local_time, found.booked_by) == (
        date(2027, 3, 17),
        time(9),
        place.desk,
    )
    assert said(page) == ["Booked for 17 March 2027 at 09:00."]
    due.refresh_from_db()
    assert due.appointment == found


def test_the_same_press_sent_again_shows_the_first_result(desk, place, due):
    first, sent = press(desk, place)

    again = desk.post(reverse("appointment-find", args=[place.client.pk]), sent, follow=True)

    assert again.redirect_chain == first.redirect_chain
    assert Appointment.objects.count() == 1


def test_a_time_taken_meanwhile_is_told_with_free_ones(desk, place, due):
    _, sent = press(desk, place)
    other = ClientFactory(site=place.site)

    page = desk.post(reverse("appointment-find", args=[other.pk]), sent)

    assert page.context["form"].non_field_errors() == [
        f"{place.clinician} is taken at that time. "
        "Next free: Wed 17 Mar 09:45, Wed 17 Mar 10:00, Wed 17 Mar 10:15."
    ]
    assert Appointment.objects.count() == 1


def typed(place, **changed):
    return {
        "kind": place.kind.pk,
        "clinician": place.clinician.pk,
        "room": place.room.pk,
        "local_date": "28.3.2027",
        "local_time": "01:30",
    } | changed


def test_a_typed_time_that_does_not_exist_stands_beside_its_field(desk, place):
    page = desk.post(reverse("appointment-find", args=[place.client.pk]), typed(place))

    form = page.context["form"]
    assert form.errors == {
        "local_time": [
            "01:30 does not exist on 28 March 2027: the clocks go forward. "
            "Choose 02:30 or another time."
        ]
    }
    assert 'value="28.3.2027"' in page.content.decode()


def test_a_typed_doubled_time_is_asked_about_and_then_booked(desk, place):
    night = place.clinician_with_hours(opens=time(0), closes=time(5), weekdays=[6])
    sent = typed(place, clinician=night.pk, local_date="31.10.2027")
    where = reverse("appointment-find", args=[place.client.pk])

    asked = desk.post(where, sent)
    page = desk.post(where, sent | {"second": "yes"}, follow=True)

    assert asked.context["form"].errors == {
        "second": [
            "The clocks show 01:30 twice on 31 October 2027. Choose the first or the second."
        ]
    }
    assert asked.content.decode().count('type="radio"') == 2
    assert said(page) == [
        "Booked for 31 October 2027 at 01:30.",
        "The clocks show 01:30 twice that night; this is the second.",
    ]


def test_a_day_that_is_over_is_refused(desk, place):
    sent = typed(place, local_date="7.3.2027", local_time="9:00")

    page = desk.post(reverse("appointment-find", args=[place.client.pk]), sent)

    assert page.context["form"].errors == {
        "local_date": ["This day is over: choose today or later."]
    }


def test_choices_of_another_site_are_refused(desk, place):
    other = Place(code="QY", name="Quay")
    sent = typed(place, kind=other.kind.pk, clinician=other.clinician.pk, room=other.room.pk)

    page = desk.post(reverse("appointment-find", args=[place.client.pk]), sent)

    assert set(page.context["form"].errors) == {"kind", "clinician", "room"}


# one appointment


def test_the_page_says_what_was_agreed(desk, place, booked):
    page = desk.get(reverse("appointment-open", args=[booked.pk]))

    words = text(page)
    assert "Monday 15 March 2027, 09:00" in words
    assert "State booked Kind Reassessment, 45 minutes" in words
    assert page.context["acts"] == []  # a week before, nobody can have arrived


@pytest.mark.parametrize(
    ("before", "names"),
    [
        (None, ["arrived", "seen", "missed"]),
        ("arrived", ["seen", "back"]),
        ("seen", ["back"]),
        ("missed", ["back"]),
    ],
)
def test_on_the_day_the_page_offers_what_may_come_next(desk, booked, on_the_day, before, names):
    on_the_day()
    if before:
        desk.post(reverse("appointment-state", args=[booked.pk, before]))

    page = desk.get(reverse("appointment-open", args=[booked.pk]))

    assert [act.name for act in page.context["acts"]] == names


def test_a_press_keeps_the_state_and_goes_back_to_its_page(desk, place, booked, on_the_day):
    on_the_day()
    address = reverse("appointment-state", args=[booked.pk, "arrived"])

    answer = desk.post(address, {"back": "/due/"})

    assert answer.url == "/due/"
    booked.refresh_from_db()
    assert booked.state == "arrived"


def test_a_press_never_leads_to_another_site_of_the_net(desk, booked):
    address = reverse("appointment-state", args=[booked.pk, "arrived"])

    answer = desk.post(address, {"back": "https://example.org/"})

    assert answer.url == reverse("appointment-open", args=[booked.pk])


def test_a_press_before_the_day_is_told(desk, booked):
    page = desk.post(reverse("appointment-state", args=[booked.pk, "seen"]), follow=True)

    assert said(page) == ["The appointment is on 15 March 2027: wait for the day, or cancel it."]


def test_a_press_that_does_not_exist_is_not_found(desk, booked):
    assert desk.post(reverse("appointment-state", args=[booked.pk, "eaten"])).status_code == 404


def test_states_are_changed_by_pressing_only(desk, booked):
    assert desk.get(reverse("appointment-state", args=[booked.pk, "seen"])).status_code == 405


def test_cancelling_asks_why(desk, booked):
    address = reverse("appointment-cancel", args=[booked.pk])

    empty = desk.post(address, {"reason": ""})
    page = desk.post(address, {"reason": "moves house"}, follow=True)

    assert empty.context["form"].errors == {"reason": ["Fill this in."]}
    assert said(page) == ["Cancelled. The time is free again."]
    assert "cancelled : moves house" in text(page)


def test_what_was_seen_is_not_cancelled(desk, place, booked, on_the_day):
    on_the_day()
    diary.mark_seen(appointment=booked, by=place.desk)

    page = desk.post(reverse("appointment-cancel", args=[booked.pk]), {"reason": "x"})

    assert page.context["form"].non_field_errors() == ["This appointment is seen by now."]


def moving(place, **changed):
    sent = typed(place, local_date="16.3.2027", local_time="10:00", seen=0) | changed
    del sent["kind"]
    return sent


def test_moving_offers_times_from_its_day_on_and_moves(desk, place, booked):
    address = reverse("appointment-move", args=[booked.pk])

    shown = desk.get(address)
    page = desk.post(address, moving(place), follow=True)

    assert shown.context["free"].same[0].words == "Mon 15 Mar 09:00"
    assert said(page) == ["Moved to 16 March 2027 at 10:00."]
    booked.refresh_from_db()
    assert (booked.local_date, booked.sequence) == (date(2027, 3, 16), 1)


def test_moving_from_an_old_page_is_told(desk, place, booked):
    address = reverse("appointment-move", args=[booked.pk])
    desk.post(address, moving(place))

    page = desk.post(address, moving(place, local_time="11:00"))

    assert page.context["form"].non_field_errors() == [
        "Somebody else moved this appointment to 16 Mar 2027 10:00 meanwhile. "
        "Choose a time again if that is not right."
    ]
    assert "Tuesday 16 March 2027" in text(page)


# due


def test_the_due_list_begins_with_the_latest_and_says_how_late(desk, place, due):
    late = ReassessmentFactory(
        site=place.site,
        client=ClientFactory(site=place.site, telephone="01632 960 111"),
        clinician=place.clinician,
        due_on=date(2027, 3, 1),
    )

    page = desk.get(reverse("due-list"))

    assert [(it.row, it.words, it.late) for it in page.context["rows"]] == [
        (late, "7 days late", True),
        (due, "due in 9 days", False),
    ]
    assert "01632 960 111" in text(page)
    assert reverse("appointment-find", args=[late.client_id]) in page.content.decode()


def test_a_booked_reassessment_leaves_the_list(desk, place, due):
    assert str(place.client) in text(desk.get(reverse("due-list")))

    diary.book(**place.booking())

    assert str(place.client) not in text(desk.get(reverse("due-list")))


def test_the_due_list_goes_on_after_fifty(desk, place):
    for _ in range(51):
        ReassessmentFactory(client=ClientFactory(), clinician=place.clinician)

    assert len(desk.get(reverse("due-list")).context["rows"]) == 50
    assert len(desk.get(reverse("due-list"), {"page": 2}).context["rows"]) == 1


def test_closing_a_reassessment_takes_a_reason(desk, place, due):
    address = reverse("due-close", args=[due.pk])

    empty = desk.post(address, {"state": "", "reason": ""})
    page = desk.post(address, {"state": "declined", "reason": "runs no more"}, follow=True)

    assert set(empty.context["form"].errors) == {"state", "reason"}
    assert said(page) == [f"{place.client} is no longer on the list."]
    due.refresh_from_db()
    assert (due.state, due.reason) == ("declined", "runs no more")


def test_a_reassessment_booked_meanwhile_is_not_closed(desk, place, due):
    diary.book(**place.booking())

    page = desk.post(reverse("due-close", args=[due.pk]), {"state": "lost", "reason": "x"})

    assert page.context["form"].non_field_errors() == ["This reassessment is booked by now."]


def test_reception_sees_no_words_of_a_hold(client, place, booked):
    Hold.objects.create(
        site=place.site,
        client=place.client,
        code="H01",
        scope="no_impact",
        sentence="Calf pain at rest",
        since=date(2027, 3, 1),
    )
    address = reverse("appointment-open", args=[booked.pk])

    client.force_login(place.clinician)
    assert "Calf pain at rest" in text(client.get(address))
    client.force_login(place.desk)
    assert "Calf pain at rest" not in text(client.get(address))
