"""The database goes away or is blocked in the middle of a request (ASVS 16.5.2, 16.5.3).

What was typed is on the error page and can be sent again; sent again it is stored once; no page
waits longer than its limit.
"""

import socket
import sqlite3
import time
from contextlib import contextmanager
from html.parser import HTMLParser

import psycopg
import pytest
from django.db import OperationalError, connection, transaction
from django.db.utils import ConnectionHandler
from django.test import Client as Browser
from django.urls import reverse

from clinic.models import Client
from clinic.web import limits, settings
from tests.clinic.test_people_pages import TYPED
from tests.durability.faults import ENOUGH, Fault
from tests.factories import StaffFactory

TEXT = "<b>Zoë</b> & O'Brien"
ACT = "0b0f5e2a-4a4e-4a35-9d0b-6f0f6b1f1d11"
FORM = TYPED | {"given_names": TEXT, "act": ACT}


class SentAgain(HTMLParser):
    """Address and fields of the form of an error page, as a browser would send them."""

    def __init__(self, answer):
        super().__init__()
        self.to, self.fields, self._name = "", {}, ""
        self.feed(answer.content.decode())

    def handle_starttag(self, tag, attributes):
        found = dict(attributes)
        if tag == "form":
            self.to = found["action"]
        if tag == "textarea":
            self._name, self.fields[found["name"]] = found["name"], ""

    def handle_data(self, data):
        if self._name:
            self.fields[self._name] += data

    def handle_endtag(self, tag):
        if tag == "textarea":
            # a browser drops the line break after the opening tag
            self.fields[self._name] = self.fields[self._name].removeprefix("\n")
            self._name = ""


@pytest.fixture
def tab():
    return Browser(raise_request_exception=False)


@pytest.fixture
def signed_in(db, tab):
    tab.force_login(StaffFactory())
    return tab


def send(tab):
    return tab.post(reverse("client-new"), FORM)


def keeps_what_was_typed(answer):
    again = SentAgain(answer)
    assert answer.status_code == 503
    assert answer["Retry-After"] == "5"
    assert answer["X-Reference"] in answer.content.decode()
    assert again.to == reverse("client-new")
    assert again.fields == FORM
    assert "&lt;b&gt;Zoë&lt;/b&gt; &amp; O&#x27;Brien" in answer.content.decode()
    return again


@contextmanager
def undone():
    """What happens inside is as if it had not been."""
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def test_lost_at_any_statement_nothing_typed_is_lost_and_nothing_doubled(signed_in):
    """Once for each statement of the request, until none is left."""
    kept = at = 0
    while at < ENOUGH:
        at += 1
        with undone():
            with Fault(at).standing() as fault:
                answer = send(signed_in)
            if not fault.struck:
                assert answer.status_code == 302
                break
            if answer.status_code == 503:
                again = keeps_what_was_typed(answer)
                kept += 1
                answer = signed_in.post(again.to, again.fields)
            # else the statement was one that may fail, such as a savepoint let go
            assert answer.status_code == 302
            assert Client.objects.count() == 1

    assert kept >= 10


def test_nothing_at_all_can_be_asked(signed_in, caplog):
    def lost(execute, sql, params, many, context):
        raise OperationalError("on purpose")

    with connection.execute_wrapper(lost):
        answers = [signed_in.get("/"), signed_in.get("/clients/"), send(signed_in)]
        script = signed_in.post(reverse("client-new"), FORM, headers={"X-Act": ACT})

    references = {it.facts["reference"] for it in caplog.records if it.levelname == "ERROR"}
    assert [it.status_code for it in answers] == [503] * 3
    assert {it["X-Reference"] for it in answers} <= references
    keeps_what_was_typed(answers[-1])
    assert script["Content-Type"] == "text/plain; charset=utf-8"
    assert script["X-Reference"] in script.content.decode()
    assert "Zoë" not in script.content.decode()


def test_forged_form_is_not_offered_again(db):
    """The failure comes before anybody looked whether a page of ours sent the form."""
    checked = Browser(raise_request_exception=False, enforce_csrf_checks=True)
    checked.force_login(StaffFactory())

    def lost(execute, sql, params, many, context):
        raise OperationalError("on purpose")

    with connection.execute_wrapper(lost):
        answer = checked.post(reverse("client-new"), FORM)

    assert answer.status_code == 503
    assert "<form" not in answer.content.decode()
    assert "Zoë" not in answer.content.decode()


