"""Pages of clients, referrers, consents and alerts: what they do and who may open them."""

from datetime import UTC, date, datetime

import pytest
import time_machine
from django.urls import reverse

from clinic.domain.vocabulary import ConsentPurpose, Role
from clinic.models import Alert, Client, Consent, Referrer, TrailEntry
from tests.factories import ClientFactory, ReferrerFactory, SiteFactory, StaffFactory
from tests.factories.people import AlertFactory, ConsentFactory

TYPED = {
    "given_names": "Zoë",
    "family_name": "Ørsted",
    "birth_date": "12.4.1990",
    "telephone": "01632 960 100",
    "preferred_channel": "letter",
    "document_format": "standard",
    "allergies_known": "not_asked",
    "medicines_known": "none_known",
}


@pytest.fixture(autouse=True)
def one_day():
    with time_machine.travel(datetime(2026, 6, 1, 10, tzinfo=UTC), tick=False):
        yield


@pytest.fixture
def staff(db, client):
    staff = StaffFactory()
    client.force_login(staff)
    return staff


@pytest.fixture
def reception(db, client):
    staff = StaffFactory(role=Role.RECEPTION)
    client.force_login(staff)
    return staff


def errors_of(response):
    return {name: list(errors) for name, errors in response.context["form"].errors.items()}


# finding


def seek(client, typed, **more):
    """Type into the search and follow where it leads; the address holds nothing of it."""
    found = client.post(reverse("client-list"), {"q": typed})
    assert typed not in found.url
    return client.get(found.url + "".join(f"&{name}={value}" for name, value in more.items()))


def test_enter_opens_the_only_hit(client, staff):
    runner = ClientFactory(search_text="zoe orsted ml00001")
    ClientFactory()

    response = seek(client, "Ørst")

    assert response.url == reverse("client-open", args=[runner.pk])
    assert TrailEntry.objects.get().detail == {"hits": 1}


def test_no_hit_offers_to_register_what_was_typed(client, staff):
    response = seek(client, "Zoë Ørsted")

    where = f"{reverse('client-new')}?sought=yes"
    assert f'href="{where}"' in response.content.decode()
    form = client.get(where).context["form"]
    assert (form["given_names"].value(), form["family_name"].value()) == ("Zoë", "Ørsted")


def test_an_empty_search_lists_and_records_nothing(client, staff):
    ClientFactory()

    response = seek(client, "  ")

    assert "page" not in response.context
    assert not TrailEntry.objects.exists()


@pytest.mark.parametrize("rows", [2, 40])
def test_queries_of_the_search_do_not_grow(client, staff, rows, django_assert_num_queries):
    ClientFactory.create_batch(rows, site=staff.home_site, given_names="Orla")

    found = client.post(reverse("client-list"), {"q": "orla"})
    client.get(found.url)  # the first line of a trail costs more
    # session, person, roles, count, head and line of the trail, rows, home site of the strip
    with django_assert_num_queries(9):
        response = client.get(found.url)

    assert response.content.count(b">Fenwick") == rows


def test_hits_come_in_pages_of_fifty(client, staff):
    ClientFactory.create_batch(51, site=staff.home_site, given_names="Orla")

    response = seek(client, "orla", page=2)

    assert response.content.count(b">Fenwick") == 1
    assert "?sought=yes&amp;page=1" in response.content.decode()


# registering


def test_a_client_is_registered(client, staff):
    response = client.post(reverse("client-new"), TYPED)

    runner = Client.objects.get()
    assert response.url == reverse("client-open", args=[runner.pk])
    assert (runner.number, runner.birth_date, runner.medicines_known) == (
        "ML00001",
        date(1990, 4, 12),
        "none_known",
    )


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        ({"birth_date": "2.6.2026"}, "birth_date"),
        ({"birth_date": "31.12.1899"}, "birth_date"),
        ({"birth_date": "someday"}, "birth_date"),
        ({"family_name": ""}, "family_name"),
        ({"allergies_known": "listed"}, "allergies"),
        ({"medicines": "one"}, "medicines"),
        ({"email": "no"}, "email"),
    ],
)
def test_a_mistake_stands_beside_its_field_and_all_typed_stays(client, staff, wrong, place):
    response = client.post(reverse("client-new"), TYPED | wrong)

    assert list(errors_of(response)) == [place]
    assert 'value="01632 960 100"' in response.content.decode()
    assert not Client.objects.exists()


