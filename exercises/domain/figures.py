"""The figure pair of an exercise: its crop, its words, its shapes, and the same as SVG."""

from collections.abc import Iterable, Mapping
from itertools import chain, product
from xml.sax.saxutils import escape, quoteattr

from exercises.domain.figure_bodies import body
from exercises.domain.figure_looks import INK, LOOKS, Look, Sheet, sheet
from exercises.domain.figure_props import (
    arrow_line,
    arrow_shapes,
    ground,
    prop_box,
    prop_shapes,
    shown_props,
)
from exercises.domain.figure_shapes import (
    Box,
    Circle,
    Drawing,
    Frame,
    Polygon,
    Polyline,
    Role,
    Shape,
    box_around,
    extent,
)
from exercises.domain.poses import (
    HALF_THICKNESS,
    SIDES,
    Camera,
    FrameName,
    PairKind,
    Point,
    PosePair,
    View,
    Zoom,
    skeleton,
)

# Rule of this clinic: a frame is printed about this wide, and at most this much taller than wide.
FRAME_MM = 45
TALLEST = 1.3
MARGIN = 0.03
CAPTIONS: Mapping[PairKind, tuple[str, str]] = {
    PairKind.MOVEMENT: ("start", "end"),
    PairKind.ALTERNATE: ("one way", "other way"),
    PairKind.CONTRAST: ("not like this", "like this"),
}
PAIR_SENTENCES: Mapping[PairKind, str] = {
    PairKind.MOVEMENT: "The first picture shows the start, the second the end of the movement.",
    PairKind.ALTERNATE: "The two pictures show the positions that take turns.",
    PairKind.CONTRAST: (
        "The first picture, crossed out, shows how not to do it, the second how to do it."
    ),
}
ZOOM_WORDS: Mapping[Zoom, str] = {
    Zoom.WHOLE: "",
    Zoom.LOWER_BODY: ", from the hips down",
    Zoom.LOWER_LEGS: ", both lower legs only",
    Zoom.LOWER_LEG: ", the right lower leg only",
    Zoom.FOOT: ", the right foot only",
}
PROP_WORDS: Mapping[str, str] = {
    "ball": "a ball",
    "band": "a band",
    "box": "a box",
    "chair": "a chair",
    "loop_band": "a loop band",
    "mat": "a mat",
    "metronome": "a metronome",
    "mirror": "a mirror",
    "paper": "a paper roll in each hand",
    "roller": "a roller",
    "step": "a step",
    "stick": "a stick",
    "tape": "a strip of tape",
    "towel": "a towel",
    "treadmill": "a treadmill",
    "wall": "a wall",
    "wedge": "thin wedges",
    "weight": "a weight",
}
Skeletons = Mapping[FrameName, Mapping[str, Point]]


def drawing(pair: PosePair, name: str) -> Drawing:
    """The figure pair of an exercise.

    name: what the exercise is called, as the client reads it.
    Source: rule of this clinic.
    """
    skeletons = {f: skeleton(pair.pose(f), pair.view, pair.camera) for f in FrameName}
    box = crop(pair, skeletons)
    start, end = (
        Frame(f, caption, _frame_shapes(pair, f, skeletons, box))
        for f, caption in zip(FrameName, CAPTIONS[pair.kind], strict=True)
    )
    return Drawing(pair.code, name, alt_text(pair, name), box, (start, end))


def alt_text(pair: PosePair, name: str) -> str:
    """Plain sentences for a reader who cannot see the pair."""
    seen = {
        (View.SIDE, Camera.LEVEL): "from the side",
        (View.SIDE, Camera.ABOVE): "from above",
        (View.FRONT, Camera.LEVEL): "from the front",
        (View.FRONT, Camera.BEHIND): "from behind",
    }[pair.view, pair.camera]
    kinds = dict.fromkeys(PROP_WORDS[p.kind] for p in pair.props if p.kind in PROP_WORDS)
    kit = f" Beside the person: {', '.join(kinds)}." if kinds else ""
    return (
        f"Two pictures of a person seen {seen}{ZOOM_WORDS[pair.zoom]}: {name}. "
        f"{PAIR_SENTENCES[pair.kind]}{kit}"
    )


