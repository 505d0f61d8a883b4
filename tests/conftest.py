"""Fixtures that every test may use."""

from __future__ import annotations

import os

import pytest

# the browser driver runs an event loop in the test's thread
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"


def pytest_configure():
    """What differs from a clinic's server: no collected files, no TLS, a quick password hash."""
    from django.conf import settings

    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }
    settings.WHITENOISE_AUTOREFRESH = settings.WHITENOISE_USE_FINDERS = True
    settings.SECURE_SSL_REDIRECT = False
    settings.SESSION_COOKIE_SECURE = settings.CSRF_COOKIE_SECURE = False
    settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME = "sessionid", "csrftoken"
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup, django_db_blocker):
    """Emptying tables between transactional tests needs the guards against deleting off.

    Only in the test database; tests of the guards put theirs back (fixture `deleting_refused`).
    """
    from django.db import connection

    from clinic import guards

    definitions = guards.wanted(connection.vendor)
    off = [name for name in definitions if name.endswith(("_kept", "_not_emptied"))]
    with django_db_blocker.unblock(), connection.cursor() as cursor:
        for name in off:
            table = definitions[name][0]
            on = f" ON {table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")
    kept_on = {name: definition for name, definition in definitions.items() if name not in off}
    # a flush sends post_migrate, which would put them back
    guards.wanted, real = (lambda vendor: kept_on), guards.wanted
    yield
    guards.wanted = real


@pytest.fixture
def deleting_refused(db):
    """The guards against deleting stand, as they do outside tests."""
    from importlib import import_module

    from django.db import connection

    with connection.cursor() as cursor:
        for app, name in (
            ("clinic", "0002_guards"),
            ("assessments", "0003_guards"),
            ("exercises", "0002_guards"),
        ):
            module = import_module(f"{app}.migrations.{name}")
            for guard, (_, statements) in module.GUARDS[connection.vendor].items():
                if guard.endswith(("_kept", "_not_emptied")):
                    for statement in statements:
                        cursor.execute(statement)


@pytest.fixture(autouse=True)
def emptied_process_caches():
    """Values kept in the process do not outlive a test's rollback."""
    yield
    from assessments import editions as tables
    from exercises import editions

    tables.forget()
    editions.forget()


@pytest.fixture(scope="session")
def reference_texts():
    """The clinical tables as they lie in fixtures/."""
    from django.conf import settings

    from exercises.services.editions import read_folder

    return read_folder(settings.REFERENCE_DIR)


@pytest.fixture
def edition(db, reference_texts):
    """Edition 1 in the database."""
    from exercises.services.editions import load_tables

    return load_tables(texts=reference_texts, author="a clinician", reason="Loaded as it is.")[0]
