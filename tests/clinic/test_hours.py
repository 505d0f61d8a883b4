"""Opening hours, leave, public holidays, kept times and the waiting list, as the diary uses them.

Public holidays of England and Wales in 2027: gov.uk bank holidays (1 January, 26 and 29 March,
3 and 31 May, 30 August, 27 and 28 December; Christmas Day on a Saturday is kept on the Monday
and Boxing Day on the Tuesday).
"""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.urls import reverse

from clinic.domain.diary import Hours
from clinic.domain.opening import ChangeKind
from clinic.domain.vocabulary import TrailAction, WaitingState
from clinic.models import Appointment, HoursChange, KeptTime, OpeningHours, TrailEntry
from clinic.public_holidays import holidays_between, public_holidays
from clinic.services import diary, free_times, hours, waiting_list
from clinic.services.free_times import Wish
from tests.factories import AppointmentKindFactory, ClientFactory, RoomFactory, StaffFactory
from tests.factories.diary import Place
from tests.factories.hours import HoursChangeFactory, WaitingEntryFactory

pytestmark = pytest.mark.django_db
MONDAY = date(2027, 3, 15)
NINE = datetime(2027, 3, 15, 9, tzinfo=UTC)


@pytest.fixture(autouse=True)
def a_week_before(time_machine):
    time_machine.move_to(datetime(2027, 3, 8, 12, tzinfo=UTC), tick=False)


@pytest.fixture
def place():
    return Place()


@pytest.fixture
def manager(place, client):
    person = StaffFactory(home_site=place.site, role="manager")
    client.force_login(person)
    return person


@pytest.fixture
def desk(place, client):
    client.force_login(place.desk)
    return client


def first(place, **wish):
    wanted = {"kind": place.kind, "first_day": MONDAY, "clinician": place.clinician} | wish
    found = free_times.offers(Wish(**wanted)).same
    return found[0].words if found else "none"


def said(page):
    return [str(message) for message in page.context["messages"]]


def close(place, **more):
    given = {"kind": ChangeKind.CLOSED, "first_day": MONDAY, "last_day": MONDAY} | more
    return hours.change_hours(site=place.site, by=place.desk, **given)


# Public holidays


def test_public_holidays_are_those_of_the_region():
    found = holidays_between("GB-ENG", date(2027, 1, 1), date(2027, 12, 31))

    days = {day for day in found if day.weekday() < 5}
    assert days == {
        date(2027, 1, 1),
        date(2027, 3, 26),
        date(2027, 3, 29),
        date(2027, 5, 3),
        date(2027, 5, 31),
        date(2027, 8, 30),
        date(2027, 12, 27),
        date(2027, 12, 28),
    }


@pytest.mark.parametrize("region", ["XX", "GB-XXX", "England"])
def test_an_unknown_region_is_refused(region):
    with pytest.raises(ValidationError, match="are not known"):
        public_holidays(region, 2027)


def test_no_region_has_no_holidays():
    assert holidays_between("", date(2027, 1, 1), date(2027, 12, 31)) == {}


def test_nothing_is_offered_or_booked_on_a_public_holiday(place):
    place.site.holiday_region = "GB-ENG"
    place.site.save()
    place.kind.refresh_from_db()
    friday = date(2027, 3, 26)

    assert first(place, first_day=friday) == "Tue 30 Mar 09:00"
    with pytest.raises(ValidationError, match="Friday 26 March 2027: not at all"):
        diary.book(**place.booking(local_date=friday))


# Changes of hours


def test_leave_takes_the_times_away_and_gives_them_back(place):
    leave = close(place, clinician=place.clinician, last_day=date(2027, 3, 19))

    assert first(place) == "Mon 22 Mar 09:00"
    hours.take_back_change(change=leave, by=place.desk)
    assert first(place) == "Mon 15 Mar 09:00"
    lines = TrailEntry.objects.filter(object_kind="hourschange")
    assert list(lines.values_list("action", flat=True)) == [TrailAction.CREATE, TrailAction.CHANGE]


def test_leave_entered_at_another_site_counts_here(place):
    other = Place(code="QY", name="Quay")
    HoursChangeFactory(site=other.site, clinician=place.clinician)

    assert first(place) == "Tue 16 Mar 09:00"


