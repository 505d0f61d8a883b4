"""Forms for what people place on film: events, the camera, one frame, a whole file."""

import re
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from crispy_forms.layout import Div
from django import forms
from django.core.exceptions import ValidationError

from assessments.domain.camera import Facing, Up, View
from assessments.domain.events import EventKind
from assessments.domain.moments import Moment
from assessments.domain.segment_tables import SegmentTable
from assessments.domain.vocabulary import Side
from assessments.forms.assessments import CommaDecimalField
from clinic.fields import choices
from clinic.forms.people import plain_helper
from clinic.schema_errors import FileError

FILE_LIMIT = 1_000_000  # bytes; 500 frames with all landmarks are half of it
MOST_EVENTS = 400
FARTHEST = 100_000  # pixels, cm: no picture and no measured length reaches so far
TOKEN = re.compile(r"^(?:(\d{1,9})|(\d{1,6}(?:\.\d{1,6})?)\s?s)$")
# the four lists: name, side, kind
LISTS = (
    ("left_contacts", Side.LEFT, EventKind.CONTACT),
    ("left_toe_offs", Side.LEFT, EventKind.TOE_OFF),
    ("right_contacts", Side.RIGHT, EventKind.CONTACT),
    ("right_toe_offs", Side.RIGHT, EventKind.TOE_OFF),
)
SIDE_POINTS = (
    "tragus",
    "c7",
    "acromion",
    "lateral_humeral_epicondyle",
    "ulnar_styloid",
    "greater_trochanter",
    "lateral_femoral_epicondyle",
    "fibular_head",
    "lateral_malleolus",
    "heel",
    "fifth_metatarsal_head",
    "second_toe_tip",
)
PARTS = ("psis", "asis", "knee_centre", "ankle_centre")
BACK_PARTS = ("heel_top", "heel_bottom", "shank_upper", "shank_lower")
POINTS: Mapping[str, tuple[str, ...]] = {
    View.SIDE: SIDE_POINTS,
    View.FRONT: tuple(f"{side}_{part}" for part in PARTS[1:] for side in ("left", "right")),
    View.BACK: tuple(
        f"{side}_{part}"
        for part in (PARTS[0], *PARTS[2:], *BACK_PARTS)
        for side in ("left", "right")
    ),
}


class EventListField(forms.CharField):
    """Frame numbers, or times with an s, between commas or blanks."""

    widget = forms.TextInput(attrs={"autocomplete": "off"})

    def clean(self, value: Any) -> list[dict[str, Any]]:
        text = super().clean(value)
        tokens = re.split(r"(?:[,;]\s*|(?<=[\ds])\s+(?!s))", text.strip()) if text else []
        found = [_instant(token) for token in tokens if token]
        if len(found) > MOST_EVENTS:
            raise ValidationError(f"{MOST_EVENTS} events at most.")
        return found


def _instant(token: str) -> dict[str, Any]:
    match = TOKEN.match(token)
    if match is None:
        raise ValidationError(
            f"“{token[:20]}” is no frame number. Write whole numbers such as 28, 92, 156; "
            "or times such as 0.35s."
        )
    return {"frame": int(match[1])} if match[1] else {"time_s": float(match[2])}


class Placed(forms.Form):
    """What every form of the page knows: the version it was drawn from."""

    seen = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def refuse(self, errors: Sequence[FileError]) -> None:
        """Put refusals of a placement beside the fields that they name."""
        for error in errors:
            name, words = self.place(error)
            self.add_error(name if name in self.fields else None, words)

    def place(self, error: FileError) -> tuple[str, str]:
        """Name of the field that an error belongs to, and its words."""
        return error.pointer.removeprefix("/"), str(error)


