"""Check SS-03: guessing is stopped, the owner is not, and nobody learns who works here.

Bound: NIST SP 800-63B, 5.2.2 (100 failures in a row); OWASP ASVS 5.0.0, 6.1.1, 6.3.1, 6.3.8.
Times of answers are measured by tests/benchmarks/bench_sign_in.py with the real hash.
"""

import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client as Browser
from django.urls import reverse

from clinic.models import TrailEntry
from tests.factories import StaffFactory
from tests.factories.clinic import PASSWORD

START = datetime(2027, 3, 15, 9, tzinfo=UTC)
WRONG = "not-the-password"
STOPPED = "Too many wrong tries"


@pytest.fixture
def clock(db):
    with time_machine.travel(START, tick=False) as clock:
        yield clock
    cache.clear()


@pytest.fixture
def owner(clock):
    return StaffFactory(username="imarlow", email="ines@example.org")


def knock(browser, name, password, address="10.0.0.66"):
    fields = {"login": name, "password": password}
    return browser.post(reverse("account_login"), fields, REMOTE_ADDR=address)


def is_in(response):
    return response.status_code == 302 and response.url == "/"


def was_looked_at(response):
    """Whether the password was compared at all."""
    return "do not belong together" in response.content.decode()


def stranger():
    return Browser()


def looked_at(tries):
    return sum(was_looked_at(one) for one in tries)


def test_150_guesses_at_one_account_are_stopped_at_five(owner):
    tries = [knock(stranger(), "imarlow", f"guess {n}") for n in range(150)]

    assert looked_at(tries) == 5
    assert [was_looked_at(one) for one in tries[:6]] == [True] * 5 + [False]


def test_patient_guesser_is_stopped_before_100(owner, clock):
    """One try a minute from one address: no more than ninety a day are looked at."""
    tries = []
    for _ in range(150):
        tries.append(knock(stranger(), "imarlow", WRONG))
        clock.shift(timedelta(seconds=61))

    assert looked_at(tries) == 90


def test_guesses_from_everywhere_are_stopped_before_100(owner, clock):
    tries = []
    for n in range(300):
        tries.append(knock(stranger(), "imarlow", WRONG, address=f"10.1.{n // 200}.{n % 200}"))
        clock.shift(timedelta(minutes=2))

    assert looked_at(tries) == 90


def test_five_guesses_at_each_of_fifty_accounts_are_stopped(clock):
    people = [StaffFactory(username=f"person{n}") for n in range(50)]

    tries = [knock(stranger(), person.username, WRONG) for person in people for _ in range(5)]

    assert looked_at(tries) == 20
    clock.shift(timedelta(minutes=6))
    shut_out = [p for p in people if not is_in(knock(stranger(), p.username, PASSWORD))]
    assert len(shut_out) == 20  # thirty sign-ins a minute from one address
    clock.shift(timedelta(minutes=1))
    assert all(is_in(knock(stranger(), person.username, PASSWORD)) for person in shut_out)


def test_owner_gets_in_from_another_address_meanwhile(owner):
    for _ in range(150):
        knock(stranger(), "imarlow", WRONG)

    assert not is_in(knock(stranger(), "imarlow", PASSWORD))
    assert is_in(knock(stranger(), "imarlow", PASSWORD, address="10.0.0.7"))


def test_owner_gets_in_later_from_the_same_address(owner, clock):
    for _ in range(150):
        knock(stranger(), "imarlow", WRONG)
    clock.shift(timedelta(minutes=5, seconds=1))

    assert is_in(knock(stranger(), "imarlow", PASSWORD))


def test_own_browser_is_never_shut_out_by_others(owner, clock):
    own = Browser()
    assert is_in(knock(own, "imarlow", PASSWORD))
    own.post(reverse("account_logout"))
    for n in range(300):
        knock(stranger(), "imarlow", WRONG, address=f"10.1.{n // 200}.{n % 200}")
        clock.shift(timedelta(minutes=2))

    assert not is_in(knock(stranger(), "imarlow", PASSWORD, address="10.9.9.9"))
    assert is_in(knock(own, "imarlow", PASSWORD))


def test_lock_is_not_lasting(owner, clock):
    for n in range(300):
        knock(stranger(), "imarlow", WRONG, address=f"10.1.{n // 200}.{n % 200}")
        clock.shift(timedelta(minutes=2))
    clock.shift(timedelta(days=1))

    assert is_in(knock(stranger(), "imarlow", PASSWORD, address="10.9.9.9"))


