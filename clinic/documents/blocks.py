"""What stands on a page: tagged paragraphs, lists, tables, boxes and figures."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Self
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Flowable, Paragraph, Table

from clinic.documents.fonts import BODY, BOLD, composed, register

TAG_OF_STYLE = {"title": "H1", "heading": "H2", "subheading": "H3"}
HAIR = 0.6  # points; thinner lines vanish on office printers
GREY = Color(0.45, 0.45, 0.45)  # 4.8:1 on white: WCAG 1.4.11 asks for 3:1


@dataclass(frozen=True)
class Sizes:
    """The print sizes of one paper, in points."""

    body: float
    furniture: float
    large: bool = False

    @property
    def gap(self) -> float:
        """The blank between two blocks."""
        return self.body * 0.45

    @property
    def indent(self) -> float:
        """How far the text of a list stands in."""
        return self.body * 1.5


FOR_PROFESSIONALS = Sizes(body=10.5, furniture=9)
FOR_CLIENTS = Sizes(body=12, furniture=12)  # UKAAF G003: 12 pt or more
LARGE_PRINT = Sizes(body=18, furniture=18, large=True)  # UKAAF G003: all of it, also page numbers


@cache
def style(name: str, size: float) -> ParagraphStyle:
    """The paragraph style of that name for that body size, left aligned, no italics.

    Raises KeyError for a name that is not in the list.
    """
    register()
    scale, bold, before, after = {
        "title": (1.55, True, 0.0, 0.3),
        "heading": (1.18, True, 0.85, 0.25),
        "letterhead": (1.18, True, 0.0, 0.25),
        "subheading": (1.0, True, 0.45, 0.1),
        "body": (1.0, False, 0.0, 0.35),
        "strong": (1.0, True, 0.0, 0.35),
        "labelled": (1.0, False, 0.0, 0.2),
        "note": (1.0, False, 0.2, 0.0),
        "tight": (1.0, False, 0.0, 0.0),
        "tight_strong": (1.0, True, 0.0, 0.0),
        "number": (1.0, False, 0.0, 0.0),
        "number_strong": (1.0, True, 0.0, 0.0),
    }[name]
    points = round(size * scale, 1)
    return ParagraphStyle(
        name,
        fontName=BOLD if bold else BODY,
        fontSize=points,
        leading=round(points * 1.23, 1),
        spaceBefore=size * before,
        spaceAfter=size * after,
        keepWithNext=name in TAG_OF_STYLE,
        alignment=TA_RIGHT if name.startswith("number") else 0,
        splitLongWords=1,
    )


def markup(text: str, label: str = "") -> str:
    """The text as reportlab reads it, shown literally; the label bold before it."""
    shown = escape(composed(text)).replace("\n", "<br/>")
    bold = f"<b>{escape(composed(label))}</b>" if label else ""
    return f"{bold}: {shown}" if bold and shown else bold or shown


class P(Paragraph):  # type: ignore[misc]  # reportlab is untyped
    """A tagged paragraph; `inside` a cell or list item the parent marks the content."""

    inside = False

    def draw(self) -> None:
        if self.inside:
            super().draw()
            return
        with self.canv.marked(TAG_OF_STYLE.get(self.style.name, "P")):
            super().draw()


def paragraph(text: str, size: float, name: str = "body", label: str = "") -> P:
    """One paragraph of plain text."""
    return P(markup(text, label), style(name, size))


class Rule(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """A thin line over the width."""

    def __init__(self, before: float = 0, after: float = 0, weight: float = HAIR) -> None:
        super().__init__()
        self.spaceBefore, self.spaceAfter, self.weight = before, after, weight

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width, self.height = width, self.weight
        return self.width, self.height

    def draw(self) -> None:
        with self.canv.artifact():
            self.canv.setLineWidth(self.weight)
            self.canv.setStrokeColor(GREY)
            self.canv.line(0, 0, self.width, 0)


class ListItem(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """One item of a list; `first` and `last` open and close the list in the structure tree.

    An item that is split keeps its label with its first part: `begins`, `ends`.
    """

    def __init__(self, text: P, label: str, indent: float, *, first: bool, last: bool) -> None:
        super().__init__()
        self.text, self.label, self.indent = text, label, indent
        self.first, self.last, self.begins, self.ends = first, last, True, True
        self.text.inside = True
        self.spaceBefore, self.spaceAfter = 0, text.style.fontSize * 0.18

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width = width
        self.height = self.text.wrapOn(getattr(self, "canv", None), width - self.indent, height)[1]
        return self.width, self.height

    def split(self, width: float, height: float) -> list["ListItem"]:
        parts = self.text.split(width - self.indent, height)
        if len(parts) < 2:
            return []
        above, below = (
            ListItem(part, self.label, self.indent, first=self.first, last=self.last)
            for part in parts
        )
        above.begins, above.ends = self.begins, False
        below.begins, below.ends = False, self.ends
        return [above, below]

    def draw(self) -> None:
        canvas, kind = self.canv, self.text.style
        if self.begins:
            if self.first:
                canvas.open("L", numbering="Decimal" if self.label[0].isdigit() else "Disc")
            canvas.open("LI")
            with canvas.marked("Lbl"):
                canvas.setFont(BODY, kind.fontSize)
                canvas.drawString(
                    kind.fontSize * 0.3, self.height - kind.leading * 0.8, self.label
                )
        with canvas.marked("LBody"):
            self.text.drawOn(canvas, self.indent, 0)
        if self.ends:
            canvas.close()
            if self.last:
                canvas.close()


def listed(items: Sequence[str], sizes: Sizes, *, numbered: bool = False) -> list[Flowable]:
    """A list with dots, or with numbers where the order matters."""
    last = len(items) - 1
    return [
        ListItem(
            paragraph(item, sizes.body, "tight"),
            f"{index + 1}." if numbered else "•",
            sizes.indent,
            first=index == 0,
            last=index == last,
        )
        for index, item in enumerate(items)
    ]


class Stack(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """Blocks one under the other, with a frame around them if `line` is not 0."""

    def __init__(self, parts: Iterable[Flowable], pad: float = 0, line: float = 0) -> None:
        super().__init__()
        self.parts, self.pad, self.line = list(parts), pad, line
        self.spaceBefore = self.spaceAfter = 2 * pad

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width = width
        self.placed = list(self._laid_out(width, height))
        self.height = sum(gap + tall for _part, gap, tall in self.placed) + 2 * self.pad
        return self.width, self.height

    def _laid_out(self, width: float, height: float) -> Iterator[tuple[Flowable, float, float]]:
        """Each block with the gap above it and its height."""
        below = 0.0
        for index, part in enumerate(self.parts):
            tall = part.wrapOn(getattr(self, "canv", None), width - 2 * self.pad, height)[1]
            yield part, max(below, part.getSpaceBefore()) if index else 0.0, tall
            below = part.getSpaceAfter()

    def split(self, width: float, height: float) -> list[Flowable]:
        room = height - 2 * self.pad
        for index, (part, gap, tall) in enumerate(self._laid_out(width, height)):
            if gap + tall <= room:
                room -= gap + tall
                continue
            pieces = part.splitOn(self.canv, width - 2 * self.pad, room - gap)
            head = self.parts[:index] + pieces[:1]
            tail = pieces[1:] + self.parts[index + (1 if pieces else 0) :]
            while head and head[-1].getKeepWithNext():
                tail.insert(0, head.pop())
            return [self._like(head), self._like(tail)] if head else []
        return [self]

    def _like(self, parts: list[Flowable]) -> Self:
        return type(self)(parts, self.pad, self.line)

    def draw(self) -> None:
        if self.line:
            with self.canv.artifact():
                self.canv.setLineWidth(self.line)
                self.canv.rect(0, 0, self.width, self.height)
        top = self.height - self.pad
        for part, gap, tall in self.placed:
            top -= gap + tall
            part.drawOn(self.canv, self.pad, top)


class SideBySide(Flowable):  # type: ignore[misc]  # reportlab is untyped
    """Two stacks beside each other, tops level; `right_first` is the order of reading."""

    def __init__(
        self,
        left: Stack,
        right: Stack,
        left_width: float,
        between: float,
        *,
        right_first: bool = False,
    ) -> None:
        super().__init__()
        self.left, self.right, self.right_first = left, right, right_first
        self.left_width, self.between = left_width, between

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        canvas = getattr(self, "canv", None)
        one = self.left.wrapOn(canvas, self.left_width, height)[1]
        rest = width - self.left_width - self.between
        other = self.right.wrapOn(canvas, rest, height)[1]
        self.width, self.height = width, max(one, other)
        return self.width, self.height

    def draw(self) -> None:
        places = [(self.left, 0.0), (self.right, self.left_width + self.between)]
        for stack, x in reversed(places) if self.right_first else places:
            stack.drawOn(self.canv, x, self.height - stack.height)


class TaggedTable(Table):  # type: ignore[misc]  # reportlab is untyped
    """A table whose `repeatRows` first rows head the columns; `row_heads`: column 0 heads rows.

    reportlab calls `_renderCB` around every part of a table, with the table as first argument.
    """

    row_heads = False

    def draw(self) -> None:
        self._renderCB = type(self).mark
        super().draw()

    def mark(self, event: str, *given: Any) -> None:
        """Open or close the element of the part that is about to be drawn, or was."""
        canvas = self.canv
        if event == "startTable":
            canvas.open("Table")
        elif event == "startRow":
            canvas.open("TR")
        elif event in ("endTable", "endRow"):
            canvas.close()
        elif event == "startCell":
            row, column, value = given[:3]
            self._mark_cell(row, column, value)
        else:
            self._mark_content(event)

    def _mark_cell(self, row: int, column: int, value: Any) -> None:
        for item in value if isinstance(value, (list, tuple)) else [value]:
            if isinstance(item, P):
                item.inside = True
        if row < self.repeatRows:
            self._content = self.canv.marked("TH", scope="Column")
        elif column == 0 and self.row_heads:
            self._content = self.canv.marked("TH", scope="Row")
        else:
            self._content = self.canv.marked("TD")
        self._content.__enter__()

    def _mark_content(self, event: str) -> None:
        if event in ("startBG", "startLines"):
            self._content = self.canv.artifact()
            self._content.__enter__()
        else:
            self._content.__exit__(None, None, None)


class RowHeadTable(TaggedTable):
    """A table whose first column names the rows."""

    row_heads = True


def table(
    rows: Sequence[Sequence[Any]],
    widths: Sequence[float],
    commands: Sequence[tuple[Any, ...]],
    *,
    head_rows: int = 0,
    row_heads: bool = False,
) -> TaggedTable:
    """A tagged table; its style always names an embedded font."""
    kind = RowHeadTable if row_heads else TaggedTable
    return kind(
        [list(row) for row in rows],
        colWidths=list(widths),
        repeatRows=head_rows,
        splitInRow=1,
        style=[
            ("FONTNAME", (0, 0), (-1, -1), BODY),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            *commands,
        ],
        hAlign="LEFT",
    )