@pytest.mark.parametrize("path", ["/accounts/login/", "//elsewhere.example/clients/new/"])
def test_password_and_foreign_address_are_not_drawn(db, tab, path):
    def lost(execute, sql, params, many, context):
        raise OperationalError("on purpose")

    with connection.execute_wrapper(lost):
        answer = tab.post(path, {"login": "imarlow", "password": "orchard-window", "note": "x"})

    assert "orchard" not in answer.content.decode()
    assert 'action="//' not in answer.content.decode()


@pytest.fixture
def short_limits(monkeypatch):
    """The limits of a server, shorter, on a connection made anew."""
    monkeypatch.setattr(limits, "LOCK_SECONDS", 0.5)
    monkeypatch.setattr(limits, "STATEMENT_SECONDS", 1)
    connection.close()
    limits.keep_limits()
    connection.ensure_connection()
    yield
    limits.connection_created.disconnect(dispatch_uid="limits")
    connection.close()


def beside():
    """A connection of somebody else."""
    found = connection.get_connection_params()
    if connection.vendor == "sqlite":
        return sqlite3.connect(found["database"], isolation_level=None)
    names = ("host", "port", "user", "dbname")
    return psycopg.connect(**{name: found[name] for name in names if name in found})


@pytest.mark.django_db(transaction=True)
@pytest.mark.engine("postgresql")
def test_connection_cut_in_the_middle(signed_in):
    cut = []

    def cut_once(execute, sql, params, many, context):
        if 'INSERT INTO "clinic_client"' in sql and not cut:
            with beside() as other:
                process = connection.connection.info.backend_pid
                cut.append(other.execute("SELECT pg_terminate_backend(%s)", [process]))
        return execute(sql, params, many, context)

    with connection.execute_wrapper(cut_once):
        again = keeps_what_was_typed(send(signed_in))

    assert signed_in.post(again.to, again.fields).status_code == 302
    assert Client.objects.count() == 1


@pytest.mark.django_db(transaction=True)
@pytest.mark.engine("postgresql")
def test_blocked_page_gives_up_at_its_limit(signed_in, short_limits):
    with beside() as other:
        other.execute("LOCK TABLE clinic_client IN ACCESS EXCLUSIVE MODE")
        began = time.monotonic()
        again = keeps_what_was_typed(send(signed_in))
        waited = time.monotonic() - began

    assert 0.4 < waited < 5
    assert signed_in.post(again.to, again.fields).status_code == 302
    assert Client.objects.count() == 1


@pytest.mark.django_db(transaction=True)
@pytest.mark.engine("sqlite")
def test_page_that_waits_for_a_writer_gives_up_at_its_limit(signed_in):
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA busy_timeout = 500")
    other = beside()
    other.execute("BEGIN IMMEDIATE")
    began = time.monotonic()
    again = keeps_what_was_typed(send(signed_in))
    waited = time.monotonic() - began
    other.execute("ROLLBACK")
    other.close()

    assert 0.4 < waited < 5
    assert signed_in.post(again.to, again.fields).status_code == 302
    assert Client.objects.count() == 1
    connection.close()  # with the timeout of the settings from here on


@pytest.mark.django_db(transaction=True)
@pytest.mark.engine("postgresql")
def test_statement_that_does_not_end_is_ended(short_limits):
    began = time.monotonic()
    with pytest.raises(OperationalError), connection.cursor() as cursor:
        cursor.execute("SELECT pg_sleep(20)")

    assert time.monotonic() - began < 5


@pytest.mark.django_db(transaction=True)
@pytest.mark.engine("postgresql")
def test_each_connection_of_a_server_has_its_limits(monkeypatch):
    connection.close()
    limits.keep_limits()
    names = ("lock_timeout", "statement_timeout", "idle_in_transaction_session_timeout")
    with connection.cursor() as cursor:
        found = {}
        for name in names:
            cursor.execute(f"SHOW {name}")
            found[name] = cursor.fetchone()[0]
    limits.connection_created.disconnect(dispatch_uid="limits")
    connection.close()

    assert found == dict(zip(names, ("5s", "15s", "1min"), strict=True))


@pytest.mark.django_db
def test_server_that_does_not_answer_is_waited_for_a_few_seconds():
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        config = {
            "ENGINE": "django.db.backends.postgresql",
            "NAME": "clinic",
            "USER": "clinic",
            "HOST": "127.0.0.1",
            "PORT": silent.getsockname()[1],
            "OPTIONS": settings.POSTGRES_OPTIONS | {"connect_timeout": 2},
        }
        began = time.monotonic()
        with pytest.raises(OperationalError):
            ConnectionHandler({"default": config})["default"].ensure_connection()

    assert time.monotonic() - began < 6
    assert settings.POSTGRES_OPTIONS["connect_timeout"] == 5