def crop(pair: PosePair, skeletons: Skeletons) -> Box:
    """The part of the plane that both frames show: what the zoom asks for and its arrows."""
    shown = [extent(shape) for shape in _zoomed(pair, skeletons)]
    shown += [box_around(arrow_line(a, skeletons)) for a in pair.arrows]
    tight = _around(shown)
    if pair.zoom in {Zoom.WHOLE, Zoom.LOWER_BODY, Zoom.LOWER_LEGS}:
        tight = _with_props(pair, skeletons, tight)
    # how far an arrow is moved aside depends on the scale, so it needs a first crop
    unit = tight.width / FRAME_MM
    arrows = [s for f in FrameName for s in arrow_shapes(pair, f, skeletons, unit)]
    tight = _around([tight, *map(extent, arrows)])
    return _not_too_tall(tight.grown(MARGIN * max(tight.width, tight.height)))


def _around(boxes: Iterable[Box]) -> Box:
    return box_around(corner for box in boxes for corner in box.corners)


def _zoomed(pair: PosePair, skeletons: Skeletons) -> Iterable[Circle]:
    """Discs around the points that the zoom shows."""
    names = {
        Zoom.LOWER_BODY: ("hip", "knee", "ankle", "heel", "ball", "toe"),
        Zoom.LOWER_LEGS: ("knee", "ankle", "heel", "ball", "toe"),
        Zoom.LOWER_LEG: ("ankle", "heel", "ball", "toe", "big_toe"),
        Zoom.FOOT: ("ankle", "heel", "ball", "toe", "big_toe"),
    }.get(pair.zoom)
    room = {Zoom.LOWER_BODY: 0.07, Zoom.LOWER_LEGS: 0.04, Zoom.LOWER_LEG: 0.07, Zoom.FOOT: 0.035}
    for points in skeletons.values():
        for name, point in points.items():
            side, _, part = name.partition("_")
            part = part if side in SIDES else name
            if names is None:
                yield Circle(Role.EDGE, point, HALF_THICKNESS[part] + 0.01)
            elif part in names and (side == "right" or not _right_only(pair)):
                yield Circle(Role.EDGE, point, room[pair.zoom])


def _right_only(pair: PosePair) -> bool:
    return pair.zoom in {Zoom.LOWER_LEG, Zoom.FOOT}


def _with_props(pair: PosePair, skeletons: Skeletons, tight: Box) -> Box:
    """Grown to hold the props, but not to the ends of a mat or the top of a wall.

    In a crop it grows sideways and down only: upwards the zoom decides.
    """
    corners = list(tight.corners)
    for prop, points in product(pair.props, skeletons.values()):
        box = prop_box(prop, points)
        cut = pair.zoom is not Zoom.WHOLE or prop.kind == "wall"
        top = tight.top if cut else box.top
        left, right = box.left, box.right
        if prop.kind == "mat" and pair.camera is Camera.LEVEL:
            left, right = tight.left, tight.right
        corners += Box(left, box.bottom, right, top).corners
    return box_around(corners)


def _not_too_tall(box: Box) -> Box:
    lacking = max(0.0, box.height / TALLEST - box.width) / 2
    return Box(box.left - lacking, box.bottom, box.right + lacking, box.top)


def _frame_shapes(
    pair: PosePair, frame: FrameName, skeletons: Skeletons, box: Box
) -> tuple[Shape, ...]:
    """Shapes of one frame from back to front, those outside the crop left out."""
    points, unit = skeletons[frame], box.width / FRAME_MM
    shapes = chain(
        ground(pair, box, unit),
        *(prop_shapes(p, points, unit) for p in shown_props(pair, frame, in_front=False)),
        _mark(pair, frame, box, unit),
        body(pair.pose(frame), points, pair.view, pair.camera, right_only=_right_only(pair)),
        *(prop_shapes(p, points, unit) for p in shown_props(pair, frame, in_front=True)),
        arrow_shapes(pair, frame, skeletons, unit),
        _edge(pair, frame, box, unit),
    )
    return tuple(shape for shape in shapes if extent(shape).touches(box))


def _avoided(pair: PosePair, frame: FrameName) -> bool:
    return pair.kind is PairKind.CONTRAST and frame is FrameName.START


