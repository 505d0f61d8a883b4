"""Registering, changing and finding clients; consents, alerts, referrers; lines in the trail."""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.db import connection
from django.utils import timezone

from clinic.domain.people import read_search
from clinic.models import Alert, Client, Consent, Referrer, Site, TrailEntry
from clinic.services import people, referrers
from tests.factories import (
    AppointmentFactory,
    AppointmentKindFactory,
    ClientFactory,
    ReferrerFactory,
    RoomFactory,
    SiteFactory,
    StaffFactory,
)
from tests.factories.people import AlertFactory, ConsentFactory, ReassessmentFactory

TODAY = date(2026, 6, 1)
PERSON = {
    "family_name": "Ørsted",
    "given_names": "Zoë",
    "birth_date": date(1990, 4, 12),
    "telephone": "01632 960 100",
}


@pytest.fixture(autouse=True)
def one_day():
    with time_machine.travel(datetime(2026, 6, 1, 10, tzinfo=UTC), tick=False):
        yield


@pytest.fixture
def staff(db):
    return StaffFactory()


def trail_lines(action):
    return list(TrailEntry.objects.filter(action=action).order_by("pk"))


def found(staff, typed):
    sought = read_search(typed, ["%d.%m.%Y"], TODAY)
    return list(people.clients_found(sought=sought, staff=staff, now=timezone.now()))


# registering


def test_a_client_gets_number_day_and_search_text(staff):
    first = people.register_client(by=staff, **PERSON)
    second = people.register_client(by=staff, family_name="Sukarn", birth_date=date(2000, 1, 1))

    assert (first.number, second.number) == ("ML00001", "ML00002")
    assert first.registered_on == TODAY
    assert first.search_text == "zoe orsted ml00001 1632960100"
    assert (second.full_name, second.called) == ("Sukarn", "Sukarn")
    (line, _) = trail_lines("create")
    assert (line.actor, line.client, line.object_kind, line.detail) == (staff, first, "client", {})


def test_a_number_that_was_brought_along_is_passed_over(staff):
    ClientFactory(number="ML00001", site=staff.home_site)

    assert people.register_client(by=staff, **PERSON).number == "ML00002"


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        ({"birth_date": date(2026, 6, 2)}, "__all__"),
        ({"birth_date": date(1899, 12, 31)}, "__all__"),
        ({"family_name": ""}, "family_name"),
        ({"family_name": "a" * 81}, "family_name"),
        ({"allergies_known": "listed"}, "__all__"),
        ({"medicines": "one"}, "__all__"),
    ],
)
def test_a_wrong_client_is_refused_and_leaves_no_line(staff, wrong, place):
    with pytest.raises(ValidationError) as refusal:
        people.register_client(by=staff, **(PERSON | wrong))

    assert list(refusal.value.error_dict) == [place]
    assert not TrailEntry.objects.exists()
    assert Site.objects.get().clients_numbered == 0


@pytest.mark.parametrize("name", ["李", "Αλεξάνδρα", "a" * 80])
def test_names_of_any_length_and_script_are_kept(staff, name):
    client = people.register_client(by=staff, **(PERSON | {"family_name": name}))

    assert Client.objects.get().family_name == name
    assert found(staff, name) == [client]


def test_a_doctor_of_another_site_is_refused(staff):
    far = ReferrerFactory(site=SiteFactory(code="HR", name="Harbour Road"))

    with pytest.raises(ValidationError, match="list of this site"):
        people.register_client(by=staff, doctor=far, **PERSON)


def test_staff_without_a_site_register_nobody(db):
    lost = StaffFactory()
    lost.home_site = None

    with pytest.raises(ValidationError, match="has no site"):
        people.register_client(by=lost, **PERSON)


def test_twenty_registrations_at_once_get_twenty_numbers(transactional_db):
    StaffFactory()

    def register(n):
        from clinic.models import Staff

        try:
            by = Staff.objects.get()
            client = people.register_client(by=by, **(PERSON | {"given_names": f"Zoë {n}"}))
            counted = Client.objects.count()
        finally:
            connection.close()
        return client.number, counted

    with ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(register, range(20)))

    assert sorted(number for number, _ in answers) == [f"ML{n:05d}" for n in range(1, 21)]
    assert max(counted for _, counted in answers) == 20


# changing