def test_own_browser_has_a_bound_of_its_own(owner):
    own = Browser()
    knock(own, "imarlow", PASSWORD)
    own.post(reverse("account_logout"))

    tries = [knock(own, "imarlow", WRONG) for _ in range(20)]

    assert looked_at(tries) == 10


@pytest.mark.parametrize("forged", ["", "nonsense", "W1sxLCAiYWJjIl1d:1abcde:signature"])
def test_forged_mark_of_a_browser_is_none(owner, settings, forged):
    browser = Browser()
    browser.cookies[settings.KNOWN_COOKIE_NAME] = forged

    tries = [knock(browser, "imarlow", WRONG) for _ in range(6)]

    assert looked_at(tries) == 5


def test_mark_of_another_person_helps_nobody(owner, clock):
    StaffFactory(username="rose")
    browser = Browser()
    knock(browser, "rose", PASSWORD)
    browser.post(reverse("account_logout"))

    tries = [knock(browser, "imarlow", WRONG) for _ in range(6)]

    assert looked_at(tries) == 5


def test_browser_of_a_desk_keeps_the_newest_eight(owner, clock, settings):
    browser, people = Browser(), [StaffFactory(username=f"desk{n}") for n in range(9)]
    for person in people:
        assert is_in(knock(browser, person.username, PASSWORD))
        browser.post(reverse("account_logout"))

    last = [looked_at(knock(browser, people[8].username, WRONG) for _ in range(11))]
    first = [looked_at(knock(browser, people[0].username, WRONG) for _ in range(11))]

    assert (last, first) == ([10], [5])
    cookie = browser.cookies[settings.KNOWN_COOKIE_NAME]
    assert (cookie["httponly"], cookie["samesite"], cookie["max-age"]) == (True, "Lax", 7776000)


def shown(response):
    """Status and page without what differs on every request."""
    page = re.sub(r'value="[^"]*"', "", response.content.decode())
    return response.status_code, page


def test_answers_for_known_and_unknown_names_are_the_same_all_the_way(owner):
    known = [shown(knock(stranger(), "imarlow", WRONG, "10.0.0.1")) for _ in range(40)]
    unknown = [shown(knock(stranger(), "nobody", WRONG, "10.0.0.2")) for _ in range(40)]

    assert known == unknown
    assert len(set(known)) == 3  # wrong, too many, too many from this address


def test_closed_account_answers_a_wrong_password_as_all_do(owner):
    owner.is_active = False
    owner.save()

    closed = shown(knock(stranger(), "imarlow", WRONG, "10.0.0.1"))

    assert closed == shown(knock(stranger(), "nobody", WRONG, "10.0.0.2"))


def test_flood_of_invented_names_washes_nothing_away(owner, settings):
    for _ in range(5):
        knock(stranger(), "imarlow", WRONG)
    for n in range(400):  # more than the built-in size of the cache
        cache.set(f"flood-{n}", n)

    assert STOPPED in knock(stranger(), "imarlow", PASSWORD).content.decode()


def ask_for_reset(email, address):
    fields = {"email": email}
    return Browser().post(reverse("account_reset_password"), fields, REMOTE_ADDR=address)


def test_reset_answers_the_same_and_is_slowed(owner, mailoutbox):
    known = [ask_for_reset("ines@example.org", "10.0.0.1") for _ in range(5)]
    unknown = [ask_for_reset("nobody@example.org", "10.0.0.2") for _ in range(5)]

    assert [shown(one) for one in known] == [shown(one) for one in unknown]
    assert [one.status_code for one in known] == [302, 302, 302, 429, 429]
    # both get a letter: an address without an account is told so, and the page waits as long
    assert [len(mail.to) for mail in mailoutbox] == [1] * 6


def test_reset_by_mail_ends_the_strangers_count(owner, clock, mailoutbox):
    for n in range(300):
        knock(stranger(), "imarlow", WRONG, address=f"10.1.{n // 200}.{n % 200}")
        clock.shift(timedelta(minutes=2))
    ask_for_reset("ines@example.org", "10.0.0.1")
    (link,) = re.findall(r"https?://testserver(/\S+)", mailoutbox[0].body)
    browser, new = Browser(), "seven herons at low tide"
    address = browser.get(link).url
    assert browser.post(address, {"password1": new, "password2": new}).status_code == 302

    assert is_in(knock(browser, "imarlow", new, address="10.9.9.9"))
    lines = TrailEntry.objects.filter(action="change", actor=owner)
    assert [line.detail for line in lines] == [{"fields": ["password"]}]