class EventsForm(Placed):
    left_contacts = EventListField(label="Left foot, contacts", required=False)
    left_toe_offs = EventListField(label="Left foot, toe-offs", required=False)
    right_contacts = EventListField(label="Right foot, contacts", required=False)
    right_toe_offs = EventListField(label="Right foot, toe-offs", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        lists = [name for name, _, _ in LISTS]
        feet = (lists[:2], lists[2:])
        self.helper = plain_helper("seen", *(Div(*foot, css_class="pair") for foot in feet))

    def events(self) -> list[dict[str, Any]]:
        """Events as the schema has them, list after list."""
        return [
            {"kind": kind.value, "side": side.value, **instant}
            for name, side, kind in LISTS
            for instant in self.cleaned_data[name]
        ]

    def place(self, error: FileError) -> tuple[str, str]:
        """An error of one event belongs to the list that holds it."""
        match = re.match(r"^/events/(\d+)", error.pointer)
        if match is None:
            return "", error.text
        number = int(match[1])
        for name, _, _ in LISTS:
            if number < len(self.cleaned_data.get(name, [])):
                return name, error.text
            number -= len(self.cleaned_data.get(name, []))
        return "", error.text


def event_lists(events: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """The four lists as they are typed, from events as the schema has them."""
    return {
        name: ", ".join(
            f"{one['frame']}" if "frame" in one else f"{float(one['time_s']):.6g}s"
            for one in events
            if (one["side"], one["kind"]) == (side, kind)
        )
        for name, side, kind in LISTS
    }


class CameraForm(Placed):
    """How the film shows the runner: direction, scale, tilt and how well points are placed."""

    facing = forms.ChoiceField(
        label="Runs on the picture to the", required=False, choices=[("", "-"), *choices(Facing)]
    )
    y_axis = forms.ChoiceField(
        label="y grows",
        choices=[(Up.DOWN.value, "downward, as pixel rows do"), (Up.UP.value, "upward")],
    )
    known_px = CommaDecimalField(
        label="Known length (pixels)", required=False, min_value=1, max_value=FARTHEST
    )
    known_cm = CommaDecimalField(
        label="The same length (cm)", required=False, min_value=Decimal("0.1"), max_value=FARTHEST
    )
    plumb_deg = CommaDecimalField(
        label="Tilt of the vertical (deg)",
        required=False,
        min_value=-45,
        max_value=45,
        help_text="Of a plumb line or the deck, clockwise +.",
    )
    click_sd = CommaDecimalField(
        label="Error of placing a point (pixels)",
        required=False,
        min_value=0,
        max_value=1000,
        help_text="Standard deviation of one coordinate when the same point is placed again.",
    )
    standing_foot_deg = CommaDecimalField(
        label="Foot angle in quiet standing (deg)",
        required=False,
        min_value=-45,
        max_value=45,
        help_text="Same shoe and camera, toes up +.",
    )
    leg_length_m = CommaDecimalField(
        label="Leg length (m)", required=False, min_value=0, max_value=2
    )
    segment_table = forms.ChoiceField(
        label="Masses of the segments",
        choices=[
            (SegmentTable.DEMPSTER_WINTER.value, "Dempster, by Winter"),
            (SegmentTable.DE_LEVA.value, "de Leva"),
        ],
    )

    def __init__(self, *args: Any, scale: float | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.scale = scale
        said = f"Now {scale * 100:.4g} cm a pixel; leave empty to keep it." if scale else ""
        self.fields["known_px"].help_text = said or "For example a board of known length."
        pairs = (
            ("facing", "y_axis"),
            ("known_px", "known_cm"),
            ("plumb_deg", "click_sd"),
            ("standing_foot_deg", "leg_length_m"),
        )
        shown = [Div(*pair, css_class="pair") for pair in pairs]
        self.helper = plain_helper("seen", *shown, "segment_table")

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        pixels, length = cleaned.get("known_px"), cleaned.get("known_cm")
        if not self.errors and (pixels is None) != (length is None):
            self.add_error("known_cm", "Give the length in pixels and in cm.")
        for name in ("known_px", "known_cm", "leg_length_m"):
            if cleaned.get(name) == 0:
                self.add_error(name, "Write a length above 0.")
        return cleaned

    def place(self, error: FileError) -> tuple[str, str]:
        name = error.pointer.removeprefix("/")
        return {"scale_m_per_unit": "known_px"}.get(name, name), error.text

    def content(self) -> dict[str, Any]:
        """What the schema calls these; None for what was left empty."""
        data = self.cleaned_data
        pixels, length = data["known_px"], data["known_cm"]
        names = ("plumb_deg", "click_sd", "standing_foot_deg", "leg_length_m")
        return {
            "facing": data["facing"] or None,
            "y_axis": data["y_axis"],
            "segment_table": data["segment_table"],
            "scale_m_per_unit": float(length / 100 / pixels) if pixels and length else self.scale,
            **{name: None if data[name] is None else float(data[name]) for name in names},
        }


class FrameForm(Placed):
    """Landmarks of one frame; those of the frame that is stored are replaced."""

    frame = forms.IntegerField(label="Frame", min_value=0, max_value=10**9)
    side = forms.ChoiceField(
        required=False, choices=[("", "-"), ("left", "left"), ("right", "right")]
    )
    moment = forms.ChoiceField(
        label="Shows",
        required=False,
        choices=[("", "what the events say"), *choices(Moment)],
    )

    def __init__(self, *args: Any, view: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.names = POINTS[view]
        self.fields["frame"].widget = forms.TextInput(
            attrs={"inputmode": "numeric", "autocomplete": "off"}
        )
        legs = "Leg that the points belong to" if view == View.SIDE else "Stance leg"
        self.fields["side"].label = legs
        for name in self.names:
            for axis in "xy":
                field = CommaDecimalField(
                    required=False,
                    label=f"{words(name)}, {axis}",
                    min_value=-FARTHEST,
                    max_value=FARTHEST,
                )
                field.widget.attrs |= {"autocomplete": "off", "class": "form-control"}
                self.fields[f"{name}.{axis}"] = field
        self.helper = plain_helper("seen", "frame", Div("side", "moment", css_class="pair"))

    @property
    def rows(self) -> Iterator[tuple[str, list[Any]]]:
        """Landmarks with their two fields."""
        for name in self.names:
            yield words(name), [self[f"{name}.x"], self[f"{name}.y"]]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for name in self.names:
            x, y = cleaned.get(f"{name}.x"), cleaned.get(f"{name}.y")
            if (x is None) != (y is None) and not {f"{name}.x", f"{name}.y"} & set(self.errors):
                self.add_error(f"{name}.{'x' if x is None else 'y'}", "Give both x and y.")
        return cleaned

    def content(self) -> dict[str, Any]:
        """The frame as the schema has it."""
        data = self.cleaned_data
        points = {
            name: [float(data[f"{name}.x"]), float(data[f"{name}.y"])]
            for name in self.names
            if data[f"{name}.x"] is not None
        }
        side = {"side": data["side"]} if data["side"] else {}
        return {"frame": data["frame"], **side, "points": points}


class FileForm(Placed):
    """A measurement as a file, or pasted; it replaces what was placed on this view."""

    file = forms.FileField(label="Measurement file (JSON)", required=False)
    text = forms.CharField(
        label="Or paste it",
        required=False,
        strip=False,
        widget=forms.Textarea(attrs={"rows": 4, "spellcheck": "false"}),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.helper = plain_helper("seen", "file", "text")

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        file, text = cleaned.get("file"), cleaned.get("text")
        if self.errors:
            return cleaned
        if file is not None and text:
            raise ValidationError({"text": "Choose a file or paste its text, not both."})
        if file is None and not text:
            raise ValidationError({"file": "Choose a file, or paste its text."})
        name = "file" if file is not None else "text"
        if (file.size if file is not None else len(str(text).encode())) > FILE_LIMIT:
            raise ValidationError({name: f"{FILE_LIMIT // 1000} kB at most."})
        cleaned["given"], cleaned["json"] = name, _decoded(file) if file is not None else text
        return cleaned

    def place(self, error: FileError) -> tuple[str, str]:
        return self.cleaned_data.get("given", "text"), str(error)


def _decoded(file: Any) -> str:
    try:
        return str(file.read().decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise ValidationError({"file": f"This is not UTF-8 at byte {error.start}."}) from error


def words(name: str) -> str:
    """A landmark's code in words; the abbreviations of the spine of the pelvis stay capitals."""
    text = name.replace("_", " ").replace("psis", "PSIS").replace("asis", "ASIS")
    return "C7" if name == "c7" else text[0].upper() + text[1:]
