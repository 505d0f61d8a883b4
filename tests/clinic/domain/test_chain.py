"""The checksum of a line and what is wrong with a chain."""

import hashlib
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from uuid import UUID

import pytest

from clinic.domain.chain import COLUMNS, GENESIS, canonical, checksum, line_hash
from clinic.domain.chain_faults import Fault, Head, faults

AT = datetime(2027, 1, 4, 9, 30, tzinfo=UTC)


def line(number=1, prev=GENESIS, **given):
    made = dict.fromkeys(COLUMNS) | {
        "chain": 1,
        "site_id": 1,
        "number": number,
        "prev_hash": prev,
        "at": AT,
        "detail": {},
        "id": number + 100,
    }
    made |= given
    return made | {"hash": given.get("hash") or line_hash(made)}


def chain(length=5):
    made = [line()]
    while len(made) < length:
        made.append(line(len(made) + 1, made[-1]["hash"]))
    return made


def head_of(lines):
    return Head(lines[-1]["number"], lines[-1]["hash"])


def told(lines, head):
    return [(fault.number, fault.what) for fault in faults(lines, head)]


def test_checksum_is_that_of_the_published_example():
    """Source: NIST, examples of SHA-256, two-block message, here as a quoted JSON text."""
    text = "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"

    assert canonical(text) == f'"{text}"'
    assert checksum(text) == hashlib.sha256(f'"{text}"'.encode()).hexdigest()
    assert hashlib.sha256(text.encode()).hexdigest() == (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    )


def test_text_is_the_one_written_by_hand():
    value = {"b": [1, True, None], "a": AT, "c": "é", "d": date(2027, 1, 4)}

    assert canonical(value) == (
        '{"a":"2027-01-04T09:30:00.000000+00:00","b":[{"#":"1"},true,null],'
        '"c":"\\u00e9","d":"2027-01-04"}'
    )


@pytest.mark.parametrize(
    ("one", "same"),
    [
        (1, 1.0),
        (1e16, 10000000000000000),
        (1e300, 10**300),
        (-0.0, 0),
        (Decimal("1.50"), 1.5),
        (Decimal("0.000"), 0),
        (1e-7, Decimal("0.0000001")),
        ((1, 2), [1, 2]),
        ({"a": 1, "b": 2}, {"b": 2, "a": 1}),
        ({1: "x"}, {"1": "x"}),
        (AT, AT.astimezone(timezone(timedelta(hours=2)))),
        (UUID(int=5), "00000000-0000-0000-0000-000000000005"),
    ],
)
def test_equal_values_have_one_text(one, same):
    assert canonical(one) == canonical(same)


@pytest.mark.parametrize(
    ("one", "other"),
    [(1, "1"), (1, True), (0, None), ("", None), ([1, 2], [2, 1]), (0.1, 0.10000000000000002)],
)
def test_other_values_have_another_text(one, other):
    assert canonical(one) != canonical(other)


def test_what_json_cannot_hold_is_refused():
    with pytest.raises(TypeError):
        canonical({1, 2})
    with pytest.raises(ValueError, match="JSON compliant"):
        canonical(float("nan"))


@pytest.mark.parametrize("column", COLUMNS)
def test_every_column_counts(column):
    plain = line()
    other = AT + timedelta(microseconds=1) if column == "at" else 7

    assert line_hash(plain | {column: other}) != plain["hash"]


def test_missing_column_is_refused():
    with pytest.raises(KeyError):
        line_hash({"chain": 1})


def test_whole_chain_has_no_fault():
    assert told(chain(), head_of(chain())) == []
    assert told([], Head(0, GENESIS)) == []


def test_altered_line_is_told():
    lines = chain()
    lines[2] = lines[2] | {"role": "manager"}

    assert list(faults(lines, head_of(lines))) == [Fault(3, "was altered", lines[2])]


def test_line_with_a_new_hash_breaks_the_next():
    lines = chain()
    lines[2] = line(3, lines[1]["hash"], role="manager")

    assert told(lines, head_of(lines)) == [
        (4, "does not follow the line before it: one of them was replaced")
    ]


@pytest.mark.parametrize(
    ("left_out", "what"),
    [
        ([0], (1, "line 1 is missing")),
        ([2], (3, "line 3 is missing")),
        ([1, 2], (3, "lines 2 to 3 are missing")),
        ([4], (5, "line 5 is cut off the end")),
        ([3, 4], (5, "lines 4 to 5 are cut off the end")),
        ([0, 1, 2, 3, 4], (5, "lines 1 to 5 are cut off the end")),
    ],
)
def test_missing_lines_are_told(left_out, what):
    lines = chain()

    assert told([one for n, one in enumerate(lines) if n not in left_out], head_of(lines)) == [
        what
    ]


def test_line_in_another_chain_is_told():
    lines = [line(site_id=2)]

    assert told(lines, head_of(lines)) == [(1, "stands in the chain of another site")]


def test_line_older_than_the_one_before_is_told():
    lines = chain()
    lines[1] = lines[1] | {"id": 999}

    assert told(lines, head_of(lines)) == [(3, "was written before the line that it follows")]


def test_head_that_is_another_is_told():
    lines = chain()

    assert told(lines, None) == [(5, "the chain has no head")]
    assert told(lines, Head(5, "f" * 64)) == [(5, "the newest line is not the head of the chain")]
    assert told(lines, Head(4, lines[3]["hash"])) == [
        (5, "the newest line is not the head of the chain")
    ]
