"""The page for whoever watches the system: ok or not, cheap, and the reason in the log alone."""

from collections import namedtuple

import pytest
from django.core.checks import run_checks
from django.db import OperationalError, connection
from django.db.migrations.recorder import MigrationRecorder

from clinic import guards
from clinic.web import health

Usage = namedtuple("Usage", "total used free")

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def asked_anew():
    health.latest.forget()
    yield
    health.latest.forget()


def told(caplog):
    return [it.facts["faults"] for it in caplog.records if it.name == "clinic.web.views.health"]


def test_health_is_ok(client):
    answer = client.get("/health/")

    assert (answer.status_code, answer.content) == (200, b"ok\n")


def test_health_asks_little_and_not_again_at_once(client, django_assert_max_num_queries):
    client.get("/health/")
    health.latest.forget()

    with django_assert_max_num_queries(6):
        client.get("/health/")
    with django_assert_max_num_queries(0):
        client.get("/health/")


def not_ok(client):
    answer = client.get("/health/")
    assert (answer.status_code, answer.content) == (503, b"not ok\n")


def test_missing_guard_is_not_ok(client, caplog):
    name, (table, _) = next(iter(guards.wanted(connection).items()))
    on = f" ON {table}" if connection.vendor == "postgresql" else ""
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TRIGGER {name}{on}")

    not_ok(client)
    assert told(caplog) == [[f"guard is missing: {name}"]]


def test_missing_migration_is_not_ok(client, caplog):
    applied = MigrationRecorder.Migration.objects.filter(app="auth").latest("name")
    applied.delete()

    not_ok(client)
    assert told(caplog) == [[f"not migrated: auth.{applied.name}"]]
    checks = run_checks(databases=["default"], include_deployment_checks=True)
    assert [it.msg for it in checks if it.id == "clinic.E012"] == [
        f"1 migrations are missing, the first is auth.{applied.name}."
    ]


def test_full_disk_is_not_ok(client, caplog, monkeypatch):
    monkeypatch.setattr(health.shutil, "disk_usage", lambda _: Usage(10**12, 10**12, 499_999_999))

    not_ok(client)
    assert told(caplog) == [["499 MB left on the disk"]]
    assert "clinic.E013" in {it.id for it in run_checks(databases=["default"])}


def test_database_that_does_not_answer_is_not_ok(client, caplog):
    def lost(execute, sql, params, many, context):
        raise OperationalError("connection to server at db.example, user clinic, failed")

    with connection.execute_wrapper(lost):
        not_ok(client)

    assert told(caplog) == [["database does not answer: OperationalError"]]
