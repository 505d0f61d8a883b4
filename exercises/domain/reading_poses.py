"""Poses read from their table, with the place of each fault."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import fields
from typing import Any

from exercises.domain.poses import (
    POINTS,
    SEGMENTS,
    Area,
    Base,
    Camera,
    Choice,
    Disc,
    FrameName,
    Limb,
    Line,
    MovesTo,
    PairKind,
    Place,
    Point,
    Pose,
    PosePair,
    Prop,
    PropShape,
    View,
    Zoom,
)


def read_poses(data: Mapping[str, Any]) -> Mapping[str, PosePair]:
    """Pose pairs by exercise code.

    data: the parsed file of poses, code to entry.
    Raises ValueError that names the exercise and the key that is missing or wrong.
    Source: rule of this clinic (notation of the library).
    """
    return {code: _read_pair(code, _Entry(entry, code)) for code, entry in data.items()}


class _Entry:
    """A part of the parsed file that names its own place in every error."""

    def __init__(self, data: Any, where: str) -> None:
        self.data, self.where = self._of(Mapping, data, where), where

    def _of(self, kind: type | tuple[type, ...], value: Any, where: str) -> Any:
        if isinstance(value, bool) or not isinstance(value, kind):
            raise ValueError(f"{where}: {value!r} is not of the expected kind")
        return value

    def has(self, key: str) -> bool:
        return key in self.data

    def get(self, key: str, kind: type | tuple[type, ...]) -> Any:
        if key not in self.data:
            raise ValueError(f"{self.where}: {key}: missing")
        return self._of(kind, self.data[key], f"{self.where}: {key}")

    def number(self, key: str) -> float:
        return float(self.get(key, (int, float)))

    def text(self, key: str) -> str:
        return str(self.get(key, str))

    def word(self, key: str, words: Collection[str]) -> str:
        value = self.text(key)
        if value not in words:
            raise ValueError(f"{self.where}: {key}: {value!r} is not known")
        return value

    def choice(self, key: str, choices: type[Choice]) -> Choice:
        return choices(self.word(key, [choice.value for choice in choices]))

    def child(self, key: str) -> "_Entry":
        return _Entry(self.get(key, Mapping), f"{self.where}: {key}")

    def children(self, key: str) -> list["_Entry"]:
        items = enumerate(self.get(key, list), 1)
        return [_Entry(item, f"{self.where}: {key} {number}") for number, item in items]

    def numbers(self, keys: Iterable[str]) -> dict[str, float]:
        return {key: self.number(key) for key in keys}

    def pair(self, key: str) -> Point:
        return self._pair(self.get(key, list), key)

    def pairs(self, key: str) -> tuple[Point, ...]:
        return tuple(self._pair(item, key) for item in self.get(key, list))

    def _pair(self, value: Any, key: str) -> Point:
        where = f"{self.where}: {key}"
        items = self._of(list, value, where)
        if len(items) != 2:
            raise ValueError(f"{where}: {value!r} is not a pair")
        x, y = (float(self._of((int, float), item, where)) for item in items)
        return x, y


def _read_pair(code: str, entry: _Entry) -> PosePair:
    base = entry.choice("base", Base)
    return PosePair(
        code=code,
        view=entry.choice("view", View),
        camera=entry.choice("camera", Camera),
        kind=entry.choice("pair", PairKind),
        zoom=entry.choice("zoom", Zoom),
        start=_read_pose(base, entry.child("start")),
        end=_read_pose(base, entry.child("end")),
        props=tuple(_read_prop(prop) for prop in entry.children("props")),
        arrows=tuple(_read_arrow(arrow) for arrow in entry.children("arrows")),
    )


def _read_pose(base: Base, entry: _Entry) -> Pose:
    angles = ("trunk_deg", "chest_deg", "pelvis_deg", "head_deg", "shoulder_lift")
    anchor, contacts = entry.child("anchor"), entry.child("contacts")
    return Pose(
        base=base,
        anchor=Place(anchor.word("point", POINTS), anchor.number("x"), anchor.number("y")),
        left=Limb(**entry.child("left").numbers(field.name for field in fields(Limb))),
        right=Limb(**entry.child("right").numbers(field.name for field in fields(Limb))),
        seen=_read_seen(entry.child("seen")) if entry.has("seen") else {},
        contacts={key: contacts.text(key) for key in contacts.data},
        airborne=entry.has("airborne"),
        **entry.numbers(angles),
    )


def _read_seen(entry: _Entry) -> Mapping[str, float]:
    for name in entry.data:
        if name not in SEGMENTS:
            raise ValueError(f"{entry.where}: {name}: no such segment")
    return entry.numbers(entry.data)


def _read_prop(entry: _Entry) -> Prop:
    kind = entry.text("type")
    return Prop(
        kind=kind,
        name=entry.text("id") if entry.has("id") else kind,
        parts=_read_parts(entry),
        frame=entry.choice("in", FrameName) if entry.has("in") else None,
        behind=entry.data.get("behind") is True,
    )


def _read_parts(entry: _Entry) -> tuple[PropShape, ...]:
    match entry.text("shape"):
        case "group":
            return tuple(part for child in entry.children("parts") for part in _read_parts(child))
        case "rect":
            x, y, w, h = entry.numbers("xywh").values()
            return (Area(((x, y), (x + w, y), (x + w, y + h), (x, y + h))),)
        case "polygon":
            return (Area(entry.pairs("points")),)
        case "circle":
            return (Disc(_read_centre(entry), entry.number("r")),)
        case "line" | "between":
            return (Line(_read_place(entry, "from"), _read_place(entry, "to")),)
        case other:
            raise ValueError(f"{entry.where}: shape: {other!r} is not known")


def _read_centre(entry: _Entry) -> Place:
    if entry.has("at"):
        return Place(entry.word("at", POINTS), entry.number("dx"), entry.number("dy"))
    return Place(None, entry.number("x"), entry.number("y"))


def _read_place(entry: _Entry, key: str) -> Place:
    offset = f"{key}_offset"
    x, y = entry.pair(offset) if entry.has(offset) else (0.0, 0.0)
    if isinstance(entry.get(key, (str, list)), str):
        return Place(entry.word(key, POINTS), x, y)
    from_x, from_y = entry.pair(key)
    return Place(None, from_x + x, from_y + y)


def _read_arrow(entry: _Entry) -> MovesTo:
    frame = entry.choice("in", FrameName) if entry.has("in") else FrameName.END
    curve = entry.number("curve") if entry.has("curve") else 0.0
    if entry.has("point"):
        return MovesTo(frame, curve, entry.word("point", POINTS))
    return MovesTo(frame, curve, None, entry.pair("from"), entry.pair("to"))