def test_leave_of_a_colleague_changes_nothing(place):
    HoursChangeFactory(site=place.site, clinician=place.clinician_with_hours())

    assert first(place) == "Mon 15 Mar 09:00"


def test_an_afternoon_off_leaves_the_morning(place):
    close(place, hours=Hours(time(12), time(17)))

    with pytest.raises(ValidationError, match="09:00 to 12:00"):
        diary.book(**place.booking(local_time=time(11, 30)))
    assert diary.book(**place.booking(local_time=time(11, 15)))


def test_an_extra_saturday_is_offered(place):
    saturday = date(2027, 3, 20)
    hours.change_hours(
        site=place.site,
        by=place.desk,
        clinician=place.clinician,
        kind=ChangeKind.OPEN,
        first_day=saturday,
        last_day=saturday,
        hours=Hours(time(10), time(12)),
    )

    assert first(place, first_day=saturday) == "Sat 20 Mar 10:00"


def test_what_was_booked_stays_and_is_named(place):
    booked = diary.book(**place.booking())
    close(place)

    booked.refresh_from_db()
    assert booked.state == "booked"
    found = hours.appointments_outside(place.site, MONDAY, date(2027, 4, 1), place.desk)
    assert found == [booked]


@pytest.mark.parametrize(
    "given",
    [
        {"last_day": date(2027, 3, 14)},
        {"hours": Hours(time(12), time(9))},
        {"kind": ChangeKind.OPEN},
    ],
)
def test_a_change_that_cannot_be_is_refused(place, given):
    with pytest.raises(ValidationError):
        close(place, **given)

    assert HoursChange.objects.count() == 0


@pytest.mark.parametrize(
    "given",
    [
        {"last_day": date(2027, 3, 14)},
        {"opens": time(12), "closes": time(9)},
        {"opens": time(12)},
        {"kind": "open"},
        {"kind": "maybe"},
    ],
)
def test_the_database_refuses_it_as_well(place, given):
    with pytest.raises(IntegrityError), transaction.atomic():
        HoursChangeFactory(site=place.site, **given)


def test_usual_hours_are_replaced_and_the_trail_says_from_what(place):
    hours.set_weeks(
        site=place.site,
        clinician=place.clinician,
        week={0: [(time(8), time(12))], 1: [(time(9), time(17))]},
        by=place.desk,
    )

    assert first(place) == "Mon 15 Mar 08:00"
    line = TrailEntry.objects.get(action=TrailAction.CHANGE)
    assert line.detail == {"weekday": 0, "hours": ["09:00-17:00", "08:00-12:00"]}


def test_overlapping_stretches_are_refused_and_the_old_ones_stay(place):
    with pytest.raises(ValidationError) as refused:
        hours.set_weeks(
            site=place.site,
            clinician=place.clinician,
            week={0: [], 2: [(time(9), time(12)), (time(11), time(13))]},
            by=place.desk,
        )

    assert refused.value.message_dict == {"day_2": ["Two stretches overlap: 12:00 and 11:00."]}
    assert OpeningHours.objects.filter(clinician=place.clinician).count() == 5


def test_clearing_time_keeps_the_next_one_away(place):
    hours.change_kind(kind=place.kind, by=place.desk, clear_minutes=15)
    place.kind.refresh_from_db()

    booked = diary.book(**place.booking())

    assert booked.clear_at - booked.ends_at == timedelta(minutes=15)
    assert first(place) == "Mon 15 Mar 10:00"
    with pytest.raises(diary.TakenError):
        diary.book(**place.booking(client=ClientFactory(), local_time=time(9, 45)))


# Looking for a time


def test_only_wished_weekdays_and_hours_are_offered(place):
    wish = {"weekdays": frozenset({2}), "between": (time(14), time(15))}

    assert first(place, **wish) == "Wed 17 Mar 14:00"


