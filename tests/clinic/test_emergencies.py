"""A record opened in an emergency: with a reason and the password, for some hours, and told.

Sources of what is asked: 45 CFR 164.312(a)(2)(ii) (emergency access); HL7 EHR-S FM R2.1,
TI.1.3.1 and TI.2.1.2.8 (it exists and is audited).
"""

import re
from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.cache import cache
from django.core.exceptions import PermissionDenied
from django.urls import reverse

from clinic.domain.people import without_names
from clinic.models import Client, EmergencyOpening, TrailEntry
from clinic.services import emergencies
from clinic.views.emergencies import NOTHING, TOO_MANY
from tests.factories import ClientFactory, SiteFactory, StaffFactory
from tests.factories.clinic import PASSWORD
from tests.factories.limits import ended_line, open_in_emergency, opening_of, restrict
from tests.factories.people import RecordLinkFactory

pytestmark = pytest.mark.django_db
NOON = datetime(2027, 3, 15, 12, tzinfo=UTC)
WHY = "Collapsed on the treadmill, allergies unknown"


@pytest.fixture(autouse=True)
def at_noon(time_machine, settings):
    settings.STEADY_SECONDS = 0
    time_machine.move_to(NOON, tick=False)
    cache.clear()
    yield
    cache.clear()


@pytest.fixture
def owner():
    return StaffFactory(first_name="Ines", last_name="Marlow")


@pytest.fixture
def helper():
    return StaffFactory(first_name="Jonas", last_name="Reed")


@pytest.fixture
def runner(owner):
    runner = ClientFactory(
        family_name="Quellenstein", given_names="Ottoline", birth_date=date(1987, 11, 23)
    )
    restrict(runner, owner)
    return runner


def text(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode())).strip()


def ask(client, staff, **fields):
    client.force_login(staff)
    typed = {"reason": WHY, "signature": PASSWORD} | fields
    return client.post(reverse("emergency-open"), typed)


def opens(staff, runner):
    return Client.objects.for_staff(staff).filter(pk=runner.pk).exists()


def tries():
    return list(
        TrailEntry.objects.filter(object_kind="emergency").order_by("pk").values_list("detail")
    )


@pytest.mark.parametrize(
    "asked",
    [
        {"number": "{number}"},
        {"family_name": "Quellenstein", "birth_date": "23.11.1987"},
        {"family_name": " quellenstein ", "birth_date": "1987-11-23"},
    ],
)
def test_restricted_record_opens_for_four_hours(client, runner, owner, helper, asked):
    asked = {name: value.format(number=runner.number) for name, value in asked.items()}

    answer = ask(client, helper, **asked)

    made = EmergencyOpening.objects.get()
    assert (answer.status_code, answer.url) == (302, reverse("client-open", args=[runner.pk]))
    assert (made.client, made.staff, made.owner, made.reason) == (runner, helper, owner, WHY)
    assert made.ends_at - made.opened_at == timedelta(hours=4)
    assert opens(helper, runner)
    line = TrailEntry.objects.get(action="emergency")
    assert (line.client, line.detail) == (runner, {"until": "2027-03-15T16:00+00:00"})


def test_setting_says_how_long(client, runner, helper, settings):
    settings.EMERGENCY_HOURS = 1

    ask(client, helper, number=runner.number)

    made = EmergencyOpening.objects.get()
    assert made.ends_at - made.opened_at == timedelta(hours=1)


def test_record_of_another_site_opens_and_can_be_read_and_added_to(client, edition, helper):
    elsewhere = SiteFactory(code="QY", name="Quay")
    far = ClientFactory(site=elsewhere)

    ask(client, helper, number=far.number)

    pages = ["client-open", "history-open", "consent-list", "alert-new", "appointment-find"]
    assert [client.get(reverse(it, args=[far.pk])).status_code for it in pages] == [200] * 5
    added = client.post(
        reverse("alert-new", args=[far.pk]),
        {"kind": "allergy", "text": "Latex", "since": "15.3.2027"},
    )
    assert (added.status_code, far.alerts.get().text, far.alerts.get().site) == (
        302,
        "Latex",
        elsewhere,
    )
    assert EmergencyOpening.objects.get().restriction is None


def test_the_same_answer_for_none_not_restricted_and_open_already(client, runner, helper, owner):
    other, mine = ClientFactory(), ClientFactory()
    restrict(mine, helper)
    asked = ["ZZ99999", other.number, mine.number]

    said = [ask(client, helper, number=number) for number in asked]

    shapes = {re.sub(r"[A-Za-z0-9]{64}|[A-Z]{2}\d{5}", "", it.content.decode()) for it in said}
    assert len(shapes) == 1
    assert NOTHING in text(said[0])
    assert not EmergencyOpening.objects.exists()
    assert tries() == [({"why": "nothing fits"},)] * 3


def test_what_was_typed_stays_but_the_password(client, helper):
    page = ask(client, helper, number="ZZ99999").content.decode()

    assert 'value="ZZ99999"' in page
    assert WHY in page
    assert PASSWORD not in page