def test_a_change_names_its_fields_and_moves_the_version_on(staff):
    client = people.register_client(by=staff, **PERSON)

    saved = people.change_client(
        client=client, seen=1, by=staff, family_name="Fen", telephone="01632 960 100"
    )

    assert saved.version == 2
    stored = Client.objects.get()
    assert (stored.family_name, stored.version) == ("Fen", 2)
    assert stored.search_text == "zoe fen ml00001 1632960100"
    (line,) = trail_lines("change")
    assert (line.detail, line.object_version) == ({"fields": ["family_name"]}, 2)


def test_a_stale_change_writes_nothing(staff):
    client = people.register_client(by=staff, **PERSON)
    people.change_client(client=client, seen=1, by=staff, family_name="Fen")

    with pytest.raises(people.StaleError):
        people.change_client(client=client, seen=1, by=staff, family_name="Marsh")

    assert Client.objects.get().family_name == "Fen"
    assert len(trail_lines("change")) == 1


# finding


@pytest.mark.parametrize(
    "typed",
    [
        "zoe",
        "ZOË",
        "ørst",
        "orsted zo",
        "ml00001",
        "00001",
        "01632 960100",
        "960100",
        "(01632) 960-100",
        "12.4.1990",
        "ors 12.4.1990",
    ],
)
def test_a_client_is_found_by_any_part(staff, typed):
    client = people.register_client(by=staff, **PERSON)
    people.register_client(by=staff, family_name="Marsh", birth_date=date(1980, 1, 1))

    assert found(staff, typed) == [client]


def test_a_birth_date_alone_does_not_find_other_names(staff):
    people.register_client(by=staff, **PERSON)

    assert found(staff, "marsh 12.4.1990") == []


def test_clients_of_other_sites_are_not_found(staff):
    client = people.register_client(by=staff, **PERSON)
    stranger = StaffFactory(home_site=SiteFactory(code="HR", name="Harbour Road"))

    assert found(staff, "zoe") == [client]
    assert found(stranger, "zoe") == []


def test_hits_show_the_next_standing_appointment_and_the_due_date(staff):
    client = ClientFactory(site=staff.home_site)
    room, kind = RoomFactory(), AppointmentKindFactory()
    for days, state in ((-1, "seen"), (1, "cancelled"), (2, "booked"), (3, "booked")):
        AppointmentFactory(
            client=client,
            clinician=staff,
            room=room,
            kind=kind,
            state=state,
            local_date=TODAY + timedelta(days=days),
        )
    ReassessmentFactory(client=client, clinician=staff, due_on=date(2026, 7, 1))

    (hit,) = found(staff, client.number)

    assert hit.next_date == date(2026, 6, 3)
    assert hit.due_on == date(2026, 7, 1)


def test_a_search_is_recorded_without_its_words(staff):
    people.record_search(by=staff, hits=3)

    (line,) = trail_lines("search")
    assert (line.object_kind, line.detail, line.client) == ("client", {"hits": 3}, None)


@pytest.mark.parametrize(
    ("new", "doubled"),
    [
        ({"family_name": "Orstedt", "telephone": ""}, True),
        ({"family_name": "Marsh", "telephone": ""}, False),
        ({"family_name": "Marsh", "birth_date": date(1970, 1, 1)}, True),
        ({"family_name": "Ørsted", "birth_date": date(1970, 1, 1), "telephone": "960"}, False),
    ],
)
def test_possible_doubles(staff, new, doubled):
    client = people.register_client(by=staff, **PERSON)
    sought = {k: v for k, v in (PERSON | new).items() if k != "given_names"}

    assert people.possible_doubles(staff=staff, **sought) == ([client] if doubled else [])
    assert people.possible_doubles(staff=staff, apart_from=client, **sought) == []


# referrers, consents, alerts


def test_a_referrer_is_added_once(staff):
    ReferrerFactory(name="Coach Vale", site=staff.home_site)
    fields = {"name": "Dr Alder", "kind": "doctor", "practice": "Brook Surgery"}
    referrers.add_referrer(site=staff.home_site, by=staff, **fields)

    with pytest.raises(ValidationError, match="in the list already"):
        referrers.add_referrer(site=staff.home_site, by=staff, **(fields | {"name": "dr  ALDER"}))

    assert Referrer.objects.count() == 2
    assert [line.object_kind for line in trail_lines("create")] == ["referrer"]


def answer(client, staff, **fields):
    return people.answer_consent(
        client=client,
        by=staff,
        **({"purpose": "filming", "given": True, "given_on": TODAY, "manner": "spoken"} | fields),
    )


