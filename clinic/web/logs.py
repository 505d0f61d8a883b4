"""One event, one line, one JSON object: no secret, no word about a client, no forged line.

An event of ours names itself and carries its facts in `extra={"facts": {...}}`. Of other packages
only the pattern of the message is written, without what was put into it, and of an error its kind
and place: what somebody typed or an address with a secret may stand in either.
"""

import json
import logging
import traceback
from datetime import UTC, datetime
from types import TracebackType
from typing import Any

from django.conf import settings

from clinic.middleware import REFERENCE

OURS = ("clinic", "assessments", "exercises")
PATTERN_SIGNS = 200
FRAMES = 40


class OneObject(logging.Formatter):
    """Time in UTC, level, logger, reference of the request, event and its facts."""

    def format(self, record: logging.LogRecord) -> str:
        facts: dict[str, Any] = getattr(record, "facts", {})
        told = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "event": event_of(record),
            **facts,
        }
        told.setdefault("reference", REFERENCE.get())
        if record.exc_info:
            told["error"] = error_of(record.exc_info[1])
        # ASCII alone: breaks, escape codes and signs that turn the writing are written out
        return json.dumps(told, ensure_ascii=True, default=str)


def event_of(record: logging.LogRecord) -> str:
    """What the line says happened."""
    is_ours = record.name.partition(".")[0] in OURS
    # what the server says of itself; its warnings quote the request
    is_server = record.name.startswith("gunicorn") and record.levelno <= logging.INFO
    if is_ours or is_server:
        return record.getMessage()
    if record.name.startswith("django.security."):
        return record.name.rpartition(".")[2]  # the kind of error; its text quotes the request
    return str(record.msg)[:PATTERN_SIGNS]


def error_of(error: BaseException | None) -> list[dict[str, Any]]:
    """The error and what it came from, newest first: kind, database code, places in the code."""
    found: list[dict[str, Any]] = []
    while error is not None and len(found) < 5:
        kind = type(error)
        told: dict[str, Any] = {"kind": f"{kind.__module__}.{kind.__qualname__}"}
        if code := code_of(error):
            told["code"] = code
        told["at"] = places_of(error.__traceback__)
        found.append(told)
        error = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
    return found


def code_of(error: BaseException) -> str:
    """What the database calls the fault, and the rule that was broken; never the values."""
    diagnosis = getattr(error, "diag", None)
    named = (
        getattr(error, "sqlstate", None),
        getattr(diagnosis, "constraint_name", None),
        getattr(error, "sqlite_errorname", None),
    )
    return " ".join(it for it in named if it)


def places_of(trace: TracebackType | None) -> list[str]:
    """File, line and function of each step, the last ones; no line of them shows a value."""
    frames = traceback.extract_tb(trace)[-FRAMES:]
    return [f"{_short(it.filename)}:{it.lineno} {it.name}" for it in frames]


def _short(path: str) -> str:
    _, installed, rest = path.rpartition("site-packages/")
    return rest if installed else path.removeprefix(f"{settings.BASE_DIR}/")