def test_a_possible_double_is_asked_about_before_saving(client, staff):
    other = ClientFactory(family_name="Orsted", birth_date=date(1990, 4, 12))

    response = client.post(reverse("client-new"), TYPED)

    assert response.context["doubles"] == [other]
    assert reverse("client-open", args=[other.pk]) in response.content.decode()
    assert Client.objects.count() == 1

    client.post(reverse("client-new"), TYPED | {"another_person": f"{other.pk} "})
    assert Client.objects.count() == 2


def test_a_double_that_was_not_shown_is_asked_about_again(client, staff):
    seen = ClientFactory(family_name="Orsted", birth_date=date(1990, 4, 12))
    ClientFactory(family_name="Orstedt", birth_date=date(1990, 4, 12))

    response = client.post(reverse("client-new"), TYPED | {"another_person": str(seen.pk)})

    assert len(response.context["doubles"]) == 2


def test_a_person_without_a_site_is_told_so(client, staff):
    staff.home_site = None
    staff.save()

    response = client.post(reverse("client-new"), TYPED)

    assert errors_of(response) == {
        "__all__": ["Your account has no site: ask the clinic manager."]
    }


def test_reception_registers_without_clinical_fields(client, reception):
    form = client.get(reverse("client-new")).context["form"]
    assert "telephone" in form.fields
    assert "allergies" not in form.fields

    client.post(reverse("client-new"), TYPED)

    assert Client.objects.get().medicines_known == "not_asked"


def test_a_doctor_is_added_on_the_way_and_nothing_typed_is_lost(client, staff):
    form = reverse("client-new")

    away = client.post(form, TYPED | {"add_referrer": "yes", "birth_date": "12.4."})
    assert away.url == f"{reverse('referrer-new')}?back={form}"
    back = client.post(away.url, {"name": "Dr Alder", "kind": "doctor"})
    assert back.url == form
    shown = client.get(form).context["form"]

    assert shown["birth_date"].value() == "12.4."
    assert shown["doctor"].value() == str(Referrer.objects.get().pk)
    assert client.get(form).context["form"]["birth_date"].value() is None


def test_a_doctor_in_the_list_is_not_added_twice(client, staff):
    ReferrerFactory(name="Dr Alder", practice="")

    response = client.post(reverse("referrer-new"), {"name": "dr alder", "kind": "doctor"})

    assert errors_of(response) == {"name": ["This name stands in the list already."]}


def shown_of(client, referrer):
    form = client.get(reverse("referrer-edit", args=[referrer.pk])).context["form"]
    return {name: form[name].value() for name in form.fields}


def test_a_doctor_who_moved_is_corrected(client, staff):
    doctor = ReferrerFactory(name="Dr Alder", practice="Hill Surgery")
    typed = shown_of(client, doctor) | {"practice": "Lane Surgery"}

    answer = client.post(reverse("referrer-edit", args=[doctor.pk]), typed)

    doctor.refresh_from_db()
    assert (answer.status_code, doctor.practice) == (302, "Lane Surgery")
    line = TrailEntry.objects.get(object_kind="referrer")
    assert (line.action, line.detail) == ("change", {"fields": ["practice"]})


def test_what_a_colleague_corrected_meanwhile_is_not_written_over(client, staff):
    doctor = ReferrerFactory(name="Dr Alder")
    before = shown_of(client, doctor)
    Referrer.objects.filter(pk=doctor.pk).update(telephone="111")
    address = reverse("referrer-edit", args=[doctor.pk])

    page = client.post(address, before | {"telephone": "999"})
    merged = client.post(address, before | {"email": "dr.alder@example.org"})

    doctor.refresh_from_db()
    assert "Somebody else changed this to 111 meanwhile" in page.content.decode()
    assert page.context["form"]["telephone"].value() == "999"
    assert merged.status_code == 302
    assert (doctor.telephone, doctor.email) == ("111", "dr.alder@example.org")


