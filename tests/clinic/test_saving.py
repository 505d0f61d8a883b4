"""What pages that save as they are typed ask the server for."""

import json
import re
from uuid import uuid4

import pytest
from django.core.cache import cache
from django.urls import reverse

from assessments.models import Observation
from clinic import unsent
from clinic.domain.vocabulary import Role
from clinic.models import Client, TrailEntry
from tests.factories import SiteFactory, StaffFactory
from tests.factories.consult import make_assessment
from tests.factories.limits import restrict

PAGE = "/clients/"


@pytest.fixture
def site(db):
    cache.clear()
    return SiteFactory()


@pytest.fixture
def ines(site):
    return StaffFactory(home_site=site, role=Role.CLINICIAN, first_name="Ines")


@pytest.fixture
def jonas(site):
    return StaffFactory(home_site=site, role=Role.CLINICIAN, first_name="Jonas")


@pytest.fixture
def draft(edition, ines):
    return make_assessment(edition=edition, by=ines)


def opened(client, staff, address=PAGE):
    client.force_login(staff)
    fields = {"address": address, "shown": unsent.shown_to(staff, address)}
    return client.post(reverse("page-opened"), fields)


def test_key_is_the_same_for_one_person_and_page_and_differs_for_all_others(client, ines, jonas):
    first = opened(client, ines).json()
    again = opened(client, ines).json()
    other_page = opened(client, ines, "/diary/").json()
    other_person = opened(client, jonas).json()

    assert (first["key"], first["slot"]) == (again["key"], again["slot"])
    assert len({it["key"] for it in (first, other_page, other_person)}) == 3
    assert len({it["slot"] for it in (first, other_page, other_person)}) == 3
    assert first["person"] == other_page["person"] != other_person["person"]


def test_key_changes_with_the_secret_of_the_clinic(ines, settings):
    before = unsent.key_of(ines, PAGE)
    settings.SECRET_KEY = "another secret of another clinic"

    assert unsent.key_of(ines, PAGE) != before


@pytest.mark.parametrize("address", ["", "/no-such-page/", "/clients/" + "9" * 300, "x"])
def test_no_key_for_what_is_no_page(client, ines, address):
    assert opened(client, ines, address).status_code == 400


def test_no_key_for_a_page_of_another_role(client, site, draft):
    reception = StaffFactory(home_site=site, role=Role.RECEPTION)

    assert opened(client, reception, f"/assessments/{draft.pk}/").status_code == 400
    assert opened(client, reception, PAGE).status_code == 200


def test_ticket_leads_its_owner_and_nobody_else_to_the_page(client, ines, jonas):
    ticket = opened(client, ines, PAGE).json()["ticket"]
    asked = {"ticket": [ticket, "not a ticket"]}

    assert client.post(reverse("unsent-pages"), asked).json() == {ticket: PAGE}
    client.force_login(jonas)
    assert client.post(reverse("unsent-pages"), asked).json() == {}


def test_page_says_who_else_has_it_open_until_they_leave(client, ines, jonas, site):
    elsewhere = StaffFactory(
        home_site=SiteFactory(code="QY", name="Quayside"), role=Role.CLINICIAN
    )
    opened(client, elsewhere)
    opened(client, ines)

    others = opened(client, jonas).json()["others"]
    assert [one["name"].split()[0] for one in others] == ["Ines"]
    assert opened(client, jonas, "/diary/").json()["others"] == []

    client.force_login(ines)
    client.post(reverse("page-closed"), {"address": PAGE})
    assert opened(client, jonas).json()["others"] == []


def told(client, address, **fields):
    answer = client.post(reverse("page-opened"), {"address": address} | fields)
    return [one["name"].split()[0] for one in answer.json()["others"]]


def test_who_has_it_open_is_told_to_those_who_were_shown_the_page(client, ines, jonas, draft):
    """A colleague without a right to the record is neither told nor named (ASVS 5.0.0, 8.2.2)."""
    address = reverse("assessment-open", args=[draft.pk])

    def shown_on(staff):
        client.force_login(staff)
        return re.findall(r'data-shown="(\w+)"', client.get(address).content.decode())

    [of_ines] = shown_on(ines)
    assert told(client, address, shown=of_ines) == []
    [of_jonas] = shown_on(jonas)
    assert told(client, address, shown=of_jonas) == ["Ines"]
    restrict(draft.client, ines)
    assert shown_on(jonas) == []

    for fields in ({}, {"shown": of_ines}, {"shown": "é"}):
        assert told(client, address, **fields) == []
    cache.clear()
    told(client, address)
    client.force_login(ines)
    assert told(client, address, shown=of_ines) == []


# answers under an id of the page


def sent(client, draft, fields, **headers):
    address = reverse("assessment-answers", args=[draft.pk])
    return client.post(address, {"trial": 1} | fields, headers=headers)


def cadence(value, seen="0;;;;", **more):
    return {"o.cadence.none.value": value, "o.cadence.none.seen": seen} | more


def test_answer_sent_twice_counts_once(client, draft, ines):
    client.force_login(ines)
    act = str(uuid4())

    first = sent(client, draft, cadence("166"), **{"X-Act": act})
    again = sent(client, draft, cadence("166"), **{"X-Act": act})

    assert (first.status_code, again.status_code) == (200, 200)
    assert b"saved at" in again.content
    assert Observation.objects.get().version == 1
    assert TrailEntry.objects.filter(action="change").count() == 1


