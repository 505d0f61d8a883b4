"""Fixtures that every test may use."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

# a busy machine is no fault of what is tested
settings.register_profile("clinic", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("clinic")
# the browser driver runs an event loop in the test's thread
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
# names of the guards against deleting end so
OFF_IN_TESTS = ("_kept", "_not_emptied")


def pytest_configure():
    """What differs from a clinic's server: no collected files, no TLS, a quick password alone."""
    from django.conf import settings

    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }
    settings.WHITENOISE_AUTOREFRESH = settings.WHITENOISE_USE_FINDERS = True
    settings.SECURE_SSL_REDIRECT = False
    settings.SESSION_COOKIE_SECURE = settings.CSRF_COOKIE_SECURE = False
    settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME = "sessionid", "csrftoken"
    settings.STEADY_SECONDS, settings.SECOND_FACTOR = 0, False
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


def pytest_collection_modifyitems(config, items):
    """Leave out what the engine in use does not have: one writer at a time, one statement."""
    from django.db import connection

    def elsewhere(item):
        mark = item.get_closest_marker("engine")
        return mark is not None and mark.args != (connection.vendor,)

    out = [item for item in items if elsewhere(item)]
    config.hook.pytest_deselected(items=out)
    items[:] = [item for item in items if item not in out]


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup, django_db_blocker):
    """Emptying tables between transactional tests needs the guards against deleting off.

    Only in the test database; tests of the guards put theirs back (fixture `deleting_refused`).
    """
    from django.db import connection

    from clinic import guards

    definitions = guards.defined(connection.vendor)
    off = [name for name in definitions if name.endswith(OFF_IN_TESTS)]
    with django_db_blocker.unblock(), connection.cursor() as cursor:
        for name in off:
            table = definitions[name][0]
            on = f" ON {table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")
    real = guards.wanted

    def kept_on(connection):
        return {name: text for name, text in real(connection).items() if name not in off}

    guards.wanted = kept_on  # a flush sends post_migrate, which would put them back
    yield
    guards.wanted = real


@pytest.fixture
def deleting_refused(db):
    """The guards against deleting stand, as they do outside tests."""
    from django.db import connection

    from clinic import guards

    with connection.cursor() as cursor:
        for name, (_, statements) in guards.defined(connection.vendor).items():
            if name.endswith(OFF_IN_TESTS):
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
