"""Things beside the body, the ground it stands on and the arrows that say what moves."""

from collections.abc import Iterable, Mapping
from math import pi

from exercises.domain.figure_shapes import (
    Box,
    Circle,
    Polygon,
    Polyline,
    Role,
    Shape,
    along,
    arc,
    arrow,
    bow,
    box_around,
    cut_short,
    direction,
    hatch,
    hull,
    moved,
    path_length,
)
from exercises.domain.poses import (
    HALF_THICKNESS,
    Area,
    Camera,
    Disc,
    FrameName,
    Line,
    MovesTo,
    Place,
    Point,
    PosePair,
    Prop,
    PropShape,
    Zoom,
)

# Rule of this clinic: what is held, worn or lies in front; everything else stands behind.
IN_FRONT = frozenset({"ball", "band", "loop_band", "paper", "stick", "tape", "weight", "wedge"})
STRETCHED = frozenset({"band", "loop_band"})
HATCHED = frozenset({"wall", "box", "step", "chair", "roller", "weight", "wedge", "towel"})
SHORT_MM = 7

Skeleton = Mapping[str, Point]


def place(where: Place, points: Skeleton) -> Point:
    """The place in the picture; by definition."""
    x, y = points[where.point] if where.point else (0.0, 0.0)
    return x + where.x, y + where.y


def shown_props(pair: PosePair, frame: FrameName, *, in_front: bool) -> Iterable[Prop]:
    """Props of that frame that stand behind or in front of the body."""
    for prop in pair.props:
        if prop.frame in {None, frame} and _in_front(prop) == in_front:
            yield prop


def _in_front(prop: Prop) -> bool:
    return prop.kind in IN_FRONT and not prop.behind


def prop_box(prop: Prop, points: Skeleton) -> Box:
    """The smallest box that holds the prop; by definition."""
    return box_around(place for part in prop.parts for place in _extremes(part, points))


def _extremes(part: PropShape, points: Skeleton) -> tuple[Point, ...]:
    if isinstance(part, Area):
        return part.points
    if isinstance(part, Disc):
        return arc(place(part.centre, points), part.radius, 0.0, 2 * pi)
    return place(part.start, points), place(part.end, points)


def prop_shapes(prop: Prop, points: Skeleton, unit: float) -> tuple[Shape, ...]:
    """Shapes of one prop; unit: what 1 mm of the printed frame is in body heights."""
    return tuple(s for part in prop.parts for s in _part_shapes(prop.kind, part, points, unit))


def _part_shapes(kind: str, part: PropShape, points: Skeleton, unit: float) -> tuple[Shape, ...]:
    if isinstance(part, Line):
        return _line_shapes(kind, place(part.start, points), place(part.end, points), unit)
    outline = _extremes(part, points)
    gap = (0.9 if kind == "towel" else 1.6) * unit
    lines = hatch(outline, gap) if kind in HATCHED else ()
    rim: Shape = Polygon(Role.PROP, outline)
    if isinstance(part, Disc):
        rim = Circle(Role.PROP, place(part.centre, points), part.radius)
    glass = _glass(outline, unit) if kind == "mirror" else ()
    return (rim, *lines, *glass)


def _glass(outline: tuple[Point, ...], unit: float) -> tuple[Shape, ...]:
    """Two short strokes in the upper left corner, as on a pane."""
    box = box_around(outline)
    start = (box.left + 2 * unit, box.top - 8 * unit)
    strokes = ((start, 6), ((start[0], start[1] - 2.5 * unit), 8.5))
    return tuple(
        Polyline(Role.HATCH, (at, (at[0] + size * unit * 0.7, at[1] + size * unit * 0.7)))
        for at, size in strokes
    )


def _line_shapes(kind: str, start: Point, end: Point, unit: float) -> tuple[Shape, ...]:
    if kind in STRETCHED:
        return Polyline(Role.BAND_EDGE, (start, end)), Polyline(Role.BAND, (start, end))
    if kind == "stick":
        return (Polygon(Role.PROP, hull([(start, 0.009), (end, 0.009)])),)
    if kind == "tape":
        return (Polygon(Role.PROP, _strip(start, end, 0.5 * unit)),)
    return (Polyline(Role.PROP_LINE, (start, end)),)


def _strip(start: Point, end: Point, half: float) -> tuple[Point, ...]:
    way = direction(start, end)
    left, right = (tuple(moved(p, way, 0.0, s * half) for p in (start, end)) for s in (1, -1))
    return (*left, *reversed(right))


def arrow_line(moves: MovesTo, frames: Mapping[FrameName, Skeleton]) -> tuple[Point, ...]:
    """The line an arrow follows; frames: the skeletons of both poses."""
    if moves.point is None:
        return bow(moves.start, moves.end, moves.curve)
    other = FrameName.START if moves.frame is FrameName.END else FrameName.END
    start, end = frames[other][moves.point], frames[moves.frame][moves.point]
    return bow(start, end, moves.curve)


def arrow_shapes(
    pair: PosePair, frame: FrameName, frames: Mapping[FrameName, Skeleton], unit: float
) -> tuple[Shape, ...]:
    """Arrows of that frame; unit: what 1 mm of the printed frame is in body heights."""
    shown = [moves for moves in pair.arrows if moves.frame is frame]
    middle = _body_middle(pair, frames[frame])
    lines = [_clear_of_body(moves, arrow_line(moves, frames), middle, unit) for moves in shown]
    return tuple(shape for line in lines for shape in arrow(line, 3.2 * unit))


def _body_middle(pair: PosePair, points: Skeleton) -> Point:
    if pair.zoom in {Zoom.FOOT, Zoom.LOWER_LEG}:
        return points["right_heel"]
    return along(points["pelvis"], points["neck_base"], 0.5)


def _clear_of_body(
    moves: MovesTo, line: tuple[Point, ...], middle: Point, unit: float
) -> tuple[Point, ...]:
    """An arrow that would hide what it points at: a long one ends before it, a short one is
    moved aside, away from the middle of the body.
    """
    if moves.point is None:
        return line
    room = HALF_THICKNESS[moves.point.removeprefix("left_").removeprefix("right_")]
    if path_length(line) > SHORT_MM * unit:
        return cut_short(line, max(room, 0.01) + 0.6 * unit)
    way, end = direction(line[0], line[-1]), line[-1]
    left_of_way = (end[1] - middle[1]) * way[0] - (end[0] - middle[0]) * way[1]
    aside = (max(room, 0.03) + 2.4 * unit) * (1 if left_of_way >= 0 else -1)
    return tuple(moved(point, way, 0.0, aside) for point in line)


def ground(pair: PosePair, box: Box, unit: float) -> tuple[Shape, ...]:
    """The floor line over the width of the box with strokes under it; none from above."""
    if pair.camera is Camera.ABOVE:
        return ()
    under = tuple(
        Polyline(Role.GROUND, ((x, 0.0), (x - 1.2 * unit, -1.2 * unit)))
        for x in (box.left + (n + 0.7) * 2.4 * unit for n in range(int(box.width / unit / 2.4)))
    )
    return (*under, Polyline(Role.FLOOR, ((box.left, 0.0), (box.right, 0.0))))
