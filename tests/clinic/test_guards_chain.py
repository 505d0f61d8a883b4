"""What the trail and its heads refuse by themselves: straight SQL, on both engines."""

import pytest
from django.db import IntegrityError, connection, transaction

from clinic.domain.vocabulary import TrailAction
from clinic.models import TrailEntry, TrailHead
from clinic.services import trail
from tests.factories import StaffFactory

LINE, HEAD = "clinic_trailentry", "clinic_trailhead"
COPIED = [
    field.column
    for field in TrailEntry._meta.concrete_fields
    if field.column not in ("id", "number", "prev_hash", "hash", "chain")
]


@pytest.fixture
def lines(deleting_refused):
    """Three lines of one chain."""
    staff = StaffFactory()
    return [trail.record(TrailAction.SEARCH, by=staff, kind="client") for _ in range(3)]


def refused(statement, *values, match):
    with (
        pytest.raises(IntegrityError, match=match),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement, values)


def written(line, *, verb="INSERT", **given):
    """SQL that copies a line, with other values for the columns given, and the values."""
    own = {"chain": line.chain, "number": line.number, "prev_hash": line.prev_hash} | given
    own |= {"hash": given.get("hash", "f" * 64)}
    copied = ["clinic_trailentry." + name for name in COPIED if name not in own]
    names = [*own, *(name for name in COPIED if name not in own)]
    parts = [verb, "INTO", LINE, "(", ", ".join(names), ") SELECT"]
    parts += [", ".join(["%s"] * len(own) + copied), "FROM", LINE, "WHERE id = %s"]
    return " ".join(parts), *own.values(), line.pk


def test_line_that_follows_moves_the_head(lines):
    last = lines[-1]
    with connection.cursor() as cursor:
        statement, *values = written(last, number=4, prev_hash=last.hash)
        cursor.execute(statement, values)

    head = TrailHead.objects.get(chain=last.chain)
    assert (head.number, head.hash) == (4, "f" * 64)


@pytest.mark.parametrize("column", ["actor_name", "hash", "prev_hash", "number", "chain", "act"])
def test_no_column_of_a_line_is_changed(lines, column):
    same = f"SET {column} = {column} WHERE id = %s"

    refused(f"UPDATE clinic_trailentry {same}", lines[1].pk, match="fixed")


@pytest.mark.parametrize("place", [0, 1, 2])
def test_no_line_is_deleted(lines, place):
    refused("DELETE FROM clinic_trailentry WHERE id = %s", lines[place].pk, match="never deleted")


@pytest.mark.parametrize(
    "given",
    [
        {"number": 5},  # leaves one out
        {"number": 3},  # stands there already
        {"number": 1, "prev_hash": "0" * 64},
        {"prev_hash": "a" * 64},
        {"chain": 0},  # of another site
        {"hash": "short"},
    ],
)
def test_line_that_does_not_follow_is_refused(lines, given):
    last = lines[-1]
    right = {"number": 4, "prev_hash": last.hash}

    refused(*written(last, **right | given), match="does not follow")


@pytest.mark.parametrize("table", [LINE, HEAD])
def test_tables_are_not_emptied(lines, table):
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # nothing else may be in its way
        refused(f"TRUNCATE {table}", match="never deleted")
    refused(" ".join(["DELETE FROM", table]), match="never deleted")


@pytest.mark.parametrize(
    "change",
    [
        "number = number - 1",  # back
        "number = number + 1",  # to a line that is not there
        "number = number + 2",
        "number = number",
        f"hash = '{'0' * 64}'",
        "chain = chain + 1",
    ],
)
def test_head_is_not_moved_by_hand(lines, change):
    refused(" ".join(["UPDATE", HEAD, "SET", change]), match="moves to the line just written")


@pytest.mark.parametrize("number", [1, 3])
def test_head_is_not_made_by_hand(lines, number):
    refused(
        "INSERT INTO clinic_trailhead (chain, number, hash) VALUES (77, %s, %s)",
        number,
        "0" * 64,
        match="begins with its first line",
    )


@pytest.mark.engine("sqlite")  # a statement of SQLite
def test_line_is_not_replaced(lines):
    first, last = lines[0], lines[-1]
    follows = {"number": 4, "prev_hash": last.hash}
    replace = "INSERT OR REPLACE"

    refused(*written(first, verb=replace, id=first.pk, **follows), match="there already")
    refused(*written(first, verb=replace), match="does not follow")
    assert TrailEntry.objects.count() == 3


@pytest.mark.engine("sqlite")  # a statement of SQLite
def test_line_of_an_act_is_not_replaced(lines):
    last, act = lines[-1], "9" * 32
    statement, *values = written(last, number=4, prev_hash=last.hash, act=act)
    with connection.cursor() as cursor:
        cursor.execute(statement, values)
    other = {"number": 5, "prev_hash": "f" * 64, "hash": "e" * 64, "act": act}

    refused(*written(last, verb="INSERT OR REPLACE", **other), match="there already")


@pytest.mark.engine("sqlite")  # a statement of SQLite
def test_head_is_not_replaced(lines):
    refused(
        "INSERT OR REPLACE INTO clinic_trailhead (chain, number, hash) VALUES (%s, 1, %s)",
        lines[0].chain,
        lines[0].hash,
        match="begins with its first line",
    )