def test_each_purpose_is_answered_apart(staff):
    client = ClientFactory()

    answer(client, staff)
    answer(client, staff, purpose="teaching", given=False)

    assert dict(Consent.objects.values_list("purpose", "given")) == {
        "filming": True,
        "teaching": False,
    }
    assert [line.detail for line in trail_lines("consent")] == [
        {"purpose": "filming", "given": True, "text": "2", "given_as": "client"},
        {"purpose": "teaching", "given": False, "text": "2", "given_as": "client"},
    ]


def test_a_standing_answer_is_withdrawn_before_the_next(staff):
    client = ClientFactory()
    first = answer(client, staff)

    with pytest.raises(ValidationError, match="withdraw that answer first"):
        answer(client, staff, given=False)
    people.withdraw_consent(consent=first, by=staff, on=TODAY)
    answer(client, staff, given=False)

    assert list(Consent.objects.order_by("pk").values_list("given", "withdrawn_on")) == [
        (True, TODAY),
        (False, None),
    ]
    assert trail_lines("consent")[1].detail == {"purpose": "filming", "withdrawn": "2026-06-01"}


def test_a_second_answer_in_the_same_moment_is_refused_in_words(staff, monkeypatch):
    client = ClientFactory()
    ConsentFactory(client=client, taken_by=staff)
    # both have passed the check before either has saved
    monkeypatch.setattr(Consent, "full_clean", lambda self, **which: None)
    monkeypatch.setattr(Consent, "validate_constraints", lambda self: None)

    with pytest.raises(ValidationError, match="just answered"):
        answer(client, staff)

    assert Consent.objects.count() == 1


def test_a_giver_is_named_below_sixteen_on_that_day(staff):
    client = ClientFactory(birth_date=date(2010, 6, 1))

    with pytest.raises(ValidationError, match="was 15 that day") as refusal:
        answer(client, staff, given_on=date(2026, 5, 31))
    assert list(refusal.value.error_dict) == ["given_by"]
    answer(client, staff, given_on=date(2026, 5, 31), given_by="Ada Fen", given_as="parent")
    answer(client, staff, given_on=date(2026, 6, 1), purpose="sharing")

    assert Consent.objects.count() == 2


@pytest.mark.parametrize("day", [date(2026, 6, 2), date(1990, 4, 11)])
def test_a_consent_has_a_possible_day(staff, day):
    with pytest.raises(ValidationError) as refusal:
        answer(ClientFactory(), staff, given_on=day)

    assert list(refusal.value.error_dict) == ["given_on"]


@pytest.mark.parametrize("day", [date(2026, 6, 2), date(2026, 1, 9)])
def test_a_withdrawal_has_a_possible_day(staff, day):
    consent = ConsentFactory(client=ClientFactory(), taken_by=staff)

    with pytest.raises(ValidationError) as refusal:
        people.withdraw_consent(consent=consent, by=staff, on=day)

    assert list(refusal.value.error_dict) == ["on"]
    assert not trail_lines("consent")


def test_an_answer_is_withdrawn_once(staff):
    consent = ConsentFactory(client=ClientFactory(), taken_by=staff)
    people.withdraw_consent(consent=consent, by=staff, on=TODAY)

    with pytest.raises(ValidationError, match="withdrawn already"):
        people.withdraw_consent(consent=consent, by=staff, on=TODAY)


def test_an_alert_is_added_and_ended(staff):
    client = ClientFactory()

    alert = people.add_alert(client=client, by=staff, kind="allergy", text="Latex", since=TODAY)
    people.end_alert(alert=alert, by=staff, on=TODAY)

    assert Alert.objects.get().ended_on == TODAY
    assert trail_lines("create")[0].detail == {"kind_of_alert": "allergy"}
    assert trail_lines("change")[0].detail == {"fields": ["ended_on"]}
    with pytest.raises(ValidationError, match="ended already"):
        people.end_alert(alert=alert, by=staff, on=TODAY)


@pytest.mark.parametrize("day", [date(2026, 6, 2), date(2026, 1, 9)])
def test_an_alert_ends_on_a_possible_day(staff, day):
    alert = AlertFactory(client=ClientFactory())

    with pytest.raises(ValidationError) as refusal:
        people.end_alert(alert=alert, by=staff, on=day)

    assert list(refusal.value.error_dict) == ["on"]
