"""A restricted record is, for everybody else, a record that does not exist: every page tried.

Source of what is asked: OWASP ASVS 5.0.0, 8.2.2 and 8.2.3 (access to each object, not to the page
alone); 45 CFR 164.312(a)(1).
"""

import re
from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.core.cache import cache
from django.db import transaction
from django.test import Client as Browser
from django.urls import reverse

from clinic.domain.vocabulary import Role, TrailAction
from clinic.services import trail
from clinic.services.legal_holds import set_legal_hold
from tests.factories import AppointmentFactory, ClientFactory, SiteFactory, StaffFactory
from tests.factories.hours import WaitingEntryFactory
from tests.factories.limits import open_in_emergency, restrict
from tests.factories.people import PaperFactory, ReassessmentFactory, RecordRequestFactory
from tests.factories.retention import waiting_review
from tests.structure.doors import World, our_doors
from tests.structure.forms import forms_of

pytestmark = pytest.mark.django_db
METHODS = ("GET", "HEAD", "POST")
# arguments that belong to no client
OF_THE_CLINIC = {"keys", "staff", "invitations", "sites", "rooms", "weeks", "changes", "kinds"} | {
    "calendars",
    "referrers",
    "library",
    "policy",
    "restriction-ends",  # the owner's own
    "teams",
    "openings",  # the owner's and the manager's, told without the client
    "restrictions",  # told to the manager without the client
}
# words beside the number of an object: which consent, which act, which version
BESIDE = {("steps", "step"), ("consents", "purpose"), ("state", "act"), ("versions", "number")}
# what differs from answer to answer: its reference, the value against forged requests, seconds
ONCE = re.compile(rb'[0-9A-F]{4}-[0-9A-F]{4}|[A-Za-z0-9]{64}|data-(idle|whole)="\d+"')


@pytest.fixture(autouse=True)
def empty_cache():
    yield
    cache.clear()


def keys(door):
    """The arguments of an address that are numbers of a client's rows."""
    return [it for it in door.arguments if it[0] not in OF_THE_CLINIC and it not in BESIDE]


def of_clients():
    return [door for door in our_doors() if keys(door)]


def nowhere(door, world):
    """The same address with numbers that nobody has."""
    kwargs = {
        name: 10**9 if (word, name) in keys(door) else world[word, name]
        for word, name in door.arguments
    }
    return reverse(door.name, kwargs=kwargs)


def tab_of(staff):
    tab = Browser(raise_request_exception=False)
    tab.force_login(staff)
    return tab


def forms_by_address(world, owner):
    """What the pages send to each address, with values that pass as far as the page tells."""
    found = {}
    for door in our_doors():
        address = door.address(world)
        answer = owner.get(address)
        if answer.status_code == 200 and "html" in answer.headers["Content-Type"]:
            for form in forms_of(answer.content.decode(), address):
                if form.method == "post":
                    found.setdefault(form.to.partition("?")[0], form.fields)
    return found


def asked(tab, method, address, fields):
    """Status, place and body of the answer; afterwards everything is as before."""
    with transaction.atomic():
        answer = tab.post(address, fields) if method == "POST" else tab.generic(method, address)
        body = answer.getvalue()
        transaction.set_rollback(True)
    return answer.status_code, answer.headers.get("Location", ""), ONCE.sub(b"", body)


def test_every_argument_of_an_address_is_of_a_client_or_of_the_clinic():
    said = {
        *("clients", "consents", "alerts", "papers", "due", "appointments", "waiting"),
        *("episodes", "assessments", "screening-answers", "programmes", "programme-items"),
        *("trials", "requests", "legal-holds", "destructions", "emergency", "links"),
    }

    assert {word for door in of_clients() for word, _ in keys(door)} == said


def test_a_restricted_object_is_for_others_as_one_that_does_not_exist(edition):
    owner = StaffFactory(username="owner")
    world = World(owner, edition)
    addresses = {door: door.address(world) for door in of_clients()}
    forms = forms_by_address(world, tab_of(owner))
    elsewhere = SiteFactory(code="QY", name="Quay")
    others = [StaffFactory(role=role) for role in Role]
    strangers = [StaffFactory(role=role, home_site=elsewhere) for role in Role]
    reached = {  # before the restriction a colleague reaches them: the test can fail
        door.name
        for door, address in addresses.items()
        if asked(tab_of(others[0]), "GET", address, {})[0] == 200
    }
    restrict(world.runner, owner)
    tried, told = 0, []

    for staff in (*others, *strangers):
        tab = tab_of(staff)
        for door, address in addresses.items():
            if not staff.roles & door.view.roles:
                continue
            for method in METHODS:
                fields = forms.get(address, {})
                here = asked(tab, method, address, fields)
                none = asked(tab, method, nowhere(door, world), fields)
                tried += 1
                if here != none or here[0] not in {404, 405}:
                    told.append((door.name, method, str(staff.roles), here[0], none[0]))

    assert told == [], f"{len(told)} of {tried} tries told something"
    assert (len(reached) > 35, tried > 600, sum(map(bool, forms.values())) > 40) == (
        True,
        True,
        True,
    ), (len(reached), tried, len(forms))