def test_earlier_times_of_the_same_clinician_are_offered_as_well(place):
    wish = Wish(kind=place.kind, first_day=MONDAY, clinician=place.clinician, early_days=7)

    found = free_times.offers(wish)

    assert [it.words for it in found.earlier] == [
        "Fri 12 Mar 15:45",
        "Fri 12 Mar 16:00",
        "Fri 12 Mar 16:15",
    ]
    assert found.same[0].words == "Mon 15 Mar 09:00"


def test_a_search_asks_the_same_number_of_questions_for_a_year(place, django_assert_num_queries):
    for _ in range(12):
        place.clinician_with_hours()
    wish = Wish(kind=place.kind, first_day=MONDAY, clinician=place.clinician, days=365)

    with django_assert_num_queries(5):
        found = free_times.offers(wish)

    assert (len(found.same), len(found.others)) == (6, 6)


# Kept times


def keep(place, by=None, **more):
    given = {
        "client": place.client,
        "kind": place.kind,
        "clinician": place.clinician,
        "room": place.room,
        "starts_at": NINE,
    } | more
    return waiting_list.keep_time(by=by or place.desk, **given)


def test_a_kept_time_is_not_offered_to_others_until_it_ends(place, time_machine):
    colleague = StaffFactory(home_site=place.site, role="reception")
    keep(place)

    assert first(place, asked_by=colleague) == "Mon 15 Mar 09:45"
    assert first(place, asked_by=place.desk) == "Mon 15 Mar 09:00"
    time_machine.move_to(datetime(2027, 3, 8, 12, 5, 1, tzinfo=UTC), tick=False)
    assert first(place, asked_by=colleague) == "Mon 15 Mar 09:00"


def test_a_kept_time_cannot_be_booked_or_kept_by_others(place):
    colleague = StaffFactory(home_site=place.site, role="reception")
    keep(place)

    with pytest.raises(ValidationError, match=r"keeps this time for a caller until 12:05"):
        diary.book(**place.booking(client=ClientFactory(), by=colleague))
    with pytest.raises(ValidationError, match="A colleague keeps this time"):
        keep(place, by=colleague, client=ClientFactory())
    assert Appointment.objects.count() == 0


def test_booking_or_letting_go_ends_it(place):
    keep(place)
    diary.book(**place.booking())
    assert KeptTime.objects.count() == 0

    keep(place, starts_at=NINE + timedelta(hours=2))
    waiting_list.let_go(client=place.client, by=place.desk)
    assert KeptTime.objects.count() == 0


def test_the_next_kept_time_lets_the_first_go(place):
    keep(place)
    second = keep(place, starts_at=NINE + timedelta(hours=1))

    assert list(KeptTime.objects.all()) == [second]


def test_a_taken_time_cannot_be_kept(place):
    diary.book(**place.booking())

    with pytest.raises(ValidationError, match="booked meanwhile"):
        keep(place, client=ClientFactory())


def test_a_time_is_kept_and_booked_on_the_page(desk, place):
    where = reverse("appointment-find", args=[place.client.pk])
    sent = {
        "kind": place.kind.pk,
        "clinician": place.clinician.pk,
        "room": place.room.pk,
        "local_date": "2027-03-15",
        "local_time": "09:00",
    }

    page = desk.post(reverse("time-keep", args=[place.client.pk]), sent, follow=True)

    assert said(page) == ["Kept for you until 12:05."]
    assert page.context["kept"].clinician == place.clinician
    assert "Book it" in page.content.decode()
    page = desk.post(where, sent, follow=True)
    assert said(page) == ["Booked for 15 March 2027 at 09:00."]
    page = desk.post(reverse("time-let-go", args=[place.client.pk]), follow=True)
    assert said(page) == ["Let go. Others are offered this time again."]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"kind": ""}, "This time cannot be kept. Choose one of the list."),
        ({"local_date": "2027-03-28", "local_time": "01:30"}, "01:30 does not exist"),
    ],
)
def test_a_time_that_is_not_one_is_not_kept(desk, place, changed, words):
    sent = {
        "kind": place.kind.pk,
        "clinician": place.clinician.pk,
        "room": place.room.pk,
        "local_date": "2027-03-15",
        "local_time": "09:00",
    } | changed

    page = desk.post(reverse("time-keep", args=[place.client.pk]), sent, follow=True)

    assert said(page)[0].startswith(words)
    assert KeptTime.objects.count() == 0