def _mark(pair: PosePair, frame: FrameName, box: Box, unit: float) -> tuple[Shape, ...]:
    """The cross behind a position that nobody should copy."""
    if not _avoided(pair, frame):
        return ()
    a, b, c, d = box.grown(-0.6 * unit).corners
    return Polyline(Role.CROSS, (a, c)), Polyline(Role.CROSS, (b, d))


def _edge(pair: PosePair, frame: FrameName, box: Box, unit: float) -> tuple[Shape, ...]:
    """A dashed edge around what to avoid, a plain one around a part of the body."""
    role = Role.EDGE_AVOID if _avoided(pair, frame) else Role.EDGE
    if role is Role.EDGE and pair.zoom is Zoom.WHOLE:
        return ()
    a, b, c, d = box.grown(-0.3 * unit).corners
    return (Polyline(role, (a, b, c, d, a)),)


def svg(drawing: Drawing, *, captions: bool = True, prefix: str = "figure") -> str:
    """The pair as one SVG element, classes and plain attributes only.

    captions: print the words under the frames; prefix: makes the ids unique on a page.
    Source: rule of this clinic.
    """
    layout = sheet(drawing.box, FRAME_MM, 4.5 if captions else 0.0)
    key = f"{prefix}-{drawing.code}"
    words = (_caption(frame, layout, n) for n, frame in enumerate(drawing.frames) if captions)
    return "".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" class="figure" role="img"'
            f' aria-labelledby="{key}-title {key}-desc"'
            f' viewBox="0 0 {_n(layout.width)} {_n(layout.height)}"'
            ' stroke-linejoin="round" stroke-linecap="round">',
            f'<title id="{key}-title">{escape(drawing.title)}</title>',
            f'<desc id="{key}-desc">{escape(drawing.alt)}</desc>',
            *(_svg_frame(frame, layout, n) for n, frame in enumerate(drawing.frames)),
            *words,
            "</svg>",
        ]
    )


def _svg_frame(frame: Frame, layout: Sheet, number: int) -> str:
    """A frame of its own, so that whatever leaves the crop is cut off."""
    size = f'width="{_n(layout.frame_width)}" height="{_n(layout.frame_height)}"'
    shapes = "".join(_svg_shape(shape, layout) for shape in frame.shapes)
    x = _n(layout.frame_left(number))
    return f'<svg class="figure-{frame.name}" x="{x}" y="0" {size}>{shapes}</svg>'


def _svg_shape(shape: Shape, layout: Sheet) -> str:
    look = _svg_look(shape.role, LOOKS[shape.role], filled=not isinstance(shape, Polyline))
    if isinstance(shape, Circle):
        x, y = layout.down(shape.centre)
        radius = _n(shape.radius * layout.scale)
        return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{radius}" {look}/>'
    places = " ".join(f"{_n(x)},{_n(y)}" for x, y in map(layout.down, shape.points))
    return f'<{"polygon" if isinstance(shape, Polygon) else "polyline"} points="{places}" {look}/>'


def _svg_look(role: Role, look: Look, *, filled: bool) -> str:
    colours = {"fill": look.fill if filled else None, "stroke": look.line}
    drawn = {key: "currentColor" if c == INK else c or "none" for key, c in colours.items()}
    attributes = {"class": f"figure-{role}", **drawn, "stroke-width": _n(look.width)}
    if look.dash:
        attributes["stroke-dasharray"] = " ".join(_n(part) for part in look.dash)
    return " ".join(f"{key}={quoteattr(value)}" for key, value in attributes.items())


def _caption(frame: Frame, layout: Sheet, number: int) -> str:
    x = layout.frame_left(number) + layout.frame_width / 2
    return (
        f'<text class="figure-caption" x="{_n(x)}" y="{_n(layout.height - 1)}"'
        f' font-size="3.4" text-anchor="middle" fill="currentColor">{escape(frame.caption)}</text>'
    )


def _n(value: float) -> str:
    """Two decimals: a hundredth of a millimetre, and the same bytes every time."""
    return f"{round(value, 2) + 0.0:.2f}".rstrip("0").rstrip(".")
