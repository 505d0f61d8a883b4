"""Shapes a figure is made of, and the plane geometry that makes them.

Places are fractions of body height, x to the right, y up.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import atan2, cos, hypot, pi, sin

from exercises.domain.poses import FrameName, Point


class Role(StrEnum):
    """What a shape stands for; looks follow from it."""

    FLOOR = "floor"
    GROUND = "ground"
    PROP = "prop"
    PROP_LINE = "prop-line"
    HATCH = "hatch"
    BAND_EDGE = "band-edge"
    BAND = "band"
    OUTLINE = "outline"
    FAR = "far"
    TRUNK = "trunk"
    NEAR = "near"
    HEAD = "head"
    HAIR = "hair"
    FACE = "face"
    ARROW_EDGE = "arrow-edge"
    ARROW = "arrow"
    ARROW_HEAD = "arrow-head"
    CROSS = "cross"
    EDGE = "edge"
    EDGE_AVOID = "edge-avoid"


@dataclass(frozen=True)
class Polygon:
    role: Role
    points: tuple[Point, ...]


@dataclass(frozen=True)
class Circle:
    role: Role
    centre: Point
    radius: float


@dataclass(frozen=True)
class Polyline:
    role: Role
    points: tuple[Point, ...]


Shape = Polygon | Circle | Polyline


@dataclass(frozen=True)
class Box:
    """A rectangle with sides along the axes."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def height(self) -> float:
        return self.top - self.bottom

    @property
    def corners(self) -> tuple[Point, Point, Point, Point]:
        return (
            (self.left, self.bottom),
            (self.right, self.bottom),
            (self.right, self.top),
            (self.left, self.top),
        )

    def grown(self, by: float) -> "Box":
        """The box with a margin of `by` on each side; by definition."""
        return Box(self.left - by, self.bottom - by, self.right + by, self.top + by)

    def touches(self, other: "Box") -> bool:
        """Whether the two share any place; by definition."""
        across = self.left <= other.right and other.left <= self.right
        return across and self.bottom <= other.top and other.bottom <= self.top


@dataclass(frozen=True)
class Frame:
    """One of the two pictures, its shapes from back to front."""

    name: FrameName
    caption: str
    shapes: tuple[Shape, ...]


@dataclass(frozen=True)
class Drawing:
    """A figure pair: two frames of one scale and crop (`box`), and its words."""

    code: str
    title: str
    alt: str
    box: Box
    frames: tuple[Frame, Frame]


def box_around(points: Iterable[Point]) -> Box:
    """The smallest box that holds the points, at least one; by definition."""
    xs, ys = zip(*points, strict=True)
    return Box(min(xs), min(ys), max(xs), max(ys))


def extent(shape: Shape) -> Box:
    """The smallest box that holds the shape, line width apart; by definition."""
    if isinstance(shape, Circle):
        return box_around([shape.centre]).grown(shape.radius)
    return box_around(shape.points)


def along(start: Point, end: Point, part: float) -> Point:
    """The place at `part` (0 to 1) of the way; by definition."""
    return start[0] + part * (end[0] - start[0]), start[1] + part * (end[1] - start[1])


def moved(start: Point, direction: Point, by: float, across: float = 0.0) -> Point:
    """`by` along the unit direction and `across` to the left of it; by definition."""
    dx, dy = direction
    return start[0] + by * dx - across * dy, start[1] + by * dy + across * dx


def direction(start: Point, end: Point) -> Point:
    """Unit vector from start to end; to the right when both are one place."""
    length = hypot(end[0] - start[0], end[1] - start[1])
    if length == 0:
        return 1.0, 0.0
    return (end[0] - start[0]) / length, (end[1] - start[1]) / length


def arc(centre: Point, radius: float, start: float, turn: float) -> tuple[Point, ...]:
    """Places on a circle from angle `start` on through `turn`, radians, about 15 deg apart."""
    steps = max(2, round(abs(turn) / (pi / 12)))
    angles = [start + turn * step / steps for step in range(steps + 1)]
    return tuple((centre[0] + radius * cos(a), centre[1] + radius * sin(a)) for a in angles)