# Waiting list


def test_a_freed_time_names_those_whom_it_suits(desk, place):
    booked = diary.book(**place.booking())
    talk = AppointmentKindFactory(site=place.site, code="long", name="Long", minutes=60)
    early = WaitingEntryFactory(kind=place.kind, clinician=place.clinician, weekdays="04")
    WaitingEntryFactory(kind=place.kind, clinician=place.clinician_with_hours())
    WaitingEntryFactory(kind=place.kind, earliest=date(2027, 3, 16))
    WaitingEntryFactory(kind=place.kind, weekdays="12")
    WaitingEntryFactory(kind=place.kind, opens=time(10), closes=time(12))
    WaitingEntryFactory(kind=talk)
    WaitingEntryFactory(kind=place.kind, client=place.client)
    later = WaitingEntryFactory(
        kind=place.kind, since=datetime(2027, 3, 2, tzinfo=UTC), opens=time(8), closes=time(9, 30)
    )

    page = desk.get(reverse("appointment-open", args=[booked.pk]))
    assert page.context["wanted"] == []
    diary.cancel(appointment=booked, reason="Away", by=place.desk)
    page = desk.get(reverse("appointment-open", args=[booked.pk]))

    assert page.context["wanted"] == [early, later]
    assert early.client.family_name in page.content.decode()


def test_a_room_without_a_treadmill_suits_no_run(place):
    plain = RoomFactory(site=place.site, name="Quiet", has_treadmill=False)
    talk = AppointmentKindFactory(
        site=place.site, code="talk", name="Talk", minutes=30, needs_treadmill=False
    )
    booked = diary.book(**place.booking(kind=talk, room=plain))
    WaitingEntryFactory(kind=place.kind)
    wanted = WaitingEntryFactory(kind=talk)

    assert waiting_list.wanted_by(booked, place.desk) == [wanted]


def test_a_time_that_has_passed_is_offered_to_nobody(place, time_machine):
    booked = diary.book(**place.booking())
    WaitingEntryFactory(kind=place.kind)
    time_machine.move_to(NINE, tick=False)

    assert waiting_list.wanted_by(booked, place.desk) == []


def test_booking_ends_the_waiting(place):
    entry = WaitingEntryFactory(kind=place.kind, client=place.client)
    other = WaitingEntryFactory(kind=AppointmentKindFactory(site=place.site, code="first"))

    diary.book(**place.booking())

    entry.refresh_from_db()
    other.refresh_from_db()
    assert (entry.state, other.state) == (WaitingState.BOOKED, WaitingState.WAITING)


def test_a_client_is_put_on_the_list_and_taken_off(desk, place):
    sent = {"kind": place.kind.pk, "weekdays": ["0", "4"], "opens": "9", "closes": "12.30"}

    page = desk.post(reverse("waiting-new", args=[place.client.pk]), sent, follow=True)

    (row,) = page.context["rows"]
    assert (row.client, row.wishes) == (place.client, "Mon, Fri; 09:00 to 12:30")
    desk.post(
        reverse("waiting-new", args=[place.client.pk]),
        {"kind": place.kind.pk, "earliest": "1.4.2027", "latest": "30.4.2027"},
    )
    (row,) = desk.get(reverse("waiting-list")).context["rows"]
    assert row.wishes == "from 1 Apr 2027; until 30 Apr 2027"
    page = desk.post(reverse("waiting-end", args=[row.pk]), follow=True)
    assert list(page.context["rows"]) == []
    assert desk.post(reverse("waiting-end", args=[row.pk])).status_code == 302


@pytest.mark.parametrize(
    ("changed", "errors"),
    [
        ({"opens": "9"}, {"closes": ["Give both times, or neither."]}),
        ({"opens": "12", "closes": "9"}, {"closes": ["This lies before the first time."]}),
        (
            {"earliest": "2.4.2027", "latest": "1.4.2027"},
            {"__all__": ["The last day lies before the first."]},
        ),
    ],
)
def test_wishes_that_cannot_be_are_refused(desk, place, changed, errors):
    sent = {"kind": place.kind.pk} | changed

    page = desk.post(reverse("waiting-new", args=[place.client.pk]), sent)

    assert page.context["form"].errors == errors


