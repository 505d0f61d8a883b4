"""What the browser is told on every kind of answer (MDN, header reference; OWASP ASVS 3.4)."""

from contextlib import contextmanager
from http.cookies import SimpleCookie

import pytest
from django.core.cache import cache
from django.db import IntegrityError, OperationalError, connection, transaction
from django.test import Client
from django.urls import reverse

from clinic.domain.vocabulary import Role
from tests.exercises.domain.test_handout import WAIT
from tests.factories import ClientFactory, StaffFactory
from tests.factories.people import PaperFactory
from tests.structure.doors import World, all_doors
from tests.structure.header_score import directives, score

A_YEAR = 365 * 24 * 60 * 60
OVER_TLS = {"secure": True}


@contextmanager
def failing(error):
    """Every question for clients fails so; who is signed in is still read."""

    def refuse(execute, sql, params, many, context):
        if 'FROM "clinic_client"' in sql:
            raise error
        return execute(sql, params, many, context)

    with connection.execute_wrapper(refuse):
        yield


@pytest.fixture
def as_served(settings):
    """The settings of a clinic's server that tests are otherwise spared."""
    settings.SECURE_HSTS_SECONDS = A_YEAR
    settings.SECURE_HSTS_INCLUDE_SUBDOMAINS = settings.SECURE_HSTS_PRELOAD = True
    settings.SESSION_COOKIE_SECURE = settings.CSRF_COOKIE_SECURE = True
    settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME = "__Host-sessionid", "__Host-csrf"


@pytest.fixture
def answers(as_served, db, edition):
    """One answer of each kind, by name."""
    clinician, desk = StaffFactory(), StaffFactory(role=Role.RECEPTION)
    runner = ClientFactory(site=clinician.home_site)
    nobody, browser, other = Client(), Client(raise_request_exception=False), Client()
    browser.force_login(clinician)
    other.force_login(desk)
    record = reverse("client-open", args=[runner.pk])
    checked = Client(enforce_csrf_checks=True)
    checked.force_login(clinician)
    found = {
        "sign-in page": nobody.get(reverse("account_login"), **OVER_TLS),
        "sent to sign in": nobody.get(record, **OVER_TLS),
        "own address without its slash": nobody.get("/accounts/login", **OVER_TLS),
        "script without sign-in": nobody.get(record, headers={"X-Act": "x"}, **OVER_TLS),
        "list": browser.get(reverse("client-list"), **OVER_TLS),
        "record": browser.get(record, **OVER_TLS),
        "JSON": browser.get(reverse("sign-in-left"), **OVER_TLS),
        "health": nobody.get("/health/", **OVER_TLS),
        "stylesheet": nobody.get("/static/clinic/clinic.css", **OVER_TLS),
        "script": nobody.get("/static/clinic/saving.js", **OVER_TLS),
        "icon": nobody.get("/static/clinic/mark.svg", **OVER_TLS),
        "400": nobody.get("/", headers={"Host": "elsewhere.example"}, **OVER_TLS),
        "403": other.get(reverse("history-open", args=[runner.pk]), **OVER_TLS),
        "403 forged": checked.post(reverse("client-new"), {}, **OVER_TLS),
        "404": browser.get("/no-such-page/", **OVER_TLS),
        "404 of a file": nobody.get("/static/clinic/no-such.css", **OVER_TLS),
        "405": browser.put(record, **OVER_TLS),
    }
    for kind, error in (
        ("409", IntegrityError("on purpose")),
        ("500", RuntimeError("on purpose")),
        ("503", OperationalError("on purpose")),
    ):
        with failing(error):
            found[kind] = browser.get(record, **OVER_TLS)
    for answer in found.values():
        answer.close()
    return found


def test_kinds_are_what_they_are_called(answers):
    for kind, answer in answers.items():
        if kind[:3].isdigit():
            assert answer.status_code == int(kind[:3]), kind
    assert len(answers) >= 20


def test_every_kind_scores_a_hundred_or_more(answers):
    points = {kind: score(it.headers, it.cookies) for kind, it in answers.items()}

    # 100, +10 policy, +5 frames, +5 referrer, +10 resource; +5 where a cookie is set
    assert {kind for kind, it in points.items() if it < 130} == set()
    assert points["sign-in page"] == 135


@pytest.fixture
def crawled(as_served, db, edition):
    """(what was asked, answer) of every address of ours, by every role and nobody, in two ways."""
    staff = {role: StaffFactory(role=role) for role in Role}
    world = World(staff[Role.CLINICIAN], edition)
    addresses = {
        door.name: door.address(world) if door.ours else reverse(door.name)
        for door in all_doors()
        if door.name and (door.ours or not set("<(") & set(door.route))
    }
    tabs = {"nobody": Client(raise_request_exception=False)}
    for role, person in staff.items():
        tabs[role.value] = Client(raise_request_exception=False)
        tabs[role.value].force_login(person)
    yield asked(tabs, addresses)
    cache.clear()


