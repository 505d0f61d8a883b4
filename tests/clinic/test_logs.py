"""Nobody can forge a line of the log, and nothing that is secret or about a person is in it."""

import logging
from io import StringIO

import pytest
from django.conf import settings as project
from django.core.cache import cache
from django.urls import reverse

from clinic.web.logs import OneLine, escaped
from tests.factories import ClientFactory, StaffFactory
from tests.factories.clinic import PASSWORD

FORGED = "2027-01-04 09:30:00,000 INFO root all is well"
# line ends of Unicode (Standard Annex 14, class BK and friends), escape codes of ECMA-48, and a
# sign that turns the direction of writing
AIMED = [
    "\n",
    "\r\n",
    "\r",
    "\v",
    "\f",
    "\x1b[2K",
    "\x9b2K",
    "\x85",
    "\u2028",
    "\u2029",
    "\u202e",
    "\0",
]


@pytest.fixture
def log():
    """What the handlers of the project write, all of it."""
    stream = StringIO()
    handler = logging.StreamHandler(stream)
    settings = project.LOGGING["formatters"]["line"]
    handler.setFormatter(OneLine(settings["format"], style=settings["style"]))
    logging.getLogger().addHandler(handler)
    before = logging.getLogger().level
    logging.getLogger().setLevel(logging.INFO)
    yield stream
    logging.getLogger().setLevel(before)
    logging.getLogger().removeHandler(handler)


def written(log):
    return log.getvalue().split("\n")[:-1]


def test_the_project_writes_its_log_so():
    """Every handler of the settings, and no logger of Django with one of its own."""
    assert project.LOGGING["formatters"]["line"]["()"] == "clinic.web.logs.OneLine"
    assert {it["formatter"] for it in project.LOGGING["handlers"].values()} == {"line"}
    assert logging.getLogger("django.server").handlers == []
    assert logging.getLogger("django").handlers == []


@pytest.mark.parametrize("sign", AIMED)
def test_break_in_a_message_stays_in_its_line(log, sign):
    logging.getLogger("some").warning("agent %s", f"x{sign}{FORGED}")

    (line,) = written(log)
    assert line.isprintable()
    assert line.endswith(FORGED)
    assert not line.startswith(FORGED)


@pytest.mark.parametrize("sign", AIMED)
def test_break_in_an_error_stays_marked(log, sign):
    try:
        raise ValueError(f"x{sign}{FORGED}")
    except ValueError:
        logging.getLogger("some").exception("it broke")

    first, *rest = written(log)
    assert first.endswith("it broke")
    assert all(line.startswith("  | ") and line.isprintable() for line in rest)


def test_what_prints_is_left_as_it_is():
    assert escaped("Zoë Łukasz ≥ 3, it's fine") == "Zoë Łukasz ≥ 3, it's fine"
    assert escaped("half a pair \ud800") == "half a pair \\ud800"


@pytest.mark.django_db
def test_pages_write_no_forged_line_and_nothing_secret(client, log):
    staff, runner = StaffFactory(username="imarlow"), ClientFactory(family_name="Quillfeather")
    aimed = {"User-Agent": f"x\n{FORGED}", "X-Forwarded-For": f"1\r\n{FORGED}"}
    fields = {"login": f"typed\n{FORGED}", "password": "window-orchard-typed"}
    client.post(reverse("account_login"), fields, headers=aimed)
    client.post(reverse("account_login"), {"login": "imarlow", "password": PASSWORD})
    client.get(f"/nothing%0a{FORGED}/%1b[2K/", headers=aimed)
    client.post(reverse("client-list"), {"q": "Quillfeather"}, headers=aimed)
    client.get(reverse("client-open", args=[999999]), headers=aimed)
    client.get(reverse("client-open", args=[runner.pk]), headers=aimed)
    client.force_login(StaffFactory(home_site=staff.home_site, role="reception"))
    client.get(reverse("history-open", args=[runner.pk]), headers=aimed)

    lines = written(log)
    assert sum("Not Found" in line or "Http404" in line for line in lines) >= 2
    assert sum("PermissionDenied" in line for line in lines) >= 1
    assert not [line for line in lines if line.startswith(FORGED) or not line.isprintable()]
    text = log.getvalue()
    for secret in (
        PASSWORD,
        "window-orchard",
        "typed",
        "Quillfeather",
        client.session.session_key,
    ):
        assert secret not in text
    cache.clear()
