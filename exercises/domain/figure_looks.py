"""Tones and line widths of a figure, and where its frames lie on paper or screen.

Greys and one accent that is as dark as ink, so a black and white print loses nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from exercises.domain.figure_shapes import Box, Role
from exercises.domain.poses import Point

INK = "#1f2328"
PAPER = "#ffffff"
ACCENT = "#6b2d5c"


@dataclass(frozen=True)
class Look:
    """fill and line: colour or None; width and dash in mm of a frame 45 mm wide."""

    fill: str | None
    line: str | None
    width: float
    dash: tuple[float, ...] = ()


LOOKS: Mapping[Role, Look] = {
    Role.FLOOR: Look(None, INK, 0.45),
    Role.GROUND: Look(None, "#82878f", 0.25),
    Role.PROP: Look("#f4f2ec", INK, 0.3),
    Role.PROP_LINE: Look(None, INK, 0.45),
    Role.HATCH: Look(None, "#82878f", 0.2),
    Role.BAND_EDGE: Look(None, INK, 1.3),
    Role.BAND: Look(None, "#f4f2ec", 0.7),
    Role.OUTLINE: Look(INK, INK, 0.55),
    Role.FAR: Look("#e6e7e9", None, 0),
    Role.TRUNK: Look("#b4bac1", None, 0),
    Role.NEAR: Look("#6d757e", None, 0),
    Role.HEAD: Look(PAPER, None, 0),
    Role.HAIR: Look("#4a5057", INK, 0.25),
    Role.FACE: Look(INK, INK, 0.3),
    Role.ARROW_EDGE: Look(PAPER, PAPER, 2.0),
    Role.ARROW: Look(None, ACCENT, 1.0),
    Role.ARROW_HEAD: Look(ACCENT, ACCENT, 0.2),
    Role.CROSS: Look(None, "#9aa0a7", 0.5),
    Role.EDGE: Look(None, "#82878f", 0.25),
    Role.EDGE_AVOID: Look(None, INK, 0.45, (1.6, 1.2)),
}


@dataclass(frozen=True)
class Sheet:
    """Two frames side by side with a gap, room for captions under them; one unit for all."""

    box: Box
    frame_width: float
    gap: float
    caption_height: float

    @property
    def scale(self) -> float:
        return self.frame_width / self.box.width

    @property
    def frame_height(self) -> float:
        return self.box.height * self.scale

    @property
    def width(self) -> float:
        return 2 * self.frame_width + self.gap

    @property
    def height(self) -> float:
        return self.frame_height + self.caption_height

    def frame_left(self, number: int) -> float:
        """Left edge of frame 0 or 1; by definition."""
        return number * (self.frame_width + self.gap)

    def down(self, point: Point) -> Point:
        """The place inside its frame, y counted down from the upper edge; by definition."""
        return (point[0] - self.box.left) * self.scale, (self.box.top - point[1]) * self.scale

    def up(self, point: Point) -> Point:
        """The place inside its frame, y counted up from the lower edge; by definition."""
        return (point[0] - self.box.left) * self.scale, (point[1] - self.box.bottom) * self.scale


def sheet(box: Box, frame_width: float, caption_height: float) -> Sheet:
    """The layout of a pair; the gap is a fifteenth of a frame (rule of this clinic)."""
    return Sheet(box, frame_width, frame_width / 15, caption_height)
