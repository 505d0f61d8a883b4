"""The chain of the trail: what a line's checksum is made of."""

import json
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from hashlib import sha256
from typing import Any
from uuid import UUID

GENESIS = "0" * 64  # stands where the first line of a chain has no line before it
COLUMNS = (
    "chain",
    "number",
    "prev_hash",
    "site_id",
    "at",
    "actor_id",
    "actor_name",
    "role",
    "action",
    "client_id",
    "object_kind",
    "object_key",
    "object_version",
    "origin",
    "act",
    "detail",
)


def line_hash(line: Mapping[str, Any]) -> str:
    """SHA-256 of a line of the trail, as 64 hexadecimal digits.

    line: a value for each of COLUMNS; `at` is an instant with its zone. The line's own hash and
    its row number are left out: the first is the result, the second is not known before it.
    Raises KeyError for a missing column and ValueError for a number that is none.
    Source: rule of this clinic; the same columns give the same text on both engines.
    """
    return checksum({name: line[name] for name in COLUMNS})


def checksum(value: Any) -> str:
    """SHA-256 of the canonical text of a value, as 64 hexadecimal digits."""
    return sha256(canonical(value).encode("ascii")).hexdigest()


def canonical(value: Any) -> str:
    """A value as JSON with sorted keys and without spaces; equal values give equal text.

    value: what JSON can hold, and instants, dates, decimals and UUIDs. A number becomes its plain
    digits under a key of its own: PostgreSQL keeps 1e16 and 10000000000000000 as one number.
    Raises ValueError for what is not a number and TypeError for what JSON cannot hold.
    """
    text = json.dumps(value, default=_plain, allow_nan=False)
    counted = json.loads(text, parse_float=_number, parse_int=_number)
    return json.dumps(counted, sort_keys=True, separators=(",", ":"))


def _plain(value: object) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return _number(str(value))
    if isinstance(value, UUID):
        return str(value)
    raise TypeError(f"no canonical text for {type(value).__name__}")


def _number(text: str) -> dict[str, str]:
    digits = format(Decimal(text), "f")
    if "." in digits:
        digits = digits.rstrip("0").rstrip(".")
    return {"#": "0" if digits == "-0" else digits}