def test_a_doctor_does_not_become_another_one(client, staff):
    ReferrerFactory(name="Dr Alder", practice="")
    other = ReferrerFactory(name="Dr Birch", practice="")

    response = client.post(
        reverse("referrer-edit", args=[other.pk]), shown_of(client, other) | {"name": "dr alder"}
    )

    assert errors_of(response) == {"name": ["This name stands in the list already."]}


def test_a_doctor_of_another_site_is_not_found(client, staff):
    doctor = ReferrerFactory(site=SiteFactory(code="QY", name="Quay"))

    assert client.get(reverse("referrer-edit", args=[doctor.pk])).status_code == 404


def test_the_record_leads_to_its_doctor(client, staff):
    runner = ClientFactory(doctor=ReferrerFactory(name="Dr Alder"))

    page = client.get(reverse("client-open", args=[runner.pk])).content.decode()

    assert reverse("referrer-edit", args=[runner.doctor_id]) in page


def test_a_made_up_way_back_is_not_followed(client, staff):
    where = f"{reverse('referrer-new')}?back=https://elsewhere.example/"

    response = client.post(where, {"name": "Dr Alder", "kind": "doctor"})

    assert response.url == reverse("client-list")


# changing


def edited(runner, **fields):
    return TYPED | {"family_name": runner.family_name, "version": runner.version} | fields


def test_a_client_is_changed(client, staff):
    runner = ClientFactory()

    response = client.post(reverse("client-edit", args=[runner.pk]), edited(runner))

    assert response.url == reverse("client-open", args=[runner.pk])
    runner.refresh_from_db()
    assert (runner.given_names, runner.version) == ("Zoë", 2)


def test_a_changed_telephone_is_looked_up_among_the_others(client, staff):
    ClientFactory(telephone="01632 960 100", search_text="1632960100")
    runner = ClientFactory(birth_date=date(1970, 1, 1), telephone="0")

    response = client.post(reverse("client-edit", args=[runner.pk]), edited(runner))

    assert len(response.context["doubles"]) == 1


def test_a_stale_change_shows_both_values_and_lets_choose(client, staff):
    runner = ClientFactory(given_names="Orla", birth_date=date(1990, 4, 12))
    Client.objects.filter(pk=runner.pk).update(
        version=2, telephone="01632 960 177", language="Cym"
    )
    where = reverse("client-edit", args=[runner.pk])

    stale = client.post(where, edited(runner, language="Welsh"))

    assert stale.status_code == 409
    clashes = {it["name"]: (it["stored"], it["typed"]) for it in stale.context["clashes"]}
    assert clashes["telephone"] == ("01632 960 177", "01632 960 100")
    assert clashes["language"] == ("Cym", "Welsh")
    assert Client.objects.get().language == "Cym"

    chosen = dict(stale.context["typed"]) | {
        "keep-telephone": "stored",
        "keep-language": "typed",
        "keep-given_names": "stored",
    }
    client.post(where, chosen)
    runner.refresh_from_db()
    assert (runner.telephone, runner.language, runner.given_names, runner.version) == (
        "01632 960 177",
        "Welsh",
        "Orla",
        3,
    )


def test_line_ends_of_a_browser_are_no_change(client, staff):
    runner = ClientFactory(address="3 Brook Street\nLarkfield", birth_date=date(1990, 4, 12))

    client.post(
        reverse("client-edit", args=[runner.pk]),
        edited(runner, address="3 Brook Street\r\nLarkfield", given_names="Orla"),
    )

    assert "address" not in TrailEntry.objects.get().detail["fields"]
    assert "telephone" in TrailEntry.objects.get().detail["fields"]


def test_the_page_of_a_refused_change_still_names_the_stored_client(client, staff):
    runner = ClientFactory(given_names="Orla")

    response = client.post(
        reverse("client-edit", args=[runner.pk]), edited(runner, birth_date="2.6.2026")
    )

    assert response.context["client"].given_names == "Orla"


# consents and alerts