def test_the_owner_still_reaches_every_object(edition):
    owner = StaffFactory(username="owner")
    world = World(owner, edition)
    addresses = [
        door.address(world)
        for door in of_clients()
        # the end of a restriction is there with it only
        if Role.CLINICIAN in door.view.roles and door.name != "restriction-end"
    ]
    tab = tab_of(owner)
    before = [asked(tab, "GET", address, {})[0] for address in addresses]

    restrict(world.runner, owner)

    assert [asked(tab, "GET", address, {})[0] for address in addresses] == before
    assert before.count(200) > 35


# names in lists, titles, files, mails and feeds

NOON = datetime(2027, 3, 15, 12, tzinfo=UTC)
HIDDEN = {
    "family_name": "Quellenstein",
    "given_names": "Ottoline",
    "number": "ML70707",
    "birth_date": date(1987, 11, 23),
    "telephone": "01632 960 787",
    "email": "ottoline@example.org",
    "address": "8 Weir Cottages",
    "search_text": "ottoline quellenstein ml70707 01632960787",
}
TOLD = re.compile(
    "quellenstein|ottoline|70707|1987-11-23|23 nov 1987|23 november 1987|23.11.1987|960 ?787|weir",
    re.IGNORECASE,
)


def rows_in_every_list(runner, owner, other):
    """What would show the runner in lists of today, tomorrow, what is due, waits, was booked."""
    today = NOON.date()
    states = [(today, "booked"), (today, "arrived"), (today, "cancelled"), (today, "seen")]
    states += [(today + timedelta(days=1), "booked"), (today + timedelta(days=2), "booked")]
    for hour, (day, state) in enumerate(states, 10):
        for clinician in (owner, other):
            AppointmentFactory(
                client=runner,
                clinician=clinician,
                state=state,
                local_date=day,
                local_time=time(hour),
                room__name=f"Den {clinician.pk}",
            )
    ReassessmentFactory(client=runner, clinician=other, due_on=today)
    WaitingEntryFactory(client=runner, asked_by=other)
    PaperFactory(client=runner, created_by=other, title="Letter about Ottoline")
    set_legal_hold(client=runner, reason="Claim of Ottoline", by=other)
    waiting_review(runner, other)
    RecordRequestFactory(client=runner, noted_by=other, received_on=today, due_on=today)
    helper = StaffFactory(username="helper")
    open_in_emergency(runner, helper, owner=owner, reason="Ottoline Quellenstein fell")
    for action in TrailAction:
        trail.record(action, by=other, row=runner, client=runner, number=runner.number)


QUERIES = {
    "client-list": ("", "?sought=yes"),
    "trail-list": ("", "?page=2"),
    "retention-list": ("", "?part=waiting", "?part=holds"),
    "due-list": (
        "",
        "?show=late",
        "?show=letter",
        "?show=telephone",
        "?show=email",
        "?show=booked",
    ),
}


def pages(world, staff):
    """Every page that this person's roles may look at, asked as a person would: (name, text)."""
    tab = tab_of(staff)
    for door in our_doors():
        if staff.roles & getattr(door.view, "roles", frozenset(Role)):
            for query in QUERIES.get(door.name, ("",)):
                answer = tab.get(door.address(world) + query, follow=True)
                body = ONCE.sub(b"", answer.getvalue()).decode("utf-8", "replace")
                yield door.name, f"{body} {answer.headers} {answer.request['PATH_INFO']}"


def searches(staff):
    """What is found by typing: (name, text)."""
    tab = tab_of(staff)
    for words in ("Quellenstein", "70707", "23.11.1987", "960787"):
        answer = tab.post(reverse("client-list"), {"q": words}, follow=True)
        # the page repeats what was typed
        yield f"search {words}", answer.content.decode().replace(words, "")
    if staff.roles & {Role.MANAGER, Role.AUDITOR}:
        asked_for = {"runner": "Quellenstein"}
        answer = tab.post(reverse("trail-list"), asked_for, follow=True)
        yield "trail", answer.content.decode().replace('value="Quellenstein"', "")
        days = {"first": "1.1.2026", "last": "31.12.2027"}
        if Role.MANAGER in staff.roles:
            yield "export", tab.post(reverse("period-export"), days).getvalue().decode()


def told_in(texts):
    return sorted({name for name, text in texts if TOLD.search(text)})


def test_no_page_list_search_or_file_names_a_restricted_client(edition, time_machine):
    time_machine.move_to(NOON, tick=False)
    other = StaffFactory(username="other")
    owner = StaffFactory(username="owner")
    staff = [other, *(StaffFactory(role=role) for role in Role if role != Role.CLINICIAN)]
    world = World(other, edition)
    runner = ClientFactory(site=world.runner.site, **HIDDEN)
    rows_in_every_list(runner, owner, other)
    shown = {name for person in staff for name in told_in(pages(world, person))}

    restrict(runner, owner)
    found, seen = [], 0
    for person in staff:
        texts = [
            *pages(world, person),
            *((f"search {name}", text) for name, text in searches(person)),
        ]
        seen += len(texts)
        found += [(name, sorted(person.roles)) for name in told_in(texts)]

    assert found == [], f"told in {len(found)} of {seen} answers"
    # before the restriction these name the runner: the test can fail
    assert {
        "today",
        "diary",
        "diary-week",
        "due-list",
        "due-letters",
        "waiting-list",
        "trail-list",
        "hours-open",
        "diary-missed",
        "diary-rooms",
        "diary-rooms-week",
        "retention-list",
        "record-request-list",
        "emergency-list",
    } <= shown
