"""Nobody can forge a line of the log, and nothing that is secret or about a person is in it."""

import json
import logging
from io import StringIO

import pytest
from django.conf import settings as project
from django.core.cache import cache
from django.db import DatabaseError, connection
from django.urls import reverse

from clinic.services.reminders import make_feed
from clinic.web.logs import OneObject
from tests.factories import ClientFactory, StaffFactory
from tests.factories.clinic import PASSWORD

FORGED = '{"time": "2027-01-04T09:30:00.000+00:00", "level": "INFO", "event": "all is well"}'
# line ends of Unicode (Standard Annex 14, class BK and friends), escape codes of ECMA-48, signs
# that turn the direction of writing, and what ends a string of JSON
AIMED = [
    "\n",
    "\r\n",
    "\r",
    "\v",
    "\f",
    "\x1b[2K",
    "\x9b2K",
    "\x7f",
    "\x85",
    "\u2028",
    "\u2029",
    "\u202e",
    "\0",
    '"}\n',
]
FIRST = ["time", "level", "logger", "event"]


@pytest.fixture
def log():
    """What the handlers of the project write, all of it."""
    stream = StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(OneObject())
    logging.getLogger().addHandler(handler)
    before = logging.getLogger().level
    logging.getLogger().setLevel(logging.INFO)
    yield stream
    logging.getLogger().setLevel(before)
    logging.getLogger().removeHandler(handler)


def written(log):
    """The lines, each read as JSON; a forged one would be one more."""
    return [json.loads(line) for line in log.getvalue().split("\n")[:-1]]


def test_the_project_writes_its_log_so():
    """Every handler of the settings, and no logger of Django with one of its own."""
    assert project.LOGGING["formatters"]["line"]["()"] == "clinic.web.logs.OneObject"
    assert {it["formatter"] for it in project.LOGGING["handlers"].values()} == {"line"}
    assert logging.getLogger("django.server").handlers == []
    assert logging.getLogger("django").handlers == []


@pytest.mark.parametrize("sign", AIMED)
def test_break_stays_in_its_line(log, sign):
    aimed = f"x{sign}{FORGED}"
    logging.getLogger("clinic.some").warning("agent %s", aimed, extra={"facts": {"why": aimed}})

    (line,) = written(log)
    assert (line["event"], line["why"]) == (f"agent {aimed}", aimed)
    assert log.getvalue()[:-1].isprintable()
    assert log.getvalue().isascii()


def test_half_a_pair_is_written_out():
    record = logging.makeLogRecord({"name": "clinic.some", "msg": "x\ud800"})

    assert '"event": "x\\ud800"' in OneObject().format(record)


def test_line_tells_time_in_utc_level_and_event_first(log):
    logging.getLogger("clinic.some").info("it began")

    (line,) = written(log)
    assert list(line) == [*FIRST, "reference"]
    assert line["time"].endswith("+00:00")
    assert (line["level"], line["logger"], line["event"]) == ("INFO", "clinic.some", "it began")


def test_text_of_an_error_is_not_written(log):
    try:
        try:
            raise KeyError("Quillfeather")
        except KeyError as first:
            raise ValueError("sore knee") from first
    except ValueError:
        logging.getLogger("clinic.some").exception("it broke")

    (line,) = written(log)
    assert [it["kind"] for it in line["error"]] == ["builtins.ValueError", "builtins.KeyError"]
    assert line["error"][0]["at"][0].startswith("tests/clinic/test_logs.py:")
    assert "Quillfeather" not in log.getvalue()
    assert "sore knee" not in log.getvalue()


@pytest.mark.django_db
def test_error_of_the_database_names_the_rule_and_no_value(log):
    ClientFactory(number="ML00007", family_name="Quillfeather")
    try:
        ClientFactory(number="ML00007", family_name="Quillfeather")
    except DatabaseError:
        logging.getLogger("clinic.some").exception("it broke")

    (line,) = written(log)
    codes = {"sqlite": "SQLITE_CONSTRAINT_UNIQUE", "postgresql": "23505 client_number"}
    assert codes[connection.vendor] in line["error"][1]["code"]
    assert "ML00007" not in log.getvalue()


@pytest.mark.parametrize("name", ["django.some", "allauth.account", "gunicorn.error"])
def test_of_others_only_the_pattern_is_written(log, name):
    logging.getLogger(name).warning("cannot read %s", "/calendars/secret-of-the-feed/")

    assert written(log)[0]["event"] == "cannot read %s"