@pytest.mark.parametrize("rows", [1, 40])
def test_waiting_list_queries_do_not_grow(desk, place, rows, django_assert_num_queries):
    for _ in range(rows):
        WaitingEntryFactory(kind=place.kind, client=ClientFactory(site=place.site))

    with django_assert_num_queries(5):
        page = desk.get(reverse("waiting-list"))

    assert page.content.decode().count("Waits no longer") == rows


# Pages of the manager


def test_the_week_of_a_clinician_is_typed(manager, place, client):
    where = reverse("hours-weekly", args=[place.clinician.pk])
    form = client.get(where).context["form"]
    assert form.initial["day_0"] == "09:00-17:00"

    page = client.post(where, {"day_0": "9-12.30, 13:30 to 17", "day_5": ""}, follow=True)

    assert said(page) == [f"Saved the hours of {place.clinician}."]
    week = next(it for it in page.context["weeks"] if it.clinician == place.clinician)
    assert week.days[:2] == [("Mon", "09:00 to 12:30, 13:30 to 17:00"), ("Tue", "")]


@pytest.mark.parametrize(
    ("typed", "error"),
    [
        ("nine to five", "“nine to five” is not a stretch such as 9:00-12:30."),
        ("25-26", "“25-26” is not a stretch such as 9:00-12:30."),
        ("17-9", "“17-9” ends before it begins."),
        ("9-12, 11-13", "Two stretches overlap: 12:00 and 11:00."),
    ],
)
def test_a_week_typed_wrongly_is_told_beside_the_day(manager, place, client, typed, error):
    where = reverse("hours-weekly", args=[place.clinician.pk])

    page = client.post(where, {"day_0": typed})

    assert page.context["form"].errors == {"day_0": [error]}
    assert typed in page.content.decode()


def test_leave_is_entered_and_what_must_move_is_named(manager, place, client):
    booked = diary.book(**place.booking())
    sent = {
        "clinician": place.clinician.pk,
        "kind": "closed",
        "first_day": "15.3.2027",
        "last_day": "19.3.2027",
        "why": "leave",
    }

    page = client.post(reverse("hours-change-new"), sent, follow=True)

    assert said(page) == ["Saved. Appointments booked at these times to move: 1."]
    assert page.context["outside"] == [booked]
    day = client.get(reverse("diary"), {"day": "2027-03-15"})
    assert "closed: leave" in " ".join(day.content.decode().split())
    change = HoursChange.objects.get()
    page = client.post(reverse("hours-change-remove", args=[change.pk]), follow=True)
    assert page.context["outside"] == []


@pytest.mark.parametrize(
    ("changed", "errors"),
    [
        ({"kind": "open"}, {"__all__": ["Say from when until when it is open."]}),
        ({"last_day": "14.3.2027"}, {"__all__": ["The last day lies before the first."]}),
        ({"first_day": ""}, {"first_day": ["Fill this in."]}),
    ],
)
def test_leave_that_cannot_be_is_refused(manager, place, client, changed, errors):
    sent = {"kind": "closed", "first_day": "15.3.2027", "last_day": "19.3.2027"} | changed

    page = client.post(reverse("hours-change-new"), sent)

    assert page.context["form"].errors == errors


def test_a_kind_takes_longer_from_now_on(manager, place, client):
    sent = {"name": "Reassessment", "minutes": 60, "clear_minutes": 10, "needs_treadmill": "on"}

    page = client.post(reverse("kind-edit", args=[place.kind.pk]), sent, follow=True)

    assert said(page) == ["Saved. Reassessment takes this long from the next booking on."]
    refused = client.post(reverse("kind-edit", args=[place.kind.pk]), sent | {"minutes": 300})
    assert refused.context["form"].errors == {
        "__all__": ["An appointment lasts 5 to 240 minutes."]
    }


def test_reception_reads_the_hours_and_changes_none(desk, place):
    assert desk.get(reverse("hours-open")).status_code == 200
    assert desk.get(reverse("hours-change-new")).status_code == 403