def test_answer_sent_again_does_not_undo_a_newer_one(client, draft, ines):
    client.force_login(ines)
    act = str(uuid4())
    sent(client, draft, cadence("166"), **{"X-Act": act})
    newer = cadence("170", seen="1;;166;;video_2d", **{"o.cadence.none.method": "video_2d"})
    sent(client, draft, newer, **{"X-Act": str(uuid4())})

    again = sent(client, draft, cadence("166"), **{"X-Act": act})

    assert again.status_code == 200
    assert Observation.objects.get().value == 170


def test_act_of_another_person_is_no_excuse(client, draft, ines, jonas):
    act = str(uuid4())
    client.force_login(ines)
    sent(client, draft, cadence("166"), **{"X-Act": act})
    client.force_login(jonas)

    assert sent(client, draft, cadence("170"), **{"X-Act": act}).status_code == 409
    assert Observation.objects.get().value == 166


def test_overtaken_answer_shows_both_and_asks(client, draft, ines, jonas):
    client.force_login(jonas)
    sent(client, draft, cadence("160"), **{"X-Act": str(uuid4())})
    client.force_login(ines)

    told = sent(client, draft, cadence("172"), **{"X-Act": str(uuid4())})

    assert told.status_code == 409
    text = told.content.decode()
    assert "saved “160”" in text
    assert "you gave “172”" in text
    assert 'name="o.cadence.none.keep"' in text
    assert 'name="o.cadence.none.seen" value="1;;160;;video_2d"' in text


def test_taking_what_is_saved_draws_it(client, draft, ines, jonas):
    client.force_login(jonas)
    sent(client, draft, cadence("160"), **{"X-Act": str(uuid4())})
    client.force_login(ines)

    taken = cadence("172", **{"o.cadence.none.take": "yes"})
    told = sent(client, draft, taken, **{"X-Act": str(uuid4())})

    assert told.status_code == 200
    assert 'value="160"' in told.content.decode()
    assert Observation.objects.get().value == 160


def test_refused_answer_is_told_apart(client, draft, ines):
    client.force_login(ines)

    told = sent(client, draft, cadence("999"), **{"X-Act": str(uuid4())})

    assert told.status_code == 422
    assert b"240" in told.content


def test_ended_sign_in_is_told_without_being_sent_away(client, draft):
    told = sent(client, draft, cadence("166"), **{"X-Act": str(uuid4())})
    plain = sent(client, draft, cadence("166"))

    assert told.status_code == 401
    assert plain.status_code == 302


def test_nothing_is_taken_from_the_page_of_another_person(client, draft, ines, jonas):
    owner = opened(client, ines).json()["person"]
    client.force_login(jonas)

    told = sent(client, draft, cadence("166"), **{"X-Act": str(uuid4()), "X-Person": owner})

    assert (told.status_code, told.headers["X-Why"]) == (403, "person")
    assert not Observation.objects.exists()


def test_words_overtaken_show_both_and_ask(client, draft, ines, jonas):
    client.force_login(jonas)
    sent(client, draft, {"w.words": "It aches.", "w.words.seen": ""}, **{"X-Act": str(uuid4())})
    client.force_login(ines)
    act = str(uuid4())

    told = sent(client, draft, {"w.words": "It stings.", "w.words.seen": ""}, **{"X-Act": act})
    text = told.content.decode()
    kept = {"w.words": "It stings.", "w.words.seen": "It aches."}
    kept_answer = sent(client, draft, kept, **{"X-Act": act})

    assert told.status_code == 409
    assert "It aches." in text
    assert "It stings." in text
    assert kept_answer.status_code == 200
    draft.refresh_from_db()
    assert draft.words == "It stings."


def test_trail_of_words_holds_no_word(client, draft, ines):
    client.force_login(ines)

    sent(client, draft, {"w.words": "It aches.", "w.words.seen": ""}, **{"X-Act": str(uuid4())})

    assert "aches" not in json.dumps(list(TrailEntry.objects.values_list("detail", flat=True)))


# forms that are pressed twice


def test_register_pressed_twice_shows_the_first_record(client, ines):
    client.force_login(ines)
    typed = {
        "given_names": "Orla",
        "family_name": "Fenwick",
        "birth_date": "12.3.1990",
        "preferred_channel": "letter",
        "document_format": "standard",
        "allergies_known": "not_asked",
        "medicines_known": "not_asked",
        "act": str(uuid4()),
    }

    first = client.post(reverse("client-new"), typed)
    again = client.post(reverse("client-new"), typed)

    runner = Client.objects.get()
    assert first.url == again.url == reverse("client-open", args=[runner.pk])


def test_form_draws_an_id_and_keeps_it_while_it_is_refused(client, ines):
    client.force_login(ines)
    act = str(uuid4())

    fresh = [client.get(reverse("client-new")).content.decode() for _ in range(2)]
    refused = client.post(reverse("client-new"), {"act": act, "given_names": "Orla"})

    drawn = [re.search(r'name="act" value="([0-9a-f-]{36})"', page).group(1) for page in fresh]
    assert drawn[0] != drawn[1]
    assert f'name="act" value="{act}"' in refused.content.decode()
    assert not Client.objects.exists()