def test_two_that_fit_open_nothing(client, runner, owner, helper):
    twin = ClientFactory(family_name="Quellenstein", birth_date=runner.birth_date)
    restrict(twin, owner)

    answer = ask(client, helper, family_name="Quellenstein", birth_date="23.11.1987")

    assert NOTHING in text(answer)
    assert not EmergencyOpening.objects.exists()


@pytest.mark.parametrize("typed", ["Quellen", "Quellensteiner", "%"])
def test_part_of_a_name_opens_nothing(client, runner, helper, typed):
    answer = ask(client, helper, family_name=typed, birth_date="23.11.1987")

    assert NOTHING in text(answer)


@pytest.mark.parametrize(
    ("wrong", "field", "said"),
    [
        ({"reason": ""}, "reason", "Say why the record has to be opened now."),
        ({"reason": "help !!"}, "reason", "Say it in three words or more."),
        ({"number": ""}, "number", "Give the record number, or family name and date of birth."),
        (
            {"number": "", "family_name": "Quellenstein"},
            "birth_date",
            "Give the date of birth with the family name.",
        ),
        ({"signature": "not-the-password"}, "signature", "This is not your password."),
    ],
)
def test_faults_are_told_beside_their_field_and_open_nothing(
    client, runner, helper, wrong, field, said
):
    answer = ask(client, helper, **({"number": runner.number} | wrong))

    assert answer.context["form"].errors[field] == [said]
    assert not EmergencyOpening.objects.exists()
    assert len(tries()) == (field == "signature")


def test_sixth_try_is_not_looked_at_and_the_count_runs_out(client, runner, helper, time_machine):
    for _ in range(5):
        ask(client, helper, number="ZZ99999")

    stopped = ask(client, helper, number=runner.number)
    time_machine.move_to(NOON + timedelta(minutes=16), tick=False)
    later = ask(client, helper, number=runner.number)

    assert TOO_MANY in text(stopped)
    assert tries()[-1] == ({"why": "too many tries"},)
    assert later.status_code == 302


def test_opening_costs_no_try(client, owner, helper):
    for _ in range(6):
        runner = ClientFactory()
        restrict(runner, owner)
        assert ask(client, helper, number=runner.number).status_code == 302


@pytest.mark.parametrize("role", ["reception", "manager", "auditor"])
def test_only_clinicians_open_in_an_emergency(client, runner, role):
    staff = StaffFactory(role=role)

    assert ask(client, staff, number=runner.number).status_code == 403
    with pytest.raises(PermissionDenied):
        emergencies.open_in_emergency(by=staff, number=runner.number, reason=WHY)


# while it runs, and its end


def test_every_page_of_the_record_carries_the_strip_until_it_ends(
    client, edition, runner, helper, time_machine
):
    ask(client, helper, number=runner.number)
    pages = [
        reverse(name, args=[runner.pk])
        for name in ("client-open", "client-edit", "history-open", "consent-list", "client-trail")
    ]
    shown = [text(client.get(page)) for page in pages]

    time_machine.move_to(NOON + timedelta(hours=4), tick=False)
    client.force_login(helper)
    after = [client.get(page).status_code for page in pages]

    assert ["Emergency opening until 16:00" in it for it in shown] == [True] * 5
    assert after == [404] * 5


def test_press_ends_it(client, runner, helper):
    ask(client, helper, number=runner.number)
    made = EmergencyOpening.objects.get()
    page = client.get(reverse("client-open", args=[runner.pk])).content.decode()
    address = reverse("emergency-end", args=[made.pk])

    answer = client.post(address)

    assert f'action="{address}"' in page
    assert (answer.status_code, opens(helper, runner)) == (302, False)
    assert TrailEntry.objects.filter(object_kind="emergencyopening", action="change").count() == 1
    client.post(address)
    assert TrailEntry.objects.filter(object_kind="emergencyopening", action="change").count() == 1


def test_nobody_else_ends_it(client, runner, owner, helper):
    made = open_in_emergency(runner, helper)
    client.force_login(StaffFactory())

    assert client.post(reverse("emergency-end", args=[made.pk])).status_code == 404
    assert opens(helper, runner)


def test_what_is_open_now_stands_on_the_page(client, runner, helper):
    ask(client, helper, number=runner.number)

    page = text(client.get(reverse("emergency-open")))

    assert "Ottoline Quellenstein" in page
    assert "until 16:00" in page


# those who answer for it


def first_page(client, staff):
    client.force_login(staff)
    return client.get(reverse("today"))