def asked(tabs, addresses):
    """What is asked and the answer, one at a time; afterwards everything is as before."""
    for who, tab in tabs.items():
        signed_in = {name: it.value for name, it in tab.cookies.items()}
        for name, address in addresses.items():
            for method in ("GET", "POST"):
                with transaction.atomic():
                    answer = tab.generic(method, address, **OVER_TLS)
                    answer.getvalue()  # a file is closed when it was read to its end
                    transaction.set_rollback(True)
                yield (who, name, method), answer
                tab.cookies = SimpleCookie(signed_in)  # one of the addresses signs out


def test_every_address_scores_a_hundred_and_more_whoever_asks(crawled):
    low, kinds, tried = [], set(), 0
    for what, answer in crawled:
        points = score(answer.headers, answer.cookies)
        found = directives(answer.headers)
        tried += 1
        kinds.add(answer.headers.get("Content-Type", "none").partition(";")[0])
        if points < 130 or found.get("default-src") != ["'none'"]:
            low.append((*what, answer.status_code, points))

    assert low == [], f"{len(low)} of {tried} answers below 130"
    assert {"text/html", "application/pdf", "text/calendar", "application/json"} <= kinds
    assert tried > 1400


@pytest.mark.parametrize("kind", ["handout", "letter", "referral"])
def test_every_kind_of_paper_scores_as_the_pages_do(as_served, db, edition, kind):
    clinician = StaffFactory()
    runner = ClientFactory(site=clinician.home_site)
    fields = {"content": WAIT.to_json()} if kind == "handout" else {}
    paper = PaperFactory(client=runner, created_by=clinician, kind=kind, **fields)
    tab = Client()
    tab.force_login(clinician)

    for name in ("paper-open", "paper-page", "paper-pdf"):
        answer = tab.get(reverse(name, args=[paper.pk]), **OVER_TLS)
        assert (answer.status_code, score(answer.headers)) == (200, 130), name
    assert answer["Content-Type"] == "application/pdf"
    assert answer["Content-Disposition"].startswith("inline; filename=")


def test_a_bad_answer_scores_badly():
    """The helper itself: figures of the table, worked by hand."""
    weak = SimpleCookie()
    weak["sessionid"] = "x"
    policy = {"Content-Security-Policy": "default-src 'self'; script-src 'unsafe-inline'"}

    assert score({}) == 100 - 25 - 20 - 5 - 20
    assert score({}, weak) == 100 - 25 - 20 - 5 - 20 - 40
    assert score(policy | {"Strict-Transport-Security": "max-age=600"}) == 100 - 20 - 10 - 5 - 20


def test_content_policy_keeps_to_this_host(answers):
    for kind, answer in answers.items():
        found = directives(answer.headers)
        assert found["default-src"] == ["'none'"], kind
        for name in ("script-src", "style-src", "connect-src", "form-action"):
            assert found[name] == ["'self'"], kind
        for name in ("base-uri", "frame-ancestors", "object-src"):
            assert found[name] == ["'none'"], kind
        assert "unsafe" not in answer["Content-Security-Policy"], kind
        assert "data:" not in answer["Content-Security-Policy"], kind


@pytest.mark.parametrize(
    ("header", "value"),
    [
        ("X-Content-Type-Options", "nosniff"),
        ("Referrer-Policy", "same-origin"),
        ("Cross-Origin-Opener-Policy", "same-origin"),
        ("Cross-Origin-Resource-Policy", "same-origin"),
        ("X-Frame-Options", "DENY"),
        ("Permissions-Policy", "camera=(), microphone=(), geolocation=()"),
        ("Strict-Transport-Security", f"max-age={A_YEAR}; includeSubDomains; preload"),
    ],
)
def test_header_stands_on_every_answer(answers, header, value):
    assert {kind for kind, it in answers.items() if it.headers.get(header) != value} == set()


def test_page_is_never_kept_by_the_browser(answers):
    files = {"stylesheet", "script", "icon"}
    for kind, answer in answers.items():
        assert kind in files or "no-store" in answer["Cache-Control"], kind


def test_page_holds_no_inline_script_style_or_handler(answers):
    pages = [
        it for it in answers.values() if it.headers.get("Content-Type", "")[:9] == "text/html"
    ]
    assert len(pages) >= 9
    for answer in pages:
        page = answer.content.decode()
        assert " style=" not in page
        assert "<style" not in page
        assert " onclick=" not in page
        assert page.count("<script") == page.count(" src=")


def test_plain_address_leads_to_the_same_host_over_tls(settings, as_served, client):
    settings.SECURE_SSL_REDIRECT = True

    answer = client.get("/clients/?page=2")

    assert (answer.status_code, answer.url) == (301, "https://testserver/clients/?page=2")
    assert score({**answer.headers, "Strict-Transport-Security": f"max-age={A_YEAR}"}) == 130
