"""Whole clinics for the tests of backups; the tests' own database stays out of it."""

import pytest

from clinic.web.backups.keys import make_key
from clinic.web.databases import pointed_at
from tests.durability.clinics import Shelf, fill, write_file

FILMS = {"a/one.bin": bytes(range(256)) * 300, "two é.txt": "Zehen 🦶".encode()}


@pytest.fixture(scope="session")
def long_shelf(django_db_blocker, tmp_path_factory):
    """What all tests copy, which takes seconds to make."""
    shelf = Shelf(tmp_path_factory.mktemp("templates"))
    yield shelf
    with django_db_blocker.unblock():
        shelf.clear()


@pytest.fixture(scope="session")
def bare(long_shelf, django_db_blocker):
    """Tables and guards, and no rows but those of the migrations."""
    with django_db_blocker.unblock():
        return long_shelf.new()


@pytest.fixture(scope="session")
def bare_file(long_shelf, bare, django_db_blocker):
    """The same as a file of SQLite, whatever the engine in use."""
    if bare.vendor == "sqlite":
        return bare
    with django_db_blocker.unblock():
        return long_shelf.new("sqlite")


@pytest.fixture(scope="session")
def template(long_shelf, bare, django_db_blocker):
    """A filled clinic that nobody changes."""
    with django_db_blocker.unblock():
        place = long_shelf.copy(bare)
        with pointed_at(place.config):
            fill()
        for name, data in FILMS.items():
            write_file(place, name, data)
    return place


@pytest.fixture
def shelf(tmp_path, django_db_blocker):
    """Where this test's clinics are."""
    shelf = Shelf(tmp_path)
    with django_db_blocker.unblock():
        yield shelf
        shelf.clear()


@pytest.fixture
def clinic(shelf, template):
    """A filled clinic of this test's own."""
    return shelf.copy(template)


@pytest.fixture
def key(tmp_path):
    """File of a key; its public half lies beside it."""
    file = tmp_path / "key"
    make_key(file)
    return file
