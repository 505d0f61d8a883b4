"""An error at one chosen statement of the database, and what it leaves behind."""

import re
from collections import Counter
from contextlib import ExitStack, contextmanager
from hashlib import sha256
from unittest.mock import patch

from django.apps import apps
from django.db import InterfaceError, OperationalError, connection

APPS = ("clinic", "assessments", "exercises")
LARGE = ("EditionTable", "content")
ENOUGH = 1000  # statements; an act that needs more never ends
# what the pages say of a failure, of a database that is gone, and of one that refuses
FAILED = ("failed on our side", "cannot be reached at the moment", "Nothing was saved")


class Fault:
    """Loses the connection at statement `at`, counted from 1; a commit counts as a statement.

    As the error of a lost connection, because Django takes others in a check of a constraint for
    a yes; a commit fails with the error after which Django rolls back.
    """

    def __init__(self, at):
        self.at, self.count, self.struck = at, 0, ""

    def __call__(self, execute, sql, params, many, context):
        self._tick(sql)
        return execute(sql, params, many, context)

    def _tick(self, words, error=InterfaceError):
        self.count += 1
        if self.count == self.at:
            self.struck = words
            raise error("lost on purpose")

    @contextmanager
    def standing(self):
        commit = connection._commit

        def commit_or_fail():
            self._tick("COMMIT", OperationalError)
            return commit()

        with ExitStack() as both:
            both.enter_context(connection.execute_wrapper(self))
            both.enter_context(patch.object(connection, "_commit", commit_or_fail))
            yield self


def tables():
    return [model for app in APPS for model in apps.get_app_config(app).get_models()]


def counts():
    """Number of rows of each table of ours; a chain's head is a line's shadow and not counted."""
    return Counter(
        {it.__name__: it._base_manager.count() for it in tables() if it.__name__ != "TrailHead"}
    )


def columns(model):
    fields = model._meta.concrete_fields
    return [field.attname for field in fields if (model.__name__, field.name) != LARGE]


def digest():
    """A checksum over every row of every table of ours; of an edition's files their checksums."""
    found = sha256()
    for model in tables():
        found.update(model.__name__.encode())
        for row in model._base_manager.order_by("pk").values_list(*columns(model)).iterator():
            plain = [bytes(it) if isinstance(it, memoryview) else it for it in row]
            found.update(repr(plain).encode())
    return found.hexdigest()


def struck_everywhere(make):
    """Do an act with an error at statement 1, 2, 3 ... until it runs clean; the figures.

    make: returns an act that was not done yet, with `press()`, which gives the answer of its
    page, and `is_whole(grown)`, which says whether everything of it is there; grown: tables with
    the number of rows that came. Each press but the last is a failure, so each but the first is
    the next try after one.
    """
    found, act = Counter(), make()
    before, rows = digest(), counts()
    for at in range(1, ENOUGH):
        fault = Fault(at)
        with fault.standing():
            answer = act.press()
        if fault.struck and digest() == before:
            assert_told(answer, f"point {at}, {fault.struck[:200]}")
            found += Counter(points=1, nothing=1)
            continue
        grown = +(counts() - rows)
        if not fault.struck:
            found["clean"] = answer.status_code
            assert act.is_whole(grown), f"ran clean, not all is there: {grown}"
            return found
        assert act.is_whole(grown), f"half of it is there: point {at}, {fault.struck}: {grown}"
        found += Counter(points=1, all=1)
        act = make()
        before, rows = digest(), counts()
    raise AssertionError(f"never ran clean: {found}")


def assert_told(answer, where):
    """The person knows that it was not done, and sees nothing of the machinery."""
    text = answer.content.decode()
    assert answer.status_code >= 400, f"answered {answer.status_code} and did nothing: {where}"
    assert any(words in text for words in FAILED), f"no word of it: {where}: {said_in(text)}"
    assert "Reference" in text, where
    assert "Traceback" not in text, where
    assert "on purpose" not in text, where


def said_in(page):
    """The words of a page's main part."""
    return " ".join(re.sub(r"<[^>]+>", " ", page.partition("<main")[2]).split())[:600]