def test_consents_are_asked_one_by_one(client, staff):
    runner = ClientFactory()
    where = reverse("consent-list", args=[runner.pk])
    assert client.get(where).content.decode().count("not asked") == len(ConsentPurpose)

    client.post(
        reverse("consent-new", args=[runner.pk, "filming"]),
        {"given": "no", "given_on": "1.6.2026", "manner": "spoken", "given_as": "client"},
    )

    page = client.get(where).content.decode()
    assert page.count("not asked") == len(ConsentPurpose) - 1
    assert Consent.objects.get().given is False


def test_a_giver_is_asked_for_a_child(client, staff):
    runner = ClientFactory(birth_date=date(2012, 1, 1))
    where = reverse("consent-new", args=[runner.pk, "filming"])

    response = client.post(
        where, {"given": "yes", "given_on": "1.6.2026", "manner": "spoken", "given_as": "client"}
    )

    assert list(errors_of(response)) == ["given_by"]


def test_an_unknown_purpose_is_not_found(client, staff):
    assert (
        client.get(reverse("consent-new", args=[ClientFactory().pk, "selling"])).status_code == 404
    )


def test_a_consent_is_withdrawn_and_stays_in_sight(client, staff):
    runner = ClientFactory()
    consent = ConsentFactory(client=runner, taken_by=staff)
    where = reverse("consent-withdraw", args=[consent.pk])
    early = client.post(where, {"on": "9.1.2026"})
    assert list(errors_of(early)) == ["on"]

    response = client.post(where, {"on": "1.6.2026"})

    page = client.get(response.url).content.decode()
    assert "Withdrawn on 1 Jun 2026" in page
    assert client.get(where).status_code == 404


def test_an_alert_is_added_and_ended(client, reception):
    runner = ClientFactory()

    client.post(
        reverse("alert-new", args=[runner.pk]),
        {"kind": "access", "text": "Step at the door", "since": "1.6.2026"},
    )
    alert = Alert.objects.get()
    late = client.post(reverse("alert-end", args=[alert.pk]), {"on": "2.6.2026"})
    assert list(errors_of(late)) == ["on"]
    client.post(reverse("alert-end", args=[alert.pk]), {"on": "1.6.2026"})

    alert.refresh_from_db()
    assert alert.ended_on == date(2026, 6, 1)


# doors


def address(name, runner, staff):
    if name == "consent-withdraw":
        return reverse(name, args=[ConsentFactory(client=runner, taken_by=staff).pk])
    if name == "alert-end":
        return reverse(name, args=[AlertFactory(client=runner).pk])
    if name == "consent-new":
        return reverse(name, args=[runner.pk, "filming"])
    if name in {"client-list", "client-new", "referrer-new"}:
        return reverse(name)
    return reverse(name, args=[runner.pk])


OF_A_CLIENT = [
    "client-edit",
    "consent-list",
    "consent-new",
    "consent-withdraw",
    "alert-new",
    "alert-end",
]
CLINICAL = ["consent-list", "consent-new", "consent-withdraw"]
ALL = [*OF_A_CLIENT, "client-list", "client-new", "referrer-new"]


@pytest.mark.parametrize("name", ALL)
def test_a_clinician_of_the_site_gets_in(client, staff, name):
    assert client.get(address(name, ClientFactory(), staff)).status_code == 200


@pytest.mark.parametrize("name", OF_A_CLIENT)
def test_a_colleague_of_another_site_finds_nothing(client, staff, name):
    where = address(name, ClientFactory(), staff)
    assert client.get(where).status_code == 200
    client.force_login(StaffFactory(home_site=SiteFactory(code="HR", name="Harbour Road")))

    assert client.get(where).status_code == 404


@pytest.mark.parametrize("name", ALL)
def test_reception_stays_out_of_consents_only(client, reception, name):
    where = address(name, ClientFactory(), reception)

    assert client.get(where).status_code == (403 if name in CLINICAL else 200)


@pytest.mark.parametrize("name", ALL)
def test_nobody_gets_in_without_signing_in(client, db, name):
    where = address(name, ClientFactory(), StaffFactory())

    assert client.get(where).url.startswith(reverse("account_login"))