def hull(discs: Iterable[tuple[Point, float]]) -> tuple[Point, ...]:
    """Outline, counterclockwise, of the tight wrap around discs (centre, radius).

    Source: monotone chain (Andrew 1979), over places on the rims.
    """
    rim = sorted({p for centre, radius in discs for p in arc(centre, radius, 0.0, 2 * pi)})
    return (*_chain(rim)[:-1], *_chain(rim[::-1])[:-1])


def _chain(points: Sequence[Point]) -> list[Point]:
    kept: list[Point] = []
    for point in points:
        while len(kept) > 1 and _turns_right(kept[-2], kept[-1], point):
            kept.pop()
        kept.append(point)
    return kept


def _turns_right(a: Point, b: Point, c: Point) -> bool:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) <= 0


def bow(start: Point, end: Point, curve: float) -> tuple[Point, ...]:
    """Places on the quadratic curve from start to end.

    curve: how far the control point lies to the right of the middle, as part of the chord.
    Source: rule of this clinic (notation of the library).
    """
    middle = along(start, end, 0.5)
    dx, dy = end[0] - start[0], end[1] - start[1]
    control = (middle[0] + curve * dy, middle[1] - curve * dx)
    steps = 16 if curve else 1
    return tuple(
        along(along(start, control, t / steps), along(control, end, t / steps), t / steps)
        for t in range(steps + 1)
    )


def cut_short(points: Sequence[Point], by: float) -> tuple[Point, ...]:
    """The line without its last `by` of length; at least its first piece remains."""
    kept = list(points)
    while len(kept) > 2 and _length(kept[-2], kept[-1]) <= by:
        by -= _length(kept[-2], kept[-1])
        kept.pop()
    last = _length(kept[-2], kept[-1])
    kept[-1] = along(kept[-2], kept[-1], max(0.0, 1 - by / last) if last else 1.0)
    return tuple(kept)


def _length(start: Point, end: Point) -> float:
    return hypot(end[0] - start[0], end[1] - start[1])


def path_length(points: Sequence[Point]) -> float:
    """Length along the line; by definition."""
    return sum(_length(start, end) for start, end in pairwise(points))


def arrow(points: Sequence[Point], size: float) -> tuple[Shape, ...]:
    """An arrow along the line with a head of length `size`, on a pale edge of its own.

    A short arrow gets a smaller head, so that some of its shaft is always seen.
    """
    size = min(size, 0.6 * path_length(points))
    shaft = cut_short(points, size * 0.8)
    tip, facing = points[-1], direction(cut_short(points, size)[-1], points[-1])
    head = (tip, moved(tip, facing, -size, size * 0.55), moved(tip, facing, -size, -size * 0.55))
    return (
        Polyline(Role.ARROW_EDGE, shaft),
        Polygon(Role.ARROW_EDGE, head),
        Polyline(Role.ARROW, shaft),
        Polygon(Role.ARROW_HEAD, head),
    )


def hatch(points: Sequence[Point], gap: float) -> tuple[Polyline, ...]:
    """Rising 45 deg lines, `gap` apart, inside the closed outline.

    They hang on fixed places of the plane, so both frames of a pair are hatched alike.
    """
    offsets = [y - x for x, y in points]
    first, last = (int(edge // (gap * 2**0.5)) for edge in (min(offsets), max(offsets)))
    lines = []
    for number in range(first + 1, last + 1):
        cuts = sorted(_crossings(points, number * gap * 2**0.5))
        lines += [Polyline(Role.HATCH, pair) for pair in zip(cuts[::2], cuts[1::2], strict=False)]
    return tuple(lines)


def _crossings(points: Sequence[Point], offset: float) -> Iterable[Point]:
    """Where the line y = x + offset meets the edges of the outline."""
    for start, end in pairwise((*points, points[0])):
        before, after = start[1] - start[0] - offset, end[1] - end[0] - offset
        if (before < 0) != (after < 0):
            yield along(start, end, before / (before - after))


def heading(start: Point, end: Point) -> float:
    """Angle in radians of the way from start to end, counterclockwise from the right."""
    return atan2(end[1] - start[1], end[0] - start[0])
