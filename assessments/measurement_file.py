"""Reading of landmarks and events from JSON: the whole value, or every error with its place."""

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from assessments.domain.camera import Facing, Up, View
from assessments.domain.events import Event, EventKind
from assessments.domain.measured import EventError
from assessments.domain.placed import PlacedFrame, PlacedTrial
from assessments.domain.segment_tables import SegmentTable
from assessments.domain.vocabulary import Side
from clinic.json_files import checked
from clinic.schema_errors import FileError, is_number, pointer_to

SCHEMA = "measurement.schema.json"
# beyond these a number cannot be a measurement, and sums of squares would overflow
LARGEST = 10**9
SMALLEST = Decimal("1e-9")
ABOVE_ZERO = (
    "scale_m_per_unit",
    "frame_rate_hz",
    "speed_m_s",
    "mass_kg",
    "height_m",
    "leg_length_m",
)
WORDS: Mapping[str, Any] = {
    "view": View,
    "facing": Facing,
    "y_axis": Up,
    "segment_table": SegmentTable,
    "sex": str,
}
NUMBERS = (
    "plumb_deg",
    "standing_foot_deg",
    "scale_m_per_unit",
    "click_sd",
    "frame_rate_hz",
    "speed_m_s",
    "grade_percent",
    "mass_kg",
    "height_m",
    "leg_length_m",
)


def read_measurement(data: Any, schema: Mapping[str, Any]) -> PlacedTrial:
    """The landmarks and events that a JSON value holds.

    data: from `clinic.json_files.load_json`, or plain Python values; schema:
    measurement.schema.json. Raises BadFile with every error; nothing of a bad file is used.
    """
    return _trial(checked(data, schema, _semantic_errors))


def event_error(error: EventError) -> FileError:
    """The error at the event that it names, at the list of events otherwise."""
    named = re.match(r"event (\d+)(?:, )?", error.what)
    if named is None:
        return FileError("/events", str(error))
    return FileError(f"/events/{named[1]}", str(error).removeprefix(named[0]).removeprefix(": "))


def _semantic_errors(data: Mapping[str, Any]) -> list[FileError]:
    """What the schema cannot say. Places of a wrong shape are left to the schema."""
    return [
        *_too_large(data, ""),
        *_too_small(data),
        *_frames_twice(data),
        *_events_without_instant(data),
    ]


def _too_large(node: Any, pointer: str) -> Iterator[FileError]:
    if isinstance(node, Mapping):
        for key, item in node.items():
            yield from _too_large(item, pointer + pointer_to([key]))
    elif isinstance(node, list):
        for place, item in enumerate(node):
            yield from _too_large(item, f"{pointer}/{place}")
    elif is_number(None, node) and abs(node) > LARGEST:
        yield FileError(pointer, f"is beyond {LARGEST}, no measurement is")


def _too_small(data: Mapping[str, Any]) -> Iterator[FileError]:
    for key in ABOVE_ZERO:
        if is_number(None, data.get(key)) and 0 < data[key] < SMALLEST:
            yield FileError(f"/{key}", f"is below {SMALLEST}, no measurement is")


def _listed(data: Mapping[str, Any], name: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    items = data.get(name)
    for place, item in enumerate(items if isinstance(items, list) else ()):
        if isinstance(item, Mapping):
            yield f"/{name}/{place}", item


def _frames_twice(data: Mapping[str, Any]) -> Iterator[FileError]:
    seen: dict[tuple[str, str], str] = {}
    for pointer, item in _listed(data, "frames"):
        key = (str(item.get("frame")), str(item.get("side", "no side")))
        if key in seen:
            yield FileError(pointer, f"frame {key[0]}, {key[1]}, stands at {seen[key]} already")
        seen.setdefault(key, pointer)


def _events_without_instant(data: Mapping[str, Any]) -> Iterator[FileError]:
    for pointer, item in _listed(data, "events"):
        if "frame" not in item and "time_s" not in item:
            yield FileError(pointer, "frame or time_s is missing")


def _trial(data: Mapping[str, Any]) -> PlacedTrial:
    given: dict[str, Any] = {key: float(data[key]) for key in NUMBERS if key in data}
    given |= {key: kind(data[key]) for key, kind in WORDS.items() if key in data}
    return PlacedTrial(
        frames=tuple(map(_frame, data.get("frames", ()))),
        events=tuple(map(_event, data.get("events", ()))),
        **given,
    )


def _frame(item: Mapping[str, Any]) -> PlacedFrame:
    points = {
        name: (float(place[0]), float(place[1]))
        for name, place in item["points"].items()
        if place is not None
    }
    return PlacedFrame(int(item["frame"]), points, _side(item))


def _event(item: Mapping[str, Any]) -> Event:
    return Event(
        kind=EventKind(item["kind"]),
        side=Side(item["side"]),
        frame=int(item["frame"]) if "frame" in item else None,
        time_s=float(item["time_s"]) if "time_s" in item else None,
    )


def _side(item: Mapping[str, Any]) -> Side | None:
    return Side(item["side"]) if "side" in item else None