def test_owner_and_manager_are_told_until_each_has_said_a_word(client, runner, owner, helper):
    ask(client, helper, number=runner.number)
    made, manager = EmergencyOpening.objects.get(), StaffFactory(role="manager")
    address = reverse("emergency-seen", args=[made.pk])
    before = [text(first_page(client, it)) for it in (owner, manager)]

    client.force_login(owner)
    client.post(address, {"word": ""})
    still = text(first_page(client, owner))
    client.post(address, {"word": "Right, she fell"})
    after = [text(first_page(client, it)) for it in (owner, manager)]
    client.post(address, {"word": "Agreed"})

    opened = "Jonas Reed opened"
    assert [opened in it for it in (*before, still, *after)] == [True, True, True, False, True]
    assert opened not in text(first_page(client, manager))
    made.refresh_from_db()
    assert (made.owner_word, made.manager_word, made.manager_seen_by) == (
        "Right, she fell",
        "Agreed",
        manager,
    )


def test_second_managers_words_are_not_said_to_be_kept(client, runner, owner, helper):
    ask(client, helper, number=runner.number)
    address = reverse("emergency-seen", args=[EmergencyOpening.objects.get().pk])
    said = []
    for word in ("Agreed", "I do not agree"):
        client.force_login(StaffFactory(role="manager"))
        said.append(text(client.post(address, {"word": word}, follow=True)))

    assert ["Marked as seen" in it for it in said] == [True, False]
    assert "your words were not kept" in said[1]
    assert EmergencyOpening.objects.get().manager_word == "Agreed"


def test_manager_without_a_right_is_told_without_the_person(client, runner, owner, helper):
    manager, auditor = StaffFactory(role="manager"), StaffFactory(role="auditor")
    reason = "Ottoline QUELLENSTEIN collapsed on the treadmill"
    ask(client, helper, number=runner.number, reason=reason)
    made = EmergencyOpening.objects.get()
    client.force_login(owner)
    client.post(reverse("emergency-seen", args=[made.pk]), {"word": "Ottoline was glad"})

    pages = [first_page(client, manager)]
    for staff in (manager, auditor):
        client.force_login(staff)
        pages.append(client.get(reverse("emergency-list")))
    mine = text(first_page(client, owner))
    client.force_login(owner)
    own_list = text(client.get(reverse("emergency-list")))

    named = re.compile(f"ottoline|quellenstein|{runner.number}", re.IGNORECASE)
    for page in pages:
        assert "… … collapsed on the treadmill" in text(page)
        assert not named.search(page.content.decode())
    assert "Ottoline QUELLENSTEIN collapsed" in own_list
    assert "Jonas Reed opened" not in mine


def test_who_opened_it_is_not_who_looks_at_it_as_manager(client, runner):
    both = StaffFactory()
    both.groups.add(StaffFactory(role="manager").groups.get())
    ask(client, both, number=runner.number)

    assert "opened the record" not in text(first_page(client, both))


@pytest.mark.parametrize(
    ("role", "home", "sees"),
    [
        ("manager", "here", True),
        ("auditor", "here", True),
        ("clinician", "here", False),
        ("manager", "elsewhere", False),
        ("auditor", "elsewhere", False),
    ],
)
def test_list_of_all_openings_is_the_managers_and_auditors(client, owner, role, home, sees):
    opening_of(owner)
    site = owner.home_site if home == "here" else SiteFactory(code="QY", name="Quay")
    client.force_login(StaffFactory(role=role, home_site=site))

    page = client.get(reverse("emergency-list"))

    assert len(page.context["rows"]) == sees


@pytest.mark.parametrize("rows", [1, 40])
def test_queries_do_not_grow(client, owner, rows, django_assert_num_queries):
    for _ in range(rows):
        opening_of(owner)
    manager = StaffFactory(role="manager")
    client.force_login(manager)

    with django_assert_num_queries(7):
        page = client.get(reverse("emergency-list"))

    assert text(page).count("Restricted record") == rows


@pytest.mark.parametrize("rows", [1, 40])
def test_notices_ask_as_often_for_one_as_for_forty(client, owner, rows, django_assert_num_queries):
    for _ in range(rows):
        opening_of(owner)
        ended_line(owner)
    client.force_login(owner)

    with django_assert_num_queries(10):
        page = client.get(reverse("today"))

    assert text(page).count("Mark as seen") == rows
    assert text(page).count("ended the restriction of") == rows


@pytest.mark.parametrize("rows", [1, 40])
def test_what_is_open_now_asks_as_often_for_one_as_for_forty(
    client, owner, helper, rows, django_assert_num_queries
):
    for _ in range(rows):
        open_in_emergency(ClientFactory(), helper)
    client.force_login(helper)

    with django_assert_num_queries(6):
        page = client.get(reverse("emergency-open"))

    assert text(page).count("until 16:00") == rows


def test_owner_of_a_joined_record_is_told(client, owner, helper, runner):
    other = ClientFactory()
    RecordLinkFactory(kept=runner, joined=other, joined_by=owner)

    ask(client, helper, number=other.number)

    made = EmergencyOpening.objects.get()
    assert (made.client, made.restriction, made.owner) == (other, None, owner)


def test_names_are_put_out_of_a_text():
    said = without_names("Ottoline's knee, QUELLENSTEIN, Mr Q", ["Ottoline Q", "Quellenstein"])

    assert said == "…'s knee, …, Mr Q"
