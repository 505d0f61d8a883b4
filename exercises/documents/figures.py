"""Figure pairs on paper: the shapes of a drawing as vectors, greys and one dark accent."""

from typing import Any

from reportlab.graphics.shapes import (
    Circle as PaperCircle,
)
from reportlab.graphics.shapes import (
    Drawing as PaperDrawing,
)
from reportlab.graphics.shapes import (
    Group,
    Path,
    String,
)
from reportlab.graphics.shapes import (
    Polygon as PaperPolygon,
)
from reportlab.graphics.shapes import (
    PolyLine as PaperLine,
)
from reportlab.lib.colors import HexColor

from exercises.domain.figure_looks import INK, LOOKS, Sheet, sheet
from exercises.domain.figure_shapes import Circle, Drawing, Frame, Polygon, Shape
from exercises.domain.figures import FRAME_MM

CAPTION_PT = 9
ROUND = {"strokeLineCap": 1, "strokeLineJoin": 1}


def figure_drawing(drawing: Drawing, width: float, font: str | None = None) -> PaperDrawing:
    """The pair as a vector drawing of that width in points.

    font: a registered font for the words under the frames; without it there are none.
    """
    caption_height = CAPTION_PT * 1.6 if font else 0.0
    layout = sheet(drawing.box, width * 15 / 31, caption_height)
    paper = PaperDrawing(layout.width, layout.height)
    for number, frame in enumerate(drawing.frames):
        paper.add(_frame(frame, layout, number))
        if font:
            paper.add(_caption(frame.caption, layout, number, font))
    return paper


def _frame(frame: Frame, layout: Sheet, number: int) -> Group:
    """A group cut off at the edges of its frame."""
    window = Path(isClipPath=1, fillColor=None, strokeColor=None)
    right, top = layout.frame_width, layout.frame_height
    window.moveTo(0, 0)
    for x, y in ((right, 0), (right, top), (0, top)):
        window.lineTo(x, y)
    window.closePath()
    group = Group(window, *(_shape(shape, layout) for shape in frame.shapes))
    group.translate(layout.frame_left(number), layout.caption_height)
    return group


def _shape(shape: Shape, layout: Sheet) -> Any:
    look = LOOKS[shape.role]
    pen: dict[str, Any] = {
        "strokeColor": HexColor(look.line) if look.line else None,
        "strokeWidth": look.width * layout.frame_width / FRAME_MM,
        **ROUND,
    }
    if look.dash:
        pen["strokeDashArray"] = [part * layout.frame_width / FRAME_MM for part in look.dash]
    fill = HexColor(look.fill) if look.fill else None
    if isinstance(shape, Circle):
        x, y = layout.up(shape.centre)
        return PaperCircle(x, y, shape.radius * layout.scale, fillColor=fill, **pen)
    places = [round(value, 3) for point in shape.points for value in layout.up(point)]
    if isinstance(shape, Polygon):
        return PaperPolygon(places, fillColor=fill, **pen)
    return PaperLine(places, **pen)


def _caption(words: str, layout: Sheet, number: int, font: str) -> String:
    x = layout.frame_left(number) + layout.frame_width / 2
    return String(
        x,
        CAPTION_PT * 0.45,
        words,
        fontName=font,
        fontSize=CAPTION_PT,
        textAnchor="middle",
        fillColor=HexColor(INK),
    )