def test_what_the_server_says_of_itself_is_whole(log):
    logging.getLogger("gunicorn.error").info("Listening at: %s", "127.0.0.1:8000")

    assert written(log)[0]["event"] == "Listening at: 127.0.0.1:8000"


@pytest.fixture
def aimed_at(db, client, log):
    """Requests of every kind with what must not be found later; yields the session's key."""
    staff, runner = StaffFactory(username="imarlow"), ClientFactory(family_name="Quillfeather")
    aimed = {"User-Agent": f"x\n{FORGED}", "X-Forwarded-For": f"1\r\n{FORGED}", "X-Act": "\x1b[2K"}
    fields = {"login": f"typed\n{FORGED}", "password": "window-orchard-typed"}
    client.post(reverse("account_login"), fields, headers=aimed)
    client.post(reverse("account_login"), {"login": "imarlow", "password": "typed-wrong"})
    client.post(reverse("account_login"), {"login": "imarlow", "password": PASSWORD})
    client.get(f"/nothing%0a{FORGED}/%1b[2K/", headers=aimed)
    client.post(reverse("client-list"), {"q": "Quillfeather"}, headers=aimed)
    client.get(reverse("client-list"), {"q": "Quillfeather"})
    client.get(reverse("client-open", args=[999999]), headers=aimed)
    client.get(reverse("client-open", args=[runner.pk]))
    secret = make_feed(staff=staff)
    client.get(reverse("calendar-feed", args=[secret]))
    client.get(reverse("calendar-feed", args=["lost" + secret[4:]]))
    client.get(reverse("account_reset_password_from_key", args=["1", "key-typed"]))
    client.get("/", headers={"Host": f"typed.example{FORGED}"})
    client.generic("BREW\n", "/clients/")
    episode = {"reason": "sore knee since the half marathon"}
    client.post(reverse("episode-new", args=[runner.pk]), episode)
    session, hidden = client.session.session_key, [secret, secret[4:]]
    client.post(reverse("account_logout"))
    client.get(reverse("client-open", args=[runner.pk]))
    desk = StaffFactory(home_site=staff.home_site, role="reception")
    client.force_login(desk)
    client.get(reverse("history-open", args=[runner.pk]), headers=aimed)
    yield [session, *hidden]
    cache.clear()


def test_every_sign_in_and_refusal_is_logged(aimed_at, log):
    lines = written(log)
    told = [(it["event"], it.get("why", "")) for it in lines if it["logger"] == "clinic.sign_ins"]
    refused = [(it["refused"], it["status"]) for it in lines if it.get("refused")]

    assert told == [
        ("sign-in refused", "password"),
        ("sign-in refused", "password"),
        ("sign-in", ""),
        ("sign-out", ""),
    ]
    # a page that is not there, a record of nobody, a feed that was guessed at
    assert refused.count(("not found", 404)) == 3
    assert refused.count(("no sign-in", 302)) == 1
    assert refused.count(("forbidden", 403)) == 1


def test_nothing_secret_and_no_word_of_a_client_is_logged(aimed_at, log):
    text = log.getvalue()
    found = [
        word
        for word in (*aimed_at, PASSWORD, "orchard", "typed", "Quillfeather", "sore knee", "BREW")
        if word in text
    ]

    assert len(written(log)) >= 20  # all that was asked left its line
    assert found == []


def test_no_line_is_forged(aimed_at, log):
    assert {tuple(it)[:4] for it in written(log)} == {tuple(FIRST)}
    assert [it for it in written(log) if it["event"] == "all is well"] == []


def test_line_of_a_request_tells_who_what_and_how_long(client, db, log):
    staff = StaffFactory()
    client.force_login(staff)

    client.get(reverse("client-list"), {"q": "x"})

    (line,) = [it for it in written(log) if it["event"] == "request"]
    assert 0 <= line.pop("ms") < 60_000
    assert len(line.pop("reference")) == 9
    assert {name: line[name] for name in list(line)[4:]} == {
        "route": "client-list",
        "method": "GET",
        "status": 200,
        "staff": staff.pk,
    }


def test_origin_is_what_the_proxy_says_only_behind_one(client, db, log, settings):
    headers = {"X-Forwarded-For": "203.0.113.9, 198.51.100.7"}
    client.get("/nowhere/", headers=headers)
    settings.BEHIND_PROXY = True
    client.get("/nowhere/", headers=headers)
    client.get("/nowhere/", headers={"X-Forwarded-For": "198.51.100.7, nonsense"})

    origins = [it["origin"] for it in written(log) if it["event"] == "request"]
    # the last one is the proxy's word, those before it are the browser's
    assert origins == ["127.0.0.1", "198.51.100.7", "127.0.0.1"]
